//! A last convolution that is computed only for the values that are read.
//!
//! In: the feature map that the convolution reads, in blocks of channels. Out: single values of the output map. A caller
//! that reads a few cells around each landmark saves nine tenths of the convolution.

use super::kernels::{BLOCK, Layout};

/// A pointwise convolution that has been left out of the graph.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LazyConv {
    /// The layout of the feature map.
    layout: Layout,
    /// For each output channel one weight a feature, padded to whole blocks.
    weights: Vec<f32>,
    /// One value an output channel.
    bias: Vec<f32>,
}

impl LazyConv {
    /// Takes the weights in the order (output channel, feature).
    pub(crate) fn new(layout: Layout, weights: &[f32], bias: &[f32]) -> Self {
        let features = weights.len() / bias.len().max(1);
        let mut padded = vec![];
        for row in weights.chunks_exact(features.max(1)) {
            padded.extend_from_slice(row);
            padded.resize(padded.len().next_multiple_of(BLOCK), 0.0);
        }
        Self {
            layout,
            weights: padded,
            bias: bias.to_vec(),
        }
    }

    /// Whether a feature map of `features` values gives an output map of this height, width and channels.
    fn fits(&self, [height, width, channels]: [usize; 3], features: usize) -> bool {
        let layout = self.layout;
        [layout.height, layout.width, self.bias.len()] == [height, width, channels]
            && layout.len() == features
    }

    fn value(&self, features: &[f32], row: usize, column: usize, channel: usize) -> f32 {
        let blocks = self.layout.blocks;
        let weights = &self.weights[channel * blocks * BLOCK..][..blocks * BLOCK];
        let mut sums = [0.0f32; BLOCK];
        for (block, weights) in weights.chunks_exact(BLOCK).enumerate() {
            let at = self.layout.at(row, block) + column * BLOCK;
            for ((sum, feature), weight) in
                sums.iter_mut().zip(&features[at..at + BLOCK]).zip(weights)
            {
                *sum += feature * weight;
            }
        }
        sums.iter().sum::<f32>() + self.bias[channel]
    }
}

/// An output map of which single values can be read.
pub struct OutputMap<'a>(Values<'a>);

enum Values<'a> {
    /// Computed, channels last.
    Dense {
        values: &'a [f32],
        width: usize,
        channels: usize,
    },
    /// To be computed from a feature map when read.
    Lazy {
        features: &'a [f32],
        conv: &'a LazyConv,
    },
}

impl<'a> OutputMap<'a> {
    /// A map that the network has computed, channels last; `None` where `values` is not of that shape.
    pub(crate) fn dense(values: &'a [f32], [height, width, channels]: [usize; 3]) -> Option<Self> {
        let map = Self(Values::Dense {
            values,
            width,
            channels,
        });
        (values.len() == height * width * channels).then_some(map)
    }

    /// A map whose values `conv` computes from a feature map; `None` where that gives another shape.
    pub(crate) fn lazy(features: &'a [f32], conv: &'a LazyConv, shape: [usize; 3]) -> Option<Self> {
        let map = Self(Values::Lazy { features, conv });
        conv.fits(shape, features.len()).then_some(map)
    }

    /// The value of one cell in one channel.
    ///
    /// # Panics
    /// Where the map has no such cell.
    pub fn get(&self, row: usize, column: usize, channel: usize) -> f32 {
        match self.0 {
            Values::Dense {
                values,
                width,
                channels,
            } => values[(row * width + column) * channels + channel],
            Values::Lazy { features, conv } => conv.value(features, row, column, channel),
        }
    }
}
