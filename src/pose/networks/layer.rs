//! The layers of a fused graph: each computes one feature map from one or two others, a tile at a time.
//!
//! In: feature maps in the blocked layout (see [`Layout`]), or a tensor with its channels last. Out: one tile of a feature
//! map. Shapes and weights are fixed when a layer is made; the arithmetic is in [`kernels`]. A layer knows neither the
//! graph around it nor tract.

mod convolution;

pub(super) use convolution::{ConvWeights, Convolution, Window};

use super::kernels::{self, BLOCK, Clamp, Enlarging, InstructionSet, Layout, Tile, Upsampling};
use std::ops::Range;

/// The function applied to a result before it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Activation {
    /// None.
    Linear,
    /// `max(value, 0)`.
    Relu,
    /// `min(max(value, 0), 6)`.
    Relu6,
}

impl Activation {
    fn clamp(self) -> Clamp {
        let [low, high] = match self {
            Self::Linear => [f32::NEG_INFINITY, f32::INFINITY],
            Self::Relu => [0.0, f32::INFINITY],
            Self::Relu6 => [0.0, 6.0],
        };
        Clamp { low, high }
    }

    fn apply(self, value: f32) -> f32 {
        let Clamp { low, high } = self.clamp();
        value.clamp(low, high)
    }
}

/// A feature map as a layer reads it.
#[derive(Clone, Copy)]
pub(super) enum FeatureMap<'a> {
    /// In the blocked layout.
    Blocked { values: &'a [f32], layout: Layout },
    /// Row by row, pixel by pixel, channels last.
    ChannelsLast {
        values: &'a [f32],
        width: usize,
        channels: usize,
    },
}

impl FeatureMap<'_> {
    /// Copies the first pixels of a row, as many as fit into `to`, channels last.
    fn copy_row(self, row: usize, channels: usize, to: &mut [f32]) {
        match self {
            Self::ChannelsLast { values, width, .. } => {
                to.copy_from_slice(&values[row * width * channels..][..to.len()]);
            }
            Self::Blocked { values, layout } => {
                for block in 0..layout.blocks {
                    let line = &values[layout.at(row, block)..][..layout.width * BLOCK];
                    let first = block * BLOCK;
                    let count = (channels - first).min(BLOCK);
                    for (pixel, from) in to.chunks_exact_mut(channels).zip(line.chunks_exact(BLOCK))
                    {
                        pixel[first..first + count].copy_from_slice(&from[..count]);
                    }
                }
            }
        }
    }
}

/// The feature maps that a layer reads.
#[derive(Clone, Copy)]
pub(super) struct Inputs<'a> {
    /// The layer's input proper.
    pub main: FeatureMap<'a>,
    /// A map of the output's shape that is added to the result.
    pub residual: Option<FeatureMap<'a>>,
}

/// A layer with its weights and sizes.
#[derive(Debug)]
pub(super) enum Layer {
    /// Brings a channels-last tensor into the blocked layout.
    Pack,
    /// A convolution with bias, residual and activation.
    Convolution(Convolution),
    /// Upsampling by two and an activation, then the residual.
    Upsample(Enlarging, Activation),
    /// The largest value of each window.
    MaxPool(Window),
    /// The sum of the input and the residual, and an activation.
    Add(Activation),
}

impl Layer {
    /// The rows of the main input, which has `height` of them, that some output rows are computed from. Of the residual
    /// these are the output rows themselves.
    pub(super) fn rows_needed(&self, rows: Range<usize>, height: usize) -> Range<usize> {
        match self {
            Self::Pack | Self::Add(_) => rows,
            Self::Convolution(convolution) => convolution.window().rows_needed(rows),
            Self::MaxPool(window) => window.rows_needed(rows),
            Self::Upsample(..) => kernels::rows_needed(rows, height),
        }
    }

    /// Whether each output channel is computed from the same channel of the inputs only.
    pub(super) fn is_channelwise(&self) -> bool {
        match self {
            Self::Convolution(convolution) => convolution.is_channelwise(),
            Self::Pack | Self::Upsample(..) | Self::MaxPool(_) | Self::Add(_) => true,
        }
    }

