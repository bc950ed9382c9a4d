//! Convolutions: the choice of an algorithm, the packing of the weights for it, and its use.

use super::{Activation, FeatureMap, Inputs};
use crate::kernels::{
    self, AlignedBuffer, BLOCK, Depthwise, Gemm, InstructionSet, Layout, Patch, Tile,
};
use std::ops::Range;

/// How a window slides over a feature map.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Window {
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Height and width of the output.
    pub output_size: [usize; 2],
    /// Height and width of the window.
    pub kernel: [usize; 2],
    /// Stride down and to the right.
    pub stride: [usize; 2],
    /// Rows of zeros above the input and columns of zeros to its left.
    pub padding: [usize; 2],
}

impl Window {
    /// The input rows that some output rows are computed from.
    pub(crate) fn rows_needed(&self, rows: Range<usize>) -> Range<usize> {
        let first = (rows.start * self.stride[0]).saturating_sub(self.padding[0]);
        let past = ((rows.end - 1) * self.stride[0] + self.kernel[0])
            .saturating_sub(self.padding[0])
            .min(self.input_size[0]);
        first.min(past)..past
    }

    /// Rows and columns of the input, without the padding, under the window of one output pixel.
    pub(crate) fn taps_inside(&self, pixel: [usize; 2]) -> [Range<usize>; 2] {
        std::array::from_fn(|i| {
            let start = pixel[i] * self.stride[i];
            let past = (start + self.kernel[i])
                .saturating_sub(self.padding[i])
                .min(self.input_size[i]);
            start.saturating_sub(self.padding[i]).min(past)..past
        })
    }

    /// Columns of the padded input under the windows of one output row.
    fn padded_width(&self) -> usize {
        (self.output_size[1].max(1) - 1) * self.stride[1] + self.kernel[1]
    }
}

/// The weights of a convolution as the network file has them.
pub(crate) struct ConvWeights<'a> {
    /// Output channels, input channels of one group, height, width.
    pub shape: [usize; 4],
    /// Groups of channels.
    pub group: usize,
    /// The weights in the order of their shape.
    pub weights: &'a [f32],
    /// One value an output channel.
    pub bias: &'a [f32],
}

/// How a convolution is computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Algorithm {
    /// A small kernel for each channel.
    Depthwise,
    /// A matrix product over each pixel's channels.
    Pointwise,
    /// A matrix product over the values of each window, which are copied together first.
    Im2col,
}

/// A convolution with bias, an optional residual and an activation.
#[derive(Debug)]
pub(crate) struct Convolution {
    algorithm: Algorithm,
    window: Window,
    channels: [usize; 2],
    activation: Activation,
    weights: AlignedBuffer,
    bias: AlignedBuffer,
}

impl Convolution {
    /// Packs the weights for one instruction set; `None` where no algorithm of ours fits.
    pub(crate) fn new(
        set: InstructionSet,
        window: Window,
        weights: &ConvWeights<'_>,
        activation: Activation,
    ) -> Option<Self> {
        let ConvWeights {
            shape: [out, per_group, kernel_height, kernel_width],
            group,
            weights: values,
            bias,
        } = *weights;
        let input = per_group * group;
        let taps = kernel_height * kernel_width;
        if values.len() != out * per_group * taps || bias.len() != out || values.is_empty() {
            return None;
        }
        let square = |k: usize| window.kernel == [k; 2] && window.stride[0] == window.stride[1];
        let (columns, depth) = (out.next_multiple_of(BLOCK), input.next_multiple_of(BLOCK));
        let (algorithm, packed) = if group == out && per_group == 1 && (square(3) || square(5)) {
            let mut packed = vec![0.0; taps * columns];
            for (channel, kernel) in values.chunks_exact(taps).enumerate() {
                let (block, lane) = (channel / BLOCK, channel % BLOCK);
                for (tap, value) in kernel.iter().enumerate() {
                    packed[(block * taps + tap) * BLOCK + lane] = *value;
                }
            }
            (Algorithm::Depthwise, packed)
        } else if group != 1 {
            return None;
        } else if window.kernel == [1, 1] && window.stride == [1, 1] && window.padding == [0, 0] {
            let at = |row: usize, column: usize| {
                if row < input && column < out {
                    values[column * input + row]
                } else {
                    0.0
                }
            };
            (
                Algorithm::Pointwise,
                kernels::pack_weights(set, pixel_patch(depth), columns, at),
            )
        } else {
            // The rows of the matrix are in the order of a window's values: row, column, channel.
            let at = |row: usize, column: usize| {
                let (tap, channel) = (row / input, row % input);
                if column < out {
                    values[(column * input + channel) * taps + tap]
                } else {
                    0.0
                }
            };
            (
                Algorithm::Im2col,
                kernels::pack_weights(set, window_patch(&window, input), columns, at),
            )
        };
        let mut padded_bias = bias.to_vec();
        padded_bias.resize(columns, 0.0);
        Some(Self {
            algorithm,
            window,
            channels: [input, out],
            activation,
            weights: AlignedBuffer::from_values(&packed),
            bias: AlignedBuffer::from_values(&padded_bias),
        })
    }

    /// Whether a residual can be added before the activation.
    pub(crate) fn takes_residual(&self) -> bool {
        self.algorithm != Algorithm::Depthwise
    }

    /// Whether each pixel's result is an affine function of that pixel's channels.
    pub(crate) fn is_affine_per_pixel(&self) -> bool {
        self.algorithm == Algorithm::Pointwise && self.activation == Activation::Linear
    }

    /// Whether the input may be channels last; else it must be blocked.
    pub(crate) fn reads_channels_last(&self) -> bool {
        self.algorithm == Algorithm::Im2col
    }

