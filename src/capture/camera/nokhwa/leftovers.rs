//! Finds JPEGs that were cut short, although nokhwa does not tell how long they are.
//!
//! nokhwa hands over the whole of the driver's buffer. Behind a picture that was cut there stand the bytes of the one
//! that was in the buffer before, and a decoder reads on into them. They give it away: it ends in the same bytes, at the
//! same place, as a picture shortly before. Two pictures of a camera never do, as their noise differs and so their lengths.

use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash, Hasher};

use super::super::huffman_tables::scan_start;

/// Pictures that are remembered: several rounds through a driver's buffers, as what is left may be of an earlier one.
const REMEMBERED: usize = 32;
/// Bytes at the end of a picture that are compared.
const TAIL: usize = 64;

/// The last pictures' ends.
#[derive(Debug, Default)]
pub(super) struct Leftovers {
    seen: VecDeque<Seen>,
}

#[derive(Debug)]
struct Seen {
    /// Bytes up to and with the end marker.
    length: usize,
    tail: Vec<u8>,
    whole: u64,
}

impl Leftovers {
    /// Whether the JPEG at the start of these bytes ends in what is left of an older one, or not at all where those before it
    /// did. One that is the same throughout is the same picture once more, as a camera without noise sends it.
    pub(super) fn end_in(&mut self, bytes: &[u8]) -> bool {
        let Some(length) = length_of(bytes) else {
            return !self.seen.is_empty();
        };
        let mut hasher = DefaultHasher::new();
        bytes[..length].hash(&mut hasher);
        let now = Seen {
            length,
            tail: bytes[length.saturating_sub(TAIL)..length].to_vec(),
            whole: hasher.finish(),
        };
        let leftover = self.seen.iter().any(|seen| {
            seen.length == now.length && seen.tail == now.tail && seen.whole != now.whole
        });
        self.seen.truncate(REMEMBERED - 1);
        self.seen.push_front(now);
        leftover
    }
}

/// How long the JPEG at the start of these bytes is, with its end marker; nothing where there is none.
fn length_of(bytes: &[u8]) -> Option<usize> {
    // In the scan itself a zero or a restart marker's number follows each 0xFF.
    let scan = scan_start(bytes)?;
    let end = bytes[scan..]
        .windows(2)
        .position(|pair| pair == [0xFF, 0xD9])?;
    Some(scan + end + 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture of so many bytes of scan, whose content follows from the seed.
    fn picture(seed: u8, scan: usize) -> Vec<u8> {
        let mut jpeg = vec![0xFF, 0xD8, 0xFF, 0xDA, 0, 8, 1, 1, 0, 0, 63, 0];
        let bytes = (0..scan).scan(u32::from(seed) + 1, |state, _| {
            *state = state.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
            Some(((*state >> 24) as u8).min(0xFE))
        });
        jpeg.extend(bytes);
        jpeg.extend([0xFF, 0xD9]);
        jpeg
    }

    /// The driver's buffer after so many bytes of the picture were written over what it held.
    fn write(buffer: &mut [u8], jpeg: &[u8], bytes: usize) {
        buffer[..bytes].copy_from_slice(&jpeg[..bytes]);
    }

    #[test]
    fn a_cut_picture_is_told_from_whole_ones_in_the_same_buffers() {
        let mut leftovers = Leftovers::default();
        let mut buffers = vec![vec![0; 6000]; 4];
        let mut told = Vec::new();
        for number in 0..40_u8 {
            let jpeg = picture(number, 4000 + usize::from(number) * 37 % 500);
            let is_cut = number > 8 && number.is_multiple_of(5);
            let written = if is_cut { 3000 } else { jpeg.len() };
            let buffer = &mut buffers[usize::from(number) % 4];
            write(buffer, &jpeg, written);
            if leftovers.end_in(buffer) {
                told.push(number);
            }
        }
        assert_eq!(told, [10, 15, 20, 25, 30, 35]);
    }

    #[test]
    fn the_same_picture_again_is_whole_and_one_without_an_end_is_not() {
        let mut leftovers = Leftovers::default();
        let without_end = &picture(2, 900)[..500];
        // A camera that ends none of its pictures is judged by the decoder alone.
        for rubbish in [&[][..], &[0xFF, 0xD8], &[0; 300], without_end] {
            assert!(!leftovers.end_in(rubbish));
        }
        for _ in 0..3 {
            assert!(!leftovers.end_in(&picture(1, 900)));
        }
        assert!(leftovers.end_in(without_end));
    }
}