    /// Roughly the multiply-adds for one output value.
    pub(super) fn mul_adds(&self) -> usize {
        match self {
            Self::Convolution(convolution) => convolution.mul_adds(),
            Self::MaxPool(window) => window.kernel.iter().product(),
            Self::Pack | Self::Upsample(..) | Self::Add(_) => 4,
        }
    }

    /// Computes one tile of a feature map with the layout `to`; `output` is the tile.
    pub(super) fn compute(
        &self,
        set: InstructionSet,
        inputs: Inputs<'_>,
        tile: &Tile,
        to: Layout,
        output: &mut [f32],
        scratch: &mut [f32],
    ) {
        let residual = inputs.residual.map(|residual| tile_of(residual, tile));
        match (self, inputs.main) {
            (Self::Convolution(convolution), _) => {
                convolution.compute(set, inputs, tile, to, output, scratch);
            }
            (Self::Upsample(enlarging, activation), FeatureMap::Blocked { values, layout }) => {
                let upsampling = Upsampling {
                    enlarging: *enlarging,
                    input: values,
                    from: layout,
                    to,
                    tile,
                    clamp: activation.clamp(),
                    residual,
                };
                kernels::upsample(set, &upsampling, output);
            }
            (Self::MaxPool(window), FeatureMap::Blocked { values, layout }) => {
                max_pool(window, values, layout, tile, to, output);
            }
            (Self::Add(activation), input) => {
                let a = tile_of(input, tile);
                let b = residual.unwrap_or(a);
                for ((sum, a), b) in output.iter_mut().zip(a).zip(b) {
                    *sum = activation.apply(a + b);
                }
            }
            (
                Self::Pack,
                FeatureMap::ChannelsLast {
                    values,
                    width,
                    channels,
                },
            ) => pack(values, width, channels, tile, to, output),
            (Self::Pack | Self::Upsample(..) | Self::MaxPool(_), _) => {
                unreachable!("a fused graph gives each layer a map in the layout it reads")
            }
        }
    }
}

/// The values of one tile.
fn tile_of<'a>(map: FeatureMap<'a>, tile: &Tile) -> &'a [f32] {
    match map {
        FeatureMap::Blocked { values, layout } => &values[layout.tile(tile)],
        FeatureMap::ChannelsLast { .. } => unreachable!("only blocked maps are added"),
    }
}

fn pack(
    values: &[f32],
    width: usize,
    channels: usize,
    tile: &Tile,
    to: Layout,
    output: &mut [f32],
) {
    for row in to.rows(tile.band) {
        let line = &values[row * width * channels..][..width * channels];
        for block in tile.blocks.clone() {
            let first = block * BLOCK;
            let count = (channels - first).min(BLOCK);
            let out = &mut output[to.in_tile(tile, row, block)..][..width * BLOCK];
            for (to, from) in out.chunks_exact_mut(BLOCK).zip(line.chunks_exact(channels)) {
                to[..count].copy_from_slice(&from[first..first + count]);
                to[count..].fill(0.0);
            }
        }
    }
}

/// Brings a whole feature map from the blocked layout into channels-last order.
pub(super) fn unpack(values: &[f32], layout: Layout, channels: usize, output: &mut [f32]) {
    for (row, line) in output.chunks_exact_mut(layout.width * channels).enumerate() {
        FeatureMap::Blocked { values, layout }.copy_row(row, channels, line);
    }
}

fn max_pool(
    window: &Window,
    input: &[f32],
    from: Layout,
    tile: &Tile,
    to: Layout,
    output: &mut [f32],
) {
    for block in tile.blocks.clone() {
        for row in to.rows(tile.band) {
            let line = &mut output[to.in_tile(tile, row, block)..][..to.width * BLOCK];
            for (column, pixel) in line.chunks_exact_mut(BLOCK).enumerate() {
                pixel.fill(f32::NEG_INFINITY);
                let [ys, xs] = window.taps_inside([row, column]);
                for (y, x) in ys.flat_map(|y| xs.clone().map(move |x| (y, x))) {
                    let values = &input[from.at(y, block) + x * BLOCK..][..BLOCK];
                    for (largest, value) in pixel.iter_mut().zip(values) {
                        *largest = largest.max(*value);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
