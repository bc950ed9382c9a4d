//! The landmarks of a rep, the bat where one was seen and the trunk's turn where it was read, as compact bytes, and back.
//!
//! Coordinates are kept at a sixteenth of a pixel, visibility and the bat's probability at 1/255, metric landmarks at a
//! millimeter, turns at a tenth of a degree, times and frame numbers exactly. Each channel (the x of one landmark, say) is stored
//! as the differences between frames, all frames in a row, which deflate then packs well.
//! `docs/journal.md` gives the layout byte by byte.
//!
//! Decoding trusts nothing: any bytes give frames or an error, in bounded memory.

use std::io::{Read, Write};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;

use crate::pose::{Body, ImagePoint, LANDMARK_COUNT, PoseFrame, WorldPoint};
use crate::time::CaptureTime;

mod readings;

use readings::{ReadingSteps, marked, unpack_bats, unpack_turns};

const MAGIC: [u8; 2] = *b"TL";
/// The latest version. A timeline is written as the oldest that can hold it, so that older programs read what they know.
const VERSION: u8 = VERSION_WITH_TURN;
const VERSION_WITHOUT_BAT: u8 = 1;
const VERSION_WITH_BAT: u8 = 2;
const VERSION_WITH_TURN: u8 = 3;
const HEADER_BYTES: usize = 12;
/// Ten minutes at 60 frames a second; a rep lasts seconds. It bounds what hostile bytes can ask for.
const MAX_FRAMES: usize = 36_000;
/// Time, frame number and flags take a byte each at least.
const MIN_FRAME_BYTES: usize = 3;
/// Time and number 10 each, flags 1, presence 5, then 4 + 4 + 1 a landmark, 3 for each metric value, 4 × 4 + 1 for a bat, and
/// 2 × (3 + 1) for a turn.
const MAX_FRAME_BYTES: usize = 26 + LANDMARK_COUNT * 9 + LANDMARK_COUNT * 9 + 17 + 8;
/// Steps to a pixel.
const STEPS_PER_PX: f32 = 16.0;
/// Coordinates farther outside the picture are clamped to this (65 536 px).
const MAX_STEPS: i64 = 1 << 20;
const PRESENCE_BYTES: usize = LANDMARK_COUNT.div_ceil(8);
const HAS_BODY: u8 = 1;
const HAS_WORLD: u8 = 2;
const BY_LITE: u8 = 4;
const HAS_BAT: u8 = 8;
const HAS_TURN: u8 = 16;
/// The turn counts from the plate, not from the camera.
const TURN_FROM_PLATE: u8 = 32;

/// Why landmarks could not be packed, or bytes could not be unpacked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TimelineError {
    /// More frames than a rep can have.
    #[error("{frames} frames are more than the {MAX_FRAMES} that a timeline can hold")]
    TooLong {
        /// How many there are.
        frames: usize,
    },
    /// The bytes do not begin like a timeline.
    #[error("the bytes do not begin like a landmark timeline")]
    NotTimeline,
    /// A later version of the format.
    #[error("the landmark timeline has version {found}, this program knows {VERSION}")]
    NewerVersion {
        /// The version found.
        found: u8,
    },
    /// The bytes contradict themselves or end too early.
    #[error("the landmark timeline is damaged: {what}")]
    Damaged {
        /// What does not fit.
        what: &'static str,
    },
}

fn damaged(what: &'static str) -> TimelineError {
    TimelineError::Damaged { what }
}

