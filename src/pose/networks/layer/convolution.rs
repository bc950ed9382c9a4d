//! Convolutions: which of our methods fits, the packing of the weights for it, and its use.

use super::{Activation, FeatureMap, Inputs};
use crate::kernels::{
    self, AlignedBuffer, BLOCK, Depthwise, Gemm, InstructionSet, Layout, Patch, Tile,
};
use std::ops::Range;

/// Where a window goes over a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Window {
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Height and width of the output.
    pub output_size: [usize; 2],
    /// Height and width of the window.
    pub kernel: [usize; 2],
    /// Steps down and right.
    pub stride: [usize; 2],
    /// Rows above and columns left of the input that count as zero.
    pub padding: [usize; 2],
}

impl Window {
    /// The input rows that some output rows are made of.
    pub(crate) fn rows_needed(&self, rows: Range<usize>) -> Range<usize> {
        let first = (rows.start * self.stride[0]).saturating_sub(self.padding[0]);
        let past = ((rows.end - 1) * self.stride[0] + self.kernel[0])
            .saturating_sub(self.padding[0])
            .min(self.input_size[0]);
        first.min(past)..past
    }

    /// Rows and columns of the input that the window of one output pixel covers.
    pub(crate) fn inside(&self, pixel: [usize; 2]) -> [Range<usize>; 2] {
        std::array::from_fn(|i| {
            let start = pixel[i] * self.stride[i];
            let past = (start + self.kernel[i])
                .saturating_sub(self.padding[i])
                .min(self.input_size[i]);
            start.saturating_sub(self.padding[i]).min(past)..past
        })
    }

    /// Columns that the windows of a row cover together, those outside the picture included.
    fn covered_width(&self) -> usize {
        (self.output_size[1].max(1) - 1) * self.stride[1] + self.kernel[1]
    }
}

/// The weights of a convolution as a network gives them.
pub(crate) struct Filter<'a> {
    /// Channels out, channels in of one group, height, width.
    pub shape: [usize; 4],
    /// Groups of channels.
    pub group: usize,
    /// The weights in the order of their shape.
    pub weights: &'a [f32],
    /// One value a channel out.
    pub bias: &'a [f32],
}

/// How the products of a convolution are formed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Method {
    /// One small kernel a channel.
    Depthwise,
    /// Each pixel's channels times a matrix.
    Pointwise,
    /// The values of each window times a matrix.
    Windowed,
}

/// A convolution with bias, an optional second input that is added, and an activation.
#[derive(Debug)]
pub(crate) struct Convolution {
    method: Method,
    window: Window,
    channels: [usize; 2],
    activation: Activation,
    weights: AlignedBuffer,
    bias: AlignedBuffer,
}

