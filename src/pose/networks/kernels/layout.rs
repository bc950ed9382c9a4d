//! The blocked layout of feature maps, channels in blocks of eight, and memory aligned for it.
//!
//! Rows are grouped into bands. A band is stored block by block: for each block of eight channels all pixels of the band,
//! for each pixel its eight values (NCHW8c within a band). So a kernel that slides over the pixels of one block reads
//! memory in order, and eight channels of a pixel fill a register. A tile, some adjacent blocks of one band, is
//! contiguous: it is what a task computes. A buffer may hold fewer bands than the map has, as a ring in which a new band
//! replaces the oldest, and fewer blocks.

use std::ops::Range;

/// Channels in a block.
pub(crate) const BLOCK: usize = 8;

/// Pixels of a band at most, unless a single row has more.
const BAND_PIXELS: usize = 256;

/// Rows of a band at most, unless the band is the whole map: where threads split a map by bands, the bands that both
/// sides of a border need are computed twice.
const BAND_ROWS: usize = 4;

/// A part of a feature map that is computed at once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Tile {
    /// The band.
    pub band: usize,
    /// The blocks of its channels.
    pub blocks: Range<usize>,
}

/// Shape of a feature map, and which of it a buffer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Layout {
    /// Rows of the map.
    pub height: usize,
    /// Pixels of a row.
    pub width: usize,
    /// Blocks of channels in the buffer; zeros fill the map's last block up.
    pub blocks: usize,
    /// The map's block that is the buffer's first.
    pub first_block: usize,
    /// Rows of a band; the height is a multiple of it.
    pub band_rows: usize,
    /// Bands in the buffer.
    pub held_bands: usize,
}

impl Layout {
    /// The layout of a buffer that holds the whole map.
    pub(crate) fn new([height, width]: [usize; 2], channels: usize) -> Self {
        let band_rows = (1..=height)
            .rev()
            .find(|rows| {
                height.is_multiple_of(*rows)
                    && rows * width <= BAND_PIXELS
                    && (*rows <= BAND_ROWS || *rows == height)
            })
            .unwrap_or(1);
        Self {
            height,
            width,
            blocks: channels.div_ceil(BLOCK),
            first_block: 0,
            band_rows,
            held_bands: height / band_rows,
        }
    }

    /// Bands of the map.
    pub(crate) fn bands(&self) -> usize {
        self.height / self.band_rows
    }

    /// Rows of one band.
    pub(crate) fn rows(&self, band: usize) -> Range<usize> {
        band * self.band_rows..(band + 1) * self.band_rows
    }

    /// Pixels of a band.
    pub(crate) fn band_pixels(&self) -> usize {
        self.band_rows * self.width
    }

    /// Floats from one block of a band to the next.
    pub(crate) fn block_stride(&self) -> usize {
        self.band_pixels() * BLOCK
    }

    /// Floats of a band.
    pub(crate) fn band_len(&self) -> usize {
        self.blocks * self.block_stride()
    }

    /// Floats of the buffer.
    pub(crate) fn len(&self) -> usize {
        self.held_bands * self.band_len()
    }

    /// Where a band is in the buffer.
    pub(crate) fn band(&self, band: usize) -> Range<usize> {
        let start = band % self.held_bands * self.band_len();
        start..start + self.band_len()
    }

    /// Where the first pixel of a row is in the buffer, in one block.
    pub(crate) fn at(&self, row: usize, block: usize) -> usize {
        self.band(row / self.band_rows).start
            + (block - self.first_block) * self.block_stride()
            + row % self.band_rows * self.width * BLOCK
    }

    /// Whether the buffer holds these blocks.
    pub(crate) fn holds(&self, blocks: &Range<usize>) -> bool {
        self.first_block <= blocks.start
            && blocks.start <= blocks.end
            && blocks.end <= self.first_block + self.blocks
    }

    /// Where a tile is in the buffer.
    pub(crate) fn tile(&self, tile: &Tile) -> Range<usize> {
        let start = self.at(tile.band * self.band_rows, tile.blocks.start);
        start..start + self.tile_len(tile)
    }

    /// Floats of a tile.
    pub(crate) fn tile_len(&self, tile: &Tile) -> usize {
        tile.blocks.len() * self.block_stride()
    }

    /// Where the first pixel of a row is in a tile, in one block.
    pub(crate) fn in_tile(&self, tile: &Tile, row: usize, block: usize) -> usize {
        (block - tile.blocks.start) * self.block_stride()
            + row % self.band_rows * self.width * BLOCK
    }
}

/// Floats that start at a cache line, so that loads of whole registers never straddle two lines.
#[derive(Debug, Default)]
pub(crate) struct AlignedBuffer {
    values: Vec<f32>,
    start: usize,
}

/// Bytes of a cache line.
const CACHE_LINE: usize = 64;

/// Floats to allocate in excess, so that the first one used can be at the start of a cache line.
pub(super) const ALIGNMENT_SLACK: usize = CACHE_LINE / size_of::<f32>();

/// Index of the first of these values at the start of a cache line; at most [`ALIGNMENT_SLACK`] for floats.
pub(super) fn first_aligned<T>(values: &[T]) -> usize {
    values
        .as_ptr()
        .align_offset(CACHE_LINE)
        .min(ALIGNMENT_SLACK)
}

impl AlignedBuffer {
    /// A copy of some values.
    pub(crate) fn from_values(values: &[f32]) -> Self {
        let mut copy = vec![0.0; values.len() + ALIGNMENT_SLACK];
        let start = first_aligned(&copy);
        copy.truncate(start + values.len());
        copy[start..].copy_from_slice(values);
        Self {
            values: copy,
            start,
        }
    }

    /// The values.
    pub(crate) fn get(&self) -> &[f32] {
        &self.values[self.start..]
    }
}