/// Packs the frames of a rep.
///
/// A landmark whose place is not a finite number is left out, as if the source did not have it; so is such a bat or
/// turn, and so are the metric landmarks of a frame where one of them is not finite.
pub fn encode_timeline(frames: &[PoseFrame]) -> Result<Vec<u8>, TimelineError> {
    if frames.len() > MAX_FRAMES {
        return Err(TimelineError::TooLong {
            frames: frames.len(),
        });
    }
    let readings = ReadingSteps::of(frames);
    let payload = pack(frames, &readings);
    let mut bytes = Vec::with_capacity(HEADER_BYTES + payload.len() / 2);
    bytes.extend_from_slice(&MAGIC);
    bytes.extend_from_slice(&[readings.version(), 0]);
    // Both numbers are far below 2^32, see the bounds above.
    bytes.extend_from_slice(&(frames.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&(payload.len() as u32).to_le_bytes());
    let mut deflate = ZlibEncoder::new(bytes, Compression::best());
    deflate
        .write_all(&payload)
        .and_then(|()| deflate.finish())
        .map_err(|_| damaged("deflate failed in memory"))
}

/// Unpacks the frames of a rep; the bytes may come from anywhere.
pub fn decode_timeline(bytes: &[u8]) -> Result<Vec<PoseFrame>, TimelineError> {
    let (header, packed) = bytes
        .split_at_checked(HEADER_BYTES)
        .ok_or(TimelineError::NotTimeline)?;
    let [m0, m1, version, _, f0, f1, f2, f3, p0, p1, p2, p3] = *header else {
        return Err(TimelineError::NotTimeline);
    };
    if [m0, m1] != MAGIC {
        return Err(TimelineError::NotTimeline);
    }
    if !(VERSION_WITHOUT_BAT..=VERSION).contains(&version) {
        return Err(TimelineError::NewerVersion { found: version });
    }
    let frame_count = u32::from_le_bytes([f0, f1, f2, f3]) as usize;
    let payload_len = u32::from_le_bytes([p0, p1, p2, p3]) as usize;
    if frame_count > MAX_FRAMES {
        return Err(TimelineError::TooLong {
            frames: frame_count,
        });
    }
    if payload_len < frame_count * MIN_FRAME_BYTES || payload_len > frame_count * MAX_FRAME_BYTES {
        return Err(damaged("its length does not fit its number of frames"));
    }
    // No capacity is reserved on the header's word: memory grows with what really inflates, and the
    // limit stops a deflate bomb one byte after the promised end.
    let mut payload = Vec::new();
    let mut inflate = ZlibDecoder::new(packed);
    (&mut inflate)
        .take(payload_len as u64 + 1)
        .read_to_end(&mut payload)
        .map_err(|_| damaged("the packed bytes do not inflate"))?;
    if payload.len() != payload_len {
        return Err(damaged("it inflates to another length than promised"));
    }
    if inflate.total_in() != packed.len() as u64 {
        return Err(damaged("bytes follow its end"));
    }
    unpack(&payload, frame_count, version)
}

/// A coordinate in steps, held within what a timeline can hold; `as` turns what is not a number into 0.
fn steps(px: f32) -> i64 {
    ((px * STEPS_PER_PX).round() as i64).clamp(-MAX_STEPS, MAX_STEPS)
}

/// A probability as a byte; `as` turns what is not a number into 0 and holds the rest within 0 to 255.
fn probability_byte(probability: f32) -> u8 {
    (probability * 255.0).round() as u8
}

/// Quantized landmarks of one frame.
struct Steps {
    points: [Option<(i64, i64, u8)>; LANDMARK_COUNT],
    world_mm: Option<Box<[[i16; 3]; LANDMARK_COUNT]>>,
    lite: bool,
}

impl Steps {
    fn of(body: &Body) -> Self {
        let points = body.image.map(|point| {
            let point = point.filter(|p| p.x_px.is_finite() && p.y_px.is_finite())?;
            let visibility = probability_byte(point.visibility);
            Some((steps(point.x_px), steps(point.y_px), visibility))
        });
        let world_mm = body.world.as_ref().and_then(|world| {
            let finite =
                |w: &WorldPoint| w.x_m.is_finite() && w.y_m.is_finite() && w.z_m.is_finite();
            let mm = |m: f32| (m * 1000.0).round() as i16;
            world
                .iter()
                .all(finite)
                .then(|| Box::new(world.each_ref().map(|w| [mm(w.x_m), mm(w.y_m), mm(w.z_m)])))
        });
        Self {
            points,
            world_mm,
            lite: body.lite,
        }
    }

    fn flags(&self) -> u8 {
        let world = if self.world_mm.is_some() {
            HAS_WORLD
        } else {
            0
        };
        let lite = if self.lite { BY_LITE } else { 0 };
        HAS_BODY | world | lite
    }

    fn presence(&self) -> u64 {
        self.points
            .iter()
            .enumerate()
            .fold(0, |mask, (i, point)| mask | u64::from(point.is_some()) << i)
    }
}

fn pack(frames: &[PoseFrame], readings: &ReadingSteps) -> Vec<u8> {
    let mut out = Vec::new();
    let bodies: Vec<Option<Steps>> = frames
        .iter()
        .map(|f| f.body.as_ref().map(Steps::of))
        .collect();

    let (mut last_time, mut last_gap) = (0i64, 0i64);
    for frame in frames {
        let gap = frame.captured_at.nanos().wrapping_sub(last_time);
        put_signed(&mut out, gap.wrapping_sub(last_gap));
        (last_time, last_gap) = (frame.captured_at.nanos(), gap);
    }
    let mut last_index = 0u64;
    for frame in frames {
        put_signed(&mut out, frame.index.wrapping_sub(last_index).cast_signed());
        last_index = frame.index;
    }
    for (body, beside) in bodies.iter().zip(readings.flags()) {
        out.push(body.as_ref().map_or(0, Steps::flags) | beside);
    }
    let mut last_presence = 0u64;
    for body in bodies.iter().flatten() {
        let presence = body.presence();
        out.extend_from_slice(&(presence ^ last_presence).to_le_bytes()[..PRESENCE_BYTES]);
        last_presence = presence;
    }
    for landmark in 0..LANDMARK_COUNT {
        let seen = || bodies.iter().flatten().filter_map(|b| b.points[landmark]);
        put_differences(&mut out, seen().map(|(x, _, _)| x));
        put_differences(&mut out, seen().map(|(_, y, _)| y));
        put_byte_differences(&mut out, seen().map(|(_, _, visibility)| visibility));
    }
    for landmark in 0..LANDMARK_COUNT {
        for axis in 0..3 {
            let worlds = bodies.iter().flatten().filter_map(|b| b.world_mm.as_ref());
            put_differences(&mut out, worlds.map(|w| i64::from(w[landmark][axis])));
        }
    }
    readings.put(&mut out);
    out
}

/// Each byte less the one before, modulo 256.
fn put_byte_differences(out: &mut Vec<u8>, values: impl Iterator<Item = u8>) {
    let mut last = 0u8;
    for value in values {
        out.push(value.wrapping_sub(last));
        last = value;
    }
}

fn put_differences(out: &mut Vec<u8>, values: impl Iterator<Item = i64>) {
    let mut last = 0;
    for value in values {
        put_signed(out, value - last);
        last = value;
    }
}

/// Zigzag, then seven bits a byte, lowest first; the top bit says that more follow.
fn put_signed(out: &mut Vec<u8>, value: i64) {
    let mut rest = ((value << 1) ^ (value >> 63)).cast_unsigned();
    while rest >= 0x80 {
        out.push(rest as u8 | 0x80);
        rest >>= 7;
    }
    out.push(rest as u8);
}

/// Reads the payload from front to back.
struct Payload<'a> {
    rest: &'a [u8],
}