    /// Whether each output channel is computed from the same channel of the input only.
    pub(crate) fn is_channelwise(&self) -> bool {
        self.algorithm == Algorithm::Depthwise
    }

    /// Multiply-adds for one output value.
    pub(crate) fn mul_adds(&self) -> usize {
        let [height, width] = self.window.kernel;
        let channels = if self.is_channelwise() {
            1
        } else {
            self.channels[0]
        };
        height * width * channels
    }

    /// Sets the activation.
    pub(crate) fn with_activation(self, activation: Activation) -> Self {
        Self { activation, ..self }
    }

    /// How the window slides.
    pub(crate) fn window(&self) -> &Window {
        &self.window
    }

    /// Floats of scratch memory that [`Self::compute`] needs.
    pub(crate) fn scratch_len(&self) -> usize {
        match self.algorithm {
            Algorithm::Im2col => {
                self.window.kernel[0] * self.window.padded_width() * self.channels[0]
            }
            Algorithm::Depthwise => Depthwise::scratch_len(
                Layout::new(self.window.output_size, self.channels[1]),
                self.window.stride[0],
                self.window.kernel[0],
            ),
            Algorithm::Pointwise => 0,
        }
    }

    /// Computes one tile of the output.
    pub(crate) fn compute(
        &self,
        set: InstructionSet,
        inputs: Inputs<'_>,
        tile: &Tile,
        to: Layout,
        output: &mut [f32],
        scratch: &mut [f32],
    ) {
        let residual = inputs
            .residual
            .map(|residual| super::tile_of(residual, tile));
        match (self.algorithm, inputs.main) {
            (Algorithm::Depthwise, FeatureMap::Blocked { values, layout }) => {
                let d = Depthwise {
                    input: values,
                    from: layout,
                    to,
                    tile,
                    stride: self.window.stride[0],
                    padding: self.window.padding,
                    weights: self.weights.get(),
                    bias: self.bias.get(),
                    clamp: self.activation.clamp(),
                };
                if self.window.kernel[0] == 3 {
                    kernels::depthwise::<3>(set, &d, scratch, output);
                } else {
                    kernels::depthwise::<5>(set, &d, scratch, output);
                }
            }
            (Algorithm::Pointwise, FeatureMap::Blocked { values, layout }) => {
                let gemm = Gemm {
                    pixels: to.band_pixels(),
                    pixel_stride: BLOCK,
                    run_stride: layout.block_stride(),
                    input: &values[layout.band(tile.band)],
                    ..self.gemm(pixel_patch(layout.blocks * BLOCK), tile, to, residual)
                };
                kernels::gemm(set, &gemm, output);
            }
            (Algorithm::Im2col, input) => {
                for row in to.rows(tile.band) {
                    self.im2col(input, row, scratch);
                    let start = to.in_tile(tile, row, tile.blocks.start);
                    let residual = residual.map(|values| &values[start..]);
                    let depth = self.channels[0];
                    let gemm = Gemm {
                        pixels: to.width,
                        pixel_stride: self.window.stride[1] * depth,
                        run_stride: self.window.padded_width() * depth,
                        input: &scratch[..self.scratch_len()],
                        ..self.gemm(window_patch(&self.window, depth), tile, to, residual)
                    };
                    kernels::gemm(set, &gemm, &mut output[start..]);
                }
            }
            (Algorithm::Depthwise | Algorithm::Pointwise, FeatureMap::ChannelsLast { .. }) => {
                unreachable!("a fused graph gives each layer a map in the layout it reads")
            }
        }
    }

    /// The matrix product, without what depends on the algorithm.
    fn gemm<'a>(
        &'a self,
        patch: Patch,
        tile: &Tile,
        to: Layout,
        residual: Option<&'a [f32]>,
    ) -> Gemm<'a> {
        Gemm {
            pixels: 0,
            patch,
            pixel_stride: 0,
            run_stride: 0,
            columns: self.bias.get().len(),
            column_range: tile.blocks.start * BLOCK..tile.blocks.end * BLOCK,
            input: &[],
            weights: self.weights.get(),
            bias: self.bias.get(),
            residual,
            block_stride: to.block_stride(),
            clamp: self.activation.clamp(),
        }
    }

    /// Copies the padded input rows of one output row to scratch memory, channels last, so that each row of a window is one
    /// run of values.
    fn im2col(&self, input: FeatureMap<'_>, row: usize, scratch: &mut [f32]) {
        let channels = self.channels[0];
        let line = self.window.padded_width() * channels;
        let left = self.window.padding[1];
        let copied = self.window.input_size[1].min(self.window.padded_width().saturating_sub(left));
        for (ky, line) in scratch
            .chunks_exact_mut(line)
            .take(self.window.kernel[0])
            .enumerate()
        {
            let y = (row * self.window.stride[0] + ky).checked_sub(self.window.padding[0]);
            match y.filter(|y| *y < self.window.input_size[0]) {
                Some(y) => {
                    let (before, rest) = line.split_at_mut(left * channels);
                    let (inside, after) = rest.split_at_mut(copied * channels);
                    before.fill(0.0);
                    input.copy_row(y, channels, inside);
                    after.fill(0.0);
                }
                None => line.fill(0.0),
            }
        }
    }
}

/// What a pixel of a pointwise convolution reads: its blocks of channels.
fn pixel_patch(channels: usize) -> Patch {
    Patch {
        runs: channels / BLOCK,
        run_len: BLOCK,
    }
}

/// What a pixel of an im2col convolution reads: the rows of its window.
fn window_patch(window: &Window, channels: usize) -> Patch {
    Patch {
        runs: window.kernel[0],
        run_len: window.kernel[1] * channels,
    }
}
