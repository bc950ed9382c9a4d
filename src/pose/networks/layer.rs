//! The kinds of layer that a chain does: each makes a picture out of one or two others, a tile at a time.
//!
//! In: pictures in blocks of channels (see `kernels::Layout`), or a tensor with its channels last. Out: one tile of a
//! picture. Shapes and weights are fixed when a layer is made; the arithmetic is in `kernels`. A layer does not look at
//! the graph around it and knows nothing of tract.

mod convolution;

pub(super) use convolution::{Convolution, Filter, Window};

use super::kernels::{self, BLOCK, Clamp, InstructionSet, Layout, Tile, Upsampling};
use std::ops::Range;

/// What is done to a result before it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Activation {
    /// Nothing.
    Linear,
    /// Negative values become 0.
    Relu,
    /// Values are kept within 0 and 6.
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

    fn of(self, value: f32) -> f32 {
        let Clamp { low, high } = self.clamp();
        value.clamp(low, high)
    }
}

/// A picture that a layer reads.
#[derive(Clone, Copy)]
pub(super) enum FeatureMap<'a> {
    /// In blocks of channels.
    Blocks(&'a [f32], Layout),
    /// Row by row, pixel by pixel, all channels of a pixel side by side: width and channels.
    Pixels(&'a [f32], usize, usize),
}

impl FeatureMap<'_> {
    /// Copies the first pixels of a row, as many as `to` has room for, all channels of a pixel side by side.
    fn copy_row(self, row: usize, channels: usize, to: &mut [f32]) {
        match self {
            Self::Pixels(values, width, _) => {
                to.copy_from_slice(&values[row * width * channels..][..to.len()]);
            }
            Self::Blocks(values, layout) => {
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

/// The pictures that a layer reads.
#[derive(Clone, Copy)]
pub(super) struct Inputs<'a> {
    /// The one it works on.
    pub first: FeatureMap<'a>,
    /// One of the output's size that is added.
    pub second: Option<FeatureMap<'a>>,
}

/// One kind of layer with its numbers.
#[derive(Debug)]
pub(super) enum Layer {
    /// Takes a tensor into blocks.
    Pack,
    /// A convolution with bias, sum and activation.
    Convolution(Convolution),
    /// A bilinear enlargement by two, an activation, and then a sum where there is a second picture.
    Upsample(Activation),
    /// The largest value of each window.
    MaxPool(Window),
    /// The sum of two pictures, and an activation.
    Sum(Activation),
}

impl Layer {
    /// The input rows that some output rows are made of; `height` is the input's. For a second picture, which is only
    /// added, they are the output rows themselves.
    pub(super) fn rows_needed(&self, rows: Range<usize>, height: usize) -> Range<usize> {
        match self {
            Self::Pack | Self::Sum(_) => rows,
            Self::Convolution(convolution) => convolution.window().rows_needed(rows),
            Self::MaxPool(window) => window.rows_needed(rows),
            Self::Upsample(_) => kernels::rows_needed(rows, height),
        }
    }

    /// Whether a channel of the output is made of the same channel of the inputs only.
    pub(super) fn is_channelwise(&self) -> bool {
        match self {
            Self::Convolution(convolution) => convolution.is_channelwise(),
            Self::Pack | Self::Upsample(_) | Self::MaxPool(_) | Self::Sum(_) => true,
        }
    }

    /// Roughly the products that are added up for one channel of a pixel.
    pub(super) fn products(&self) -> usize {
        match self {
            Self::Convolution(convolution) => convolution.products(),
            Self::MaxPool(window) => window.kernel.iter().product(),
            Self::Pack | Self::Upsample(_) | Self::Sum(_) => 4,
        }
    }

    /// Makes one tile of a picture that lies as `to` says; `output` is the tile.
    pub(super) fn make(
        &self,
        set: InstructionSet,
        inputs: Inputs<'_>,
        tile: &Tile,
        to: Layout,
        output: &mut [f32],
        scratch: &mut [f32],
    ) {
        let second = inputs.second;
        match (self, inputs.first) {
            (Self::Convolution(convolution), _) => {
                convolution.make(set, inputs, tile, to, output, scratch);
            }
            (Self::Upsample(activation), FeatureMap::Blocks(input, from)) => {
                let residual = second.map(|second| tile_of(second, tile));
                let e = Upsampling {
                    input,
                    from,
                    to,
                    tile,
                    clamp: activation.clamp(),
                    residual,
                };
                kernels::upsample(set, &e, output);
            }
            (Self::MaxPool(window), FeatureMap::Blocks(input, from)) => {
                max_pool(window, input, from, tile, to, output);
            }
            (Self::Sum(activation), input) => {
                let a = tile_of(input, tile);
                let b = second.map_or(a, |second| tile_of(second, tile));
                for ((sum, a), b) in output.iter_mut().zip(a).zip(b) {
                    *sum = activation.of(a + b);
                }
            }
            (Self::Pack, FeatureMap::Pixels(values, width, channels)) => {
                enter(values, width, channels, tile, to, output);
            }
            (Self::Pack | Self::Upsample(_) | Self::MaxPool(_), _) => {
                unreachable!("a chain gives its works the pictures they read")
            }
        }
    }
}

/// The values of one tile.
fn tile_of<'a>(picture: FeatureMap<'a>, tile: &Tile) -> &'a [f32] {
    match picture {
        FeatureMap::Blocks(values, layout) => &values[layout.tile(tile)],
        FeatureMap::Pixels(..) => unreachable!("only blocks are added"),
    }
}

fn enter(
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

/// Takes a whole picture out of blocks: all channels of a pixel side by side.
pub(super) fn unpack(values: &[f32], layout: Layout, channels: usize, output: &mut [f32]) {
    for (row, line) in output.chunks_exact_mut(layout.width * channels).enumerate() {
        FeatureMap::Blocks(values, layout).copy_row(row, channels, line);
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
                let [ys, xs] = window.inside([row, column]);
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
