//! A last convolution that is worked out only for the values that somebody asks for.
//!
//! In: a picture of features, as a chain leaves it. Out: single values of the map that a pointwise convolution would
//! make of it. A caller that looks at a few cells around each landmark spares nine tenths of that convolution.

use super::kernels::{BLOCK, Layout};

/// The convolution.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Head {
    /// How the features lie.
    pub layout: Layout,
    /// For each channel of the map one weight a feature, in blocks of eight.
    pub weights: Vec<f32>,
    /// One value a channel of the map.
    pub bias: Vec<f32>,
}

impl Head {
    /// Takes the weights in the order channel of the map, feature.
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

    /// Whether this makes a map of such a size from so many values of features.
    pub(crate) fn fits(&self, [height, width, channels]: [usize; 3], values: usize) -> bool {
        let layout = self.layout;
        [layout.height, layout.width, self.bias.len()] == [height, width, channels]
            && layout.len() == values
    }
}

/// A map of which single values can be asked for.
pub(crate) enum Cells<'a> {
    /// All channels of a cell side by side: the values, the width, the channels.
    Made(&'a [f32], usize, usize),
    /// Features, from which a value is made when it is asked for.
    Latent(&'a [f32], &'a Head),
}

impl Cells<'_> {
    /// The value of one cell in one channel.
    pub(crate) fn get(&self, row: usize, column: usize, channel: usize) -> f32 {
        match self {
            Self::Made(values, width, channels) => {
                values[(row * width + column) * channels + channel]
            }
            Self::Latent(features, head) => {
                let blocks = head.layout.blocks;
                let weights = &head.weights[channel * blocks * BLOCK..][..blocks * BLOCK];
                let mut sums = [0.0f32; BLOCK];
                for (block, weights) in weights.chunks_exact(BLOCK).enumerate() {
                    let at = head.layout.at(row, block) + column * BLOCK;
                    for ((sum, feature), weight) in
                        sums.iter_mut().zip(&features[at..at + BLOCK]).zip(weights)
                    {
                        *sum += feature * weight;
                    }
                }
                sums.iter().sum::<f32>() + head.bias[channel]
            }
        }
    }
}
