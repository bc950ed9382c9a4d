//! Writes a film: Motion-JPEG in an AVI file, which common players open.
//!
//! In: frames as JPEG with their times. Out: the file's bytes. An AVI file has one even frame rate, which is the mean one here; the
//! true times are in a chunk of our own, `cgtm`, that players pass over:
//!
//! ```text
//! RIFF AVI
//!   LIST hdrl (avih, LIST strl (strh, strf))
//!   cgtm   version u32 = 1, rep u32, session i64, session's start i64 (ms since 1970), then i64 a frame: nanoseconds
//!   LIST movi (00dc ... 00dc)
//!   idx1
//! ```
//!
//! All numbers are little-endian. Pure but for the writer that it is given.

use std::io::{self, Write};

use super::film::FilmId;
use crate::time::CaptureTime;

/// The chunk with the true times.
pub(super) const TIMES: &[u8; 4] = b"cgtm";
/// Its version.
pub(super) const VERSION: u32 = 1;
/// Its bytes before the times.
pub(super) const TIMES_HEAD: usize = 24;
/// The FourCC of a frame: stream 0, compressed video.
pub(super) const FRAME: &[u8; 4] = b"00dc";
/// An entry of the index.
pub(super) const INDEX_ENTRY: usize = 16;
/// No film is larger; readers of AVI take sizes above 1 GB badly.
pub(super) const LARGEST: u64 = 1 << 30;

const KEY_FRAME: u32 = 0x10;
const HAS_INDEX: u32 = 0x10;

/// A frame of a film.
#[derive(Clone, Debug)]
pub(super) struct FilmFrame {
    pub(crate) at: CaptureTime,
    pub(crate) width: u16,
    pub(crate) height: u16,
    pub(crate) jpeg: std::sync::Arc<Vec<u8>>,
}

/// How many bytes the film will have.
pub(super) fn size(frames: &[FilmFrame]) -> u64 {
    let frame_bytes: u64 = frames
        .iter()
        .map(|frame| chunk(frame.jpeg.len() as u64))
        .sum();
    let count = frames.len() as u64;
    let headers = 12 + HEADERS + chunk(TIMES_HEAD as u64 + 8 * count) + 12;
    headers + frame_bytes + chunk(INDEX_ENTRY as u64 * count)
}

/// `LIST hdrl` with all that is in it.
const HEADERS: u64 = 12 + (8 + 56) + 12 + (8 + 56) + (8 + 40);

/// A chunk with its head and the byte that makes it even.
fn chunk(bytes: u64) -> u64 {
    8 + bytes + bytes % 2
}

/// Writes the film. The frames are of one size, in the order of time, and there is at least one.
///
/// # Errors
/// Those of the writer, and `InvalidInput` where frames are missing or too many.
pub(super) fn write(out: &mut impl Write, id: &FilmId, frames: &[FilmFrame]) -> io::Result<()> {
    let (Some(first), Some(last)) = (frames.first(), frames.last()) else {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "no frames"));
    };
    let total = size(frames);
    if total > LARGEST {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "the film is too large",
        ));
    }
    let count = frames.len() as u32;
    let (width, height) = (u32::from(first.width), u32::from(first.height));
    let secs = last.at.secs_since(first.at) / f64::from(count.saturating_sub(1).max(1));
    // A single frame, or times that stand still, are shown at some rate all the same.
    let micros = if secs > 0.0 {
        (1e6 * secs).round()
    } else {
        33_333.0
    };
    let micros = micros.clamp(1.0, 1e7) as u32;
    let largest = frames
        .iter()
        .map(|frame| frame.jpeg.len())
        .max()
        .unwrap_or(0) as u32;

    out.write_all(b"RIFF")?;
    u32s(out, &[(total - 8) as u32])?;
    out.write_all(b"AVI LIST")?;
    u32s(out, &[(HEADERS - 8) as u32])?;
    out.write_all(b"hdrlavih")?;
    u32s(out, &[56, micros, 0, 0, HAS_INDEX, count, 0, 1, largest])?;
    u32s(out, &[width, height, 0, 0, 0, 0])?;
    out.write_all(b"LIST")?;
    u32s(out, &[4 + (8 + 56) + (8 + 40)])?;
    out.write_all(b"strlstrh")?;
    u32s(out, &[56])?;
    out.write_all(b"vidsMJPG")?;
    // Flags, priority and language, initial frames; then the rate as a fraction, the start and the length in frames.
    u32s(out, &[0, 0, 0, micros, 1_000_000, 0, count, largest])?;
    // The quality is not said; a frame has no sample size.
    u32s(out, &[u32::MAX, 0])?;
    for edge in [0, 0, first.width, first.height] {
        out.write_all(&edge.to_le_bytes())?;
    }
    out.write_all(b"strf")?;
    u32s(out, &[40, 40, width, height])?;
    for value in [1u16, 24] {
        out.write_all(&value.to_le_bytes())?;
    }
    out.write_all(b"MJPG")?;
    u32s(out, &[3 * width * height, 0, 0, 0, 0])?;

    out.write_all(TIMES)?;
    u32s(out, &[TIMES_HEAD as u32 + 8 * count, VERSION, id.rep])?;
    i64s(out, &[id.session, id.session_started_ms])?;
    for frame in frames {
        i64s(out, &[frame.at.nanos()])?;
    }

    let frame_bytes: u64 = frames
        .iter()
        .map(|frame| chunk(frame.jpeg.len() as u64))
        .sum();
    out.write_all(b"LIST")?;
    u32s(out, &[4 + frame_bytes as u32])?;
    out.write_all(b"movi")?;
    for frame in frames {
        out.write_all(FRAME)?;
        u32s(out, &[frame.jpeg.len() as u32])?;
        out.write_all(&frame.jpeg)?;
        if frame.jpeg.len() % 2 == 1 {
            out.write_all(&[0])?;
        }
    }
    out.write_all(b"idx1")?;
    u32s(out, &[INDEX_ENTRY as u32 * count])?;
    // Places count from the word "movi".
    let mut place = 4u32;
    for frame in frames {
        let bytes = frame.jpeg.len() as u32;
        out.write_all(FRAME)?;
        u32s(out, &[KEY_FRAME, place, bytes])?;
        place += chunk(u64::from(bytes)) as u32;
    }
    Ok(())
}

fn u32s(out: &mut impl Write, values: &[u32]) -> io::Result<()> {
    values
        .iter()
        .try_for_each(|value| out.write_all(&value.to_le_bytes()))
}

fn i64s(out: &mut impl Write, values: &[i64]) -> io::Result<()> {
    values
        .iter()
        .try_for_each(|value| out.write_all(&value.to_le_bytes()))
}