impl Payload<'_> {
    fn byte(&mut self) -> Result<u8, TimelineError> {
        let (first, rest) = self
            .rest
            .split_first()
            .ok_or(damaged("it ends too early"))?;
        self.rest = rest;
        Ok(*first)
    }

    fn signed(&mut self) -> Result<i64, TimelineError> {
        let mut value = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return Err(damaged("a number is too large"));
            }
            value |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok((value >> 1).cast_signed() ^ -(value & 1).cast_signed());
            }
        }
        Err(damaged("a number is too long"))
    }

    fn difference(&mut self, last: &mut i64, limit: i64) -> Result<i64, TimelineError> {
        let value = last
            .checked_add(self.signed()?)
            .filter(|v| (-limit - 1..=limit).contains(v));
        *last = value.ok_or(damaged("a coordinate is out of range"))?;
        Ok(*last)
    }
}

fn unpack(
    payload: &[u8],
    frame_count: usize,
    version: u8,
) -> Result<Vec<PoseFrame>, TimelineError> {
    let mut payload = Payload { rest: payload };
    let mut frames = Vec::with_capacity(frame_count);

    let (mut time, mut gap) = (0i64, 0i64);
    for _ in 0..frame_count {
        gap = gap.wrapping_add(payload.signed()?);
        time = time.wrapping_add(gap);
        frames.push(PoseFrame::new(0, CaptureTime::from_nanos(time), None));
    }
    let mut index = 0u64;
    for frame in &mut frames {
        index = index.wrapping_add(payload.signed()?.cast_unsigned());
        frame.index = index;
    }
    let nowhere = WorldPoint {
        x_m: 0.0,
        y_m: 0.0,
        z_m: 0.0,
    };
    for frame in &mut frames {
        let flags = payload.byte()?;
        let of_body = marked(frame, flags, version)?;
        frame.body = match of_body {
            0 => None,
            flags if flags & HAS_BODY != 0 && flags <= HAS_BODY | HAS_WORLD | BY_LITE => {
                Some(Body {
                    world: (flags & HAS_WORLD != 0).then_some([nowhere; LANDMARK_COUNT]),
                    lite: flags & BY_LITE != 0,
                    ..Body::empty()
                })
            }
            _ => return Err(damaged("a frame has flags that do not exist")),
        };
    }
    unpack_image(&mut payload, &mut frames)?;
    for landmark in 0..LANDMARK_COUNT {
        for axis in 0..3 {
            let mut last = 0;
            for body in frames.iter_mut().filter_map(|f| f.body.as_mut()) {
                let Some(world) = body.world.as_mut() else {
                    continue;
                };
                let mm = payload.difference(&mut last, i64::from(i16::MAX))?;
                let point = &mut world[landmark];
                let place = [&mut point.x_m, &mut point.y_m, &mut point.z_m];
                *place[axis] = mm as f32 / 1000.0;
            }
        }
    }
    unpack_bats(&mut payload, &mut frames)?;
    unpack_turns(&mut payload, &mut frames)?;
    if payload.rest.is_empty() {
        Ok(frames)
    } else {
        Err(damaged("bytes are left over"))
    }
}

