//! How a picture lies in memory while a network works on it.
//!
//! Channels are taken in blocks of eight. A band of neighbouring rows is stored block by block: for each block all
//! pixels of the band, for each pixel the eight values. So a kernel that slides over the pixels of one block reads
//! memory in order, and eight channels of a pixel fill a register. A buffer may hold fewer bands than the picture has;
//! a new band then takes the place of the oldest. It may hold fewer blocks too. Some neighbouring blocks of one band, a
//! tile, lie in one run of memory: that is what is made at once.

use std::ops::Range;

/// Channels in a block.
pub(crate) const BLOCK: usize = 8;

/// Pixels that a band holds at most, where a single row does not hold more.
const BAND_PIXELS: usize = 256;

/// Rows of a band that is not the whole picture, at most: where threads share a picture, some of the rows between them
/// are made by both, in whole bands.
const BAND_ROWS: usize = 4;

/// What is made at once of a picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Tile {
    /// The band.
    pub band: usize,
    /// Blocks of its channels.
    pub blocks: Range<usize>,
}

/// Size and place of a picture in a buffer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Layout {
    /// Rows of the picture.
    pub height: usize,
    /// Pixels of a row.
    pub width: usize,
    /// Blocks of eight channels that the buffer holds; the picture's last one is filled up with zeros.
    pub blocks: usize,
    /// Which block of the picture the first one is.
    pub first_block: usize,
    /// Rows in a band; the height is a multiple of it.
    pub band_rows: usize,
    /// Bands that the buffer holds.
    pub held: usize,
}

impl Layout {
    /// The layout of a picture that is held as a whole.
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
            held: height / band_rows,
        }
    }

    /// Bands of the picture.
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

    /// Values from one block of a band to the next.
    pub(crate) fn block_step(&self) -> usize {
        self.band_pixels() * BLOCK
    }

    /// Values of a band.
    pub(crate) fn band_len(&self) -> usize {
        self.blocks * self.block_step()
    }

    /// Values of the buffer.
    pub(crate) fn len(&self) -> usize {
        self.held * self.band_len()
    }

    /// Where a band lies in the buffer.
    pub(crate) fn band(&self, band: usize) -> Range<usize> {
        let start = band % self.held * self.band_len();
        start..start + self.band_len()
    }

    /// Where the first pixel of a row lies in the buffer, in one block.
    pub(crate) fn at(&self, row: usize, block: usize) -> usize {
        self.band(row / self.band_rows).start
            + (block - self.first_block) * self.block_step()
            + row % self.band_rows * self.width * BLOCK
    }

    /// Whether the buffer holds these blocks.
    pub(crate) fn holds(&self, blocks: &Range<usize>) -> bool {
        self.first_block <= blocks.start
            && blocks.start <= blocks.end
            && blocks.end <= self.first_block + self.blocks
    }

    /// Where a tile lies in the buffer.
    pub(crate) fn tile(&self, tile: &Tile) -> Range<usize> {
        let start = self.at(tile.band * self.band_rows, tile.blocks.start);
        start..start + self.tile_len(tile)
    }

    /// Values of a tile.
    pub(crate) fn tile_len(&self, tile: &Tile) -> usize {
        tile.blocks.len() * self.block_step()
    }

    /// Where the first pixel of a row lies in a tile, in one block.
    pub(crate) fn in_tile(&self, tile: &Tile, row: usize, block: usize) -> usize {
        (block - tile.blocks.start) * self.block_step() + row % self.band_rows * self.width * BLOCK
    }
}

/// Floats that start where a line of the processor's cache does: loads of whole registers then never touch two lines.
#[derive(Debug, Default)]
pub(crate) struct AlignedBuffer {
    values: Vec<f32>,
    start: usize,
}

/// Bytes of a line of the cache.
const LINE: usize = 64;

/// Floats more than are needed, so that they can start where a line does.
pub(super) const ALIGNMENT_SLACK: usize = LINE / size_of::<f32>();

/// How many of these values come before the first that starts a line; at most [`ALIGNMENT_SLACK`] where they are floats.
pub(super) fn to_cache_line<T>(values: &[T]) -> usize {
    values.as_ptr().align_offset(LINE).min(ALIGNMENT_SLACK)
}

impl AlignedBuffer {
    /// Zeros.
    pub(crate) fn new(len: usize) -> Self {
        let values = vec![0.0; len + ALIGNMENT_SLACK];
        let start = to_cache_line(&values);
        let mut buffer = Self { values, start };
        buffer.values.truncate(start + len);
        buffer
    }

    /// A copy of some values.
    pub(crate) fn from_values(values: &[f32]) -> Self {
        let mut buffer = Self::new(values.len());
        buffer.get_mut().copy_from_slice(values);
        buffer
    }

    /// The values.
    pub(crate) fn get(&self) -> &[f32] {
        &self.values[self.start..]
    }

    /// The values, to be changed.
    pub(crate) fn get_mut(&mut self) -> &mut [f32] {
        &mut self.values[self.start..]
    }
}