impl Convolution {
    /// Packs the weights for one instruction set. `None` where none of our methods fits.
    pub(crate) fn new(
        set: InstructionSet,
        window: Window,
        filter: &Filter<'_>,
        activation: Activation,
    ) -> Option<Self> {
        let Filter {
            shape: [out, per_group, kernel_height, kernel_width],
            group,
            weights: values,
            bias,
        } = *filter;
        let input = per_group * group;
        let taps = kernel_height * kernel_width;
        if values.len() != out * per_group * taps || bias.len() != out || values.is_empty() {
            return None;
        }
        let square = |k: usize| window.kernel == [k; 2] && window.stride[0] == window.stride[1];
        let (columns, deep) = (out.next_multiple_of(BLOCK), input.next_multiple_of(BLOCK));
        let (method, packed) = if group == out && per_group == 1 && (square(3) || square(5)) {
            let mut packed = vec![0.0; taps * columns];
            for (channel, kernel) in values.chunks_exact(taps).enumerate() {
                let (block, lane) = (channel / BLOCK, channel % BLOCK);
                for (tap, value) in kernel.iter().enumerate() {
                    packed[(block * taps + tap) * BLOCK + lane] = *value;
                }
            }
            (Method::Depthwise, packed)
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
                Method::Pointwise,
                kernels::pack_weights(set, blocks_of(deep), columns, at),
            )
        } else {
            // Rows of the matrix follow the order of a window's values: row, column, channel.
            let at = |row: usize, column: usize| {
                let (tap, channel) = (row / input, row % input);
                if column < out {
                    values[(column * input + channel) * taps + tap]
                } else {
                    0.0
                }
            };
            (
                Method::Windowed,
                kernels::pack_weights(set, runs_of(&window, input), columns, at),
            )
        };
        let mut padded_bias = bias.to_vec();
        padded_bias.resize(columns, 0.0);
        Some(Self {
            method,
            window,
            channels: [input, out],
            activation,
            weights: AlignedBuffer::from_values(&packed),
            bias: AlignedBuffer::from_values(&padded_bias),
        })
    }

    /// Whether a second input can be added before the activation.
    pub(crate) fn takes_residual(&self) -> bool {
        self.method != Method::Depthwise
    }

    /// Whether each pixel's result is a plain linear function of that pixel's channels.
    pub(crate) fn is_head(&self) -> bool {
        self.method == Method::Pointwise && self.activation == Activation::Linear
    }

    /// Whether the input may be a tensor that has its channels last; else it must be in blocks.
    pub(crate) fn reads_pixels(&self) -> bool {
        self.method == Method::Windowed
    }

    /// Whether a channel of the output is made of the same channel of the input only.
    pub(crate) fn is_channelwise(&self) -> bool {
        self.method == Method::Depthwise
    }

    /// Products that are added up for one channel of a pixel.
    pub(crate) fn products(&self) -> usize {
        let [height, width] = self.window.kernel;
        let channels = if self.is_channelwise() {
            1
        } else {
            self.channels[0]
        };
        height * width * channels
    }

    /// Sets what is done to the sum.
    pub(crate) fn with_activation(self, activation: Activation) -> Self {
        Self { activation, ..self }
    }

    /// Where the windows go.
    pub(crate) fn window(&self) -> &Window {
        &self.window
    }

    /// Values of scratch memory that [`Self::make`] needs.
    pub(crate) fn scratch_len(&self) -> usize {
        match self.method {
            Method::Windowed => {
                self.window.kernel[0] * self.window.covered_width() * self.channels[0]
            }
            Method::Depthwise => Depthwise::scratch_len(
                Layout::new(self.window.output_size, self.channels[1]),
                self.window.stride[0],
                self.window.kernel[0],
            ),
            Method::Pointwise => 0,
        }
    }

    /// Makes one tile of the output.
    pub(crate) fn make(
        &self,
        set: InstructionSet,
        inputs: Inputs<'_>,
        tile: &Tile,
        to: Layout,
        output: &mut [f32],
        scratch: &mut [f32],
    ) {
        let second = inputs.second.map(|second| super::tile_of(second, tile));
        match (self.method, inputs.first) {
            (Method::Depthwise, FeatureMap::Blocks(input, from)) => {
                let d = Depthwise {
                    input,
                    from,
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
            (Method::Pointwise, FeatureMap::Blocks(input, from)) => {
                let p = Gemm {
                    pixels: to.band_pixels(),
                    steps: [BLOCK, from.block_step()],
                    input: &input[from.band(tile.band)],
                    ..self.product(blocks_of(from.blocks * BLOCK), tile, to, second)
                };
                kernels::gemm(set, &p, output);
            }
            (Method::Windowed, input) => {
                for row in to.rows(tile.band) {
                    self.cover(input, row, scratch);
                    let start = to.in_tile(tile, row, tile.blocks.start);
                    let second = second.map(|values| &values[start..]);
                    let depth = self.channels[0];
                    let p = Gemm {
                        pixels: to.width,
                        steps: [
                            self.window.stride[1] * depth,
                            self.window.covered_width() * depth,
                        ],
                        input: &scratch[..self.scratch_len()],
                        ..self.product(runs_of(&self.window, depth), tile, to, second)
                    };
                    kernels::gemm(set, &p, &mut output[start..]);
                }
            }
            (Method::Depthwise | Method::Pointwise, FeatureMap::Pixels(..)) => {
                unreachable!("a chain gives its works the pictures they read")
            }
        }
    }

    /// A product with what does not depend on the method.
    fn product<'a>(
        &'a self,
        window: Patch,
        tile: &Tile,
        to: Layout,
        residual: Option<&'a [f32]>,
    ) -> Gemm<'a> {
        Gemm {
            pixels: 0,
            window,
            steps: [0, 0],
            columns: self.bias.get().len(),
            column_range: tile.blocks.start * BLOCK..tile.blocks.end * BLOCK,
            input: &[],
            weights: self.weights.get(),
            bias: self.bias.get(),
            residual,
            block_step: to.block_step(),
            clamp: self.activation.clamp(),
        }
    }

    /// The input rows that one output row sees, one below the other, channels of a pixel side by side, with zeros
    /// where the windows reach beyond the picture.
    fn cover(&self, input: FeatureMap<'_>, row: usize, scratch: &mut [f32]) {
        let channels = self.channels[0];
        let line = self.window.covered_width() * channels;
        let left = self.window.padding[1];
        let copied =
            self.window.input_size[1].min(self.window.covered_width().saturating_sub(left));
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

/// What a pixel of a pointwise convolution sees: its blocks of channels.
fn blocks_of(channels: usize) -> Patch {
    Patch {
        runs: channels / BLOCK,
        run_len: BLOCK,
    }
}

/// What a pixel of any other convolution sees: the rows of its window.
fn runs_of(window: &Window, channels: usize) -> Patch {
    Patch {
        runs: window.kernel[0],
        run_len: window.kernel[1] * channels,
    }
}