fn unpack_image(payload: &mut Payload<'_>, frames: &mut [PoseFrame]) -> Result<(), TimelineError> {
    let unplaced = ImagePoint {
        x_px: 0.0,
        y_px: 0.0,
        visibility: 0.0,
    };
    let mut presence = 0u64;
    for body in frames.iter_mut().filter_map(|f| f.body.as_mut()) {
        for byte in 0..PRESENCE_BYTES {
            presence ^= u64::from(payload.byte()?) << (8 * byte);
        }
        if presence >> LANDMARK_COUNT != 0 {
            return Err(damaged(
                "a landmark that does not exist is marked as present",
            ));
        }
        for (i, point) in body.image.iter_mut().enumerate() {
            *point = (presence >> i & 1 == 1).then_some(unplaced);
        }
    }
    for landmark in 0..LANDMARK_COUNT {
        for along_y in [false, true] {
            let mut last = 0;
            for point in present(frames, landmark) {
                let px = payload.difference(&mut last, MAX_STEPS)? as f32 / STEPS_PER_PX;
                *(if along_y {
                    &mut point.y_px
                } else {
                    &mut point.x_px
                }) = px;
            }
        }
        let mut last = 0u8;
        for point in present(frames, landmark) {
            last = last.wrapping_add(payload.byte()?);
            point.visibility = f32::from(last) / 255.0;
        }
    }
    Ok(())
}

/// One landmark's points through the frames that have it.
fn present(frames: &mut [PoseFrame], landmark: usize) -> impl Iterator<Item = &mut ImagePoint> {
    frames
        .iter_mut()
        .filter_map(move |f| f.body.as_mut()?.image[landmark].as_mut())
}
