//! A rep's landmarks as C3D, the open format of motion laboratories.
//!
//! The layout is that of the format's public description (C3D File Format User Guide, Motion Lab Systems): a header, a section of
//! parameters and a section of data, each a whole number of blocks of 512 bytes, little-endian, points as floating point
//! numbers of which the fourth is negative where a point was not seen.
//!
//! Coordinates are right-handed: X toward the pitcher, Z up from the ground, Y level and across. One camera sees X and Z; Y is
//! the pose model's estimate about the middle of the hips, and 0 for the bat. A format with one rate needs evenly spaced frames:
//! points are interpolated between those of the camera.

use std::io::Write;

use crate::journal::error::JournalError;
use crate::journal::record::RepId;
use crate::journal::store::open::JournalReader;
use crate::motion::Direction;
use crate::pose::{Body, Landmark, PoseFrame};
use crate::rep::Rep;
use crate::stats::median;
use crate::time::CaptureTime;

const BLOCK: usize = 512;
/// Points of the bat and of the trunk's turn, behind the landmarks.
const KNOB: &str = "bat_knob";
const TIP: &str = "bat_tip";
const PELVIS: &str = "pelvis_turn";
const SHOULDERS: &str = "shoulders_turn";
/// Frames further apart than this have nothing between them, seconds.
const GAP_SECS: f64 = 0.1;
/// The most frames that a 16-bit count has.
const MOST_FRAMES: usize = 65_535;

/// A point of each frame: millimeters, or degrees in the first; `None` where it was not seen.
type Track = Vec<Option<[f64; 3]>>;

/// What a C3D file says.
struct Motion {
    rate_hz: f64,
    units: &'static str,
    labels: Vec<String>,
    points: Vec<Track>,
    /// Labels of those points that are angles.
    angles: Vec<String>,
    /// Seconds from the first frame.
    events: Vec<(&'static str, f64)>,
}

impl JournalReader {
    /// Writes a rep's landmarks, its bat and its turns where they are, as C3D.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`], [`JournalError::NoTimeline`], [`JournalError::Timeline`], [`JournalError::Output`], and
    /// those of the disk.
    pub(crate) fn export_c3d(&self, rep: RepId, mut out: impl Write) -> Result<(), JournalError> {
        let stored = self.rep(rep)?;
        let (_, frames) = self
            .timeline(rep)?
            .ok_or_else(|| JournalError::NoTimeline {
                path: self.path.clone(),
                rep,
            })?;
        let bytes = motion(&stored.judged.rep, &frames).bytes();
        out.write_all(&bytes).map_err(JournalError::Output)
    }
}

/// From pixels of the picture to millimeters of the cage.
struct Place {
    mm_per_px: f64,
    forward: f64,
    /// Cosine and sine of the camera's roll.
    roll: [f64; 2],
    /// The middle of the stance on the ground, pixels.
    origin_px: [f64; 2],
}

impl Place {
    fn of(rep: &Rep, frames: &[PoseFrame]) -> (Self, &'static str) {
        let ruler = rep.ruler.as_ref();
        let roll = ruler
            .and_then(|ruler| ruler.roll_deg)
            .unwrap_or(0.0)
            .to_radians();
        let place = Self {
            mm_per_px: ruler.map_or(1.0, |ruler| 10.0 * ruler.scale.cm_per_px),
            forward: match rep.pitcher_in(frames) {
                Some(Direction::Left) => -1.0,
                Some(Direction::Right) | None => 1.0,
            },
            roll: [roll.cos(), roll.sin()],
            origin_px: ground(frames),
        };
        (place, if ruler.is_some() { "mm" } else { "px" })
    }

    fn mm(&self, px: [f32; 2], away_mm: f64) -> [f64; 3] {
        let [cos, sin] = self.roll;
        let [dx, dy] = [0, 1].map(|i| f64::from(px[i]) - self.origin_px[i]);
        let (right, down) = (dx * cos + dy * sin, dy * cos - dx * sin);
        // Seen by the camera, away from it, toward the right and up are right-handed in this order; toward the left the third
        // axis comes toward the camera.
        [
            self.forward * right * self.mm_per_px,
            self.forward * away_mm,
            -down * self.mm_per_px,
        ]
    }
}

/// The middle of the ankles and the lower of the heels and toes, the median of all frames.
fn ground(frames: &[PoseFrame]) -> [f64; 2] {
    let bodies = || frames.iter().filter_map(|frame| frame.body.as_ref());
    let middle = |body: &Body| {
        let [a, b] = [Landmark::LeftAnkle, Landmark::RightAnkle].map(|ankle| body.point(ankle));
        Some(f64::from(a?.x_px + b?.x_px) / 2.0)
    };
    let lowest = |body: &Body| {
        let feet = [
            Landmark::LeftHeel,
            Landmark::RightHeel,
            Landmark::LeftFootIndex,
            Landmark::RightFootIndex,
            Landmark::LeftAnkle,
            Landmark::RightAnkle,
        ];
        let heights = feet.iter().filter_map(|foot| body.point(*foot));
        heights.map(|point| f64::from(point.y_px)).reduce(f64::max)
    };
    let of = |each: &dyn Fn(&Body) -> Option<f64>| {
        median(&bodies().filter_map(each).collect::<Vec<_>>()).unwrap_or(0.0)
    };
    [of(&middle), of(&lowest)]
}

fn motion(rep: &Rep, frames: &[PoseFrame]) -> Motion {
    let (place, units) = Place::of(rep, frames);
    let (_, turns) = rep.turns_from_plate(frames);
    let times: Vec<CaptureTime> = frames.iter().map(|frame| frame.captured_at).collect();
    let mut labels = Vec::new();
    let mut tracks: Vec<Track> = Vec::new();
    let mut angles = Vec::new();
    for landmark in Landmark::ALL {
        let track: Track = frames
            .iter()
            .map(|frame| {
                let body = frame.body.as_ref()?;
                let point = body.point(landmark)?;
                let world = body.world.as_ref().map(|world| world[landmark.index()]);
                let away_mm = world.map_or(0.0, |world| 1e3 * f64::from(world.z_m));
                Some(place.mm([point.x_px, point.y_px], away_mm))
            })
            .collect();
        push(&mut labels, &mut tracks, landmark.name(), track);
    }
    let bat = |end: fn(&crate::pose::SeenBat) -> [f32; 2]| -> Track {
        let seen = frames.iter().map(|frame| frame.bat.as_ref());
        seen.map(|bat| Some(place.mm(end(bat?), 0.0))).collect()
    };
    push(&mut labels, &mut tracks, KNOB, bat(|bat| bat.knob_px));
    push(&mut labels, &mut tracks, TIP, bat(|bat| bat.tip_px));
    let turn = |of: fn(&crate::pose::TrunkTurn) -> f32| -> Track {
        let deg = turns.iter().map(|turn| turn.as_ref().map(of));
        deg.map(|deg| Some([f64::from(deg?), 0.0, 0.0])).collect()
    };
    for (label, track) in [
        (PELVIS, turn(|turn| turn.pelvis.deg)),
        (SHOULDERS, turn(|turn| turn.shoulders.deg)),
    ] {
        if push(&mut labels, &mut tracks, label, track) {
            angles.push(label.to_owned());
        }
    }
    let Some(first) = times.first().copied() else {
        return Motion {
            rate_hz: rep.fps,
            units,
            labels,
            points: tracks,
            angles,
            events: Vec::new(),
        };
    };
    let secs: Vec<f64> = times.iter().map(|at| at.secs_since(first)).collect();
    Motion {
        rate_hz: rep.fps,
        units,
        points: tracks
            .iter()
            .map(|track| even(&secs, track, rep.fps))
            .collect(),
        labels,
        angles,
        events: rep
            .events
            .named()
            .into_iter()
            .filter_map(|(name, at)| Some((name, at?.secs_since(first))))
            .filter(|(_, at)| *at >= 0.0)
            .collect(),
    }
}

/// Adds a point that was seen at all; whether it was.
fn push(labels: &mut Vec<String>, tracks: &mut Vec<Track>, label: &str, track: Track) -> bool {
    let seen = track.iter().any(Option::is_some);
    if seen {
        labels.push(label.to_owned());
        tracks.push(track);
    }
    seen
}

/// The track at evenly spaced times.
fn even(secs: &[f64], track: &Track, rate_hz: f64) -> Track {
    let last = secs.last().copied().unwrap_or(0.0);
    let count = ((last * rate_hz).round() as usize + 1).min(MOST_FRAMES);
    (0..count)
        .map(|frame| {
            let at = frame as f64 / rate_hz;
            let next = secs.partition_point(|s| *s < at).min(secs.len() - 1);
            let before = next.saturating_sub(usize::from(secs[next] > at));
            let (a, b) = (track[before]?, track[next]?);
            let between = secs[next] - secs[before];
            if between > GAP_SECS {
                return None;
            }
            let share = match between > 0.0 {
                true => (at - secs[before]) / between,
                false => 0.0,
            };
            Some([0, 1, 2].map(|axis| a[axis] + share.clamp(0.0, 1.0) * (b[axis] - a[axis])))
        })
        .collect()
}

impl Motion {
    fn frames(&self) -> usize {
        self.points.first().map_or(0, Vec::len)
    }

    fn bytes(&self) -> Vec<u8> {
        let parameters = self.parameters();
        let data_block = 2 + parameters.len() / BLOCK;
        let mut bytes = self.header(data_block);
        // Known only now, and as long as any other.
        let mut parameters = parameters;
        let at = DATA_START_AT.min(parameters.len() - 2);
        parameters[at..at + 2].copy_from_slice(&(data_block as u16).to_le_bytes());
        bytes.extend(parameters);
        for frame in 0..self.frames() {
            for track in &self.points {
                let (point, residual) = match track[frame] {
                    Some(point) => (point, 0.0_f32),
                    None => ([0.0; 3], -1.0),
                };
                for value in point
                    .map(|value| value as f32)
                    .into_iter()
                    .chain([residual])
                {
                    bytes.extend(value.to_le_bytes());
                }
            }
        }
        bytes.resize(bytes.len().next_multiple_of(BLOCK), 0);
        bytes
    }

    fn header(&self, data_block: usize) -> Vec<u8> {
        let mut header = vec![2, 0x50];
        let mut word = |value: u16| header.extend(value.to_le_bytes());
        word(self.points.len() as u16);
        // Analog samples, first and last frame, the longest gap that was filled.
        word(0);
        word(1);
        word(self.frames().max(1) as u16);
        word(0);
        header.extend((-1.0_f32).to_le_bytes());
        header.extend((data_block as u16).to_le_bytes());
        header.extend(0_u16.to_le_bytes());
        header.extend((self.rate_hz as f32).to_le_bytes());
        header.resize(BLOCK, 0);
        header
    }

    fn parameters(&self) -> Vec<u8> {
        let mut section = Parameters::new();
        // The data's place is put first, so that where it stands does not depend on the rest.
        section.group(1, "POINT");
        section.words(1, "DATA_START", &[0]);
        section.words(1, "USED", &[self.points.len() as u16]);
        section.words(1, "FRAMES", &[self.frames() as u16]);
        section.floats(1, "SCALE", &[], &[-1.0]);
        section.floats(1, "RATE", &[], &[self.rate_hz as f32]);
        section.texts(1, "UNITS", &[self.units.to_owned()]);
        section.texts(1, "X_SCREEN", &["+X".to_owned()]);
        section.texts(1, "Y_SCREEN", &["+Z".to_owned()]);
        section.texts(1, "LABELS", &self.labels);
        section.texts(1, "DESCRIPTIONS", &self.labels);
        if !self.angles.is_empty() {
            section.texts(1, "ANGLES", &self.angles);
            section.texts(1, "ANGLE_UNITS", &["deg".to_owned()]);
        }
        section.group(2, "ANALOG");
        section.words(2, "USED", &[0]);
        section.floats(2, "GEN_SCALE", &[], &[1.0]);
        section.floats(2, "RATE", &[], &[0.0]);
        section.group(3, "EVENT");
        section.words(3, "USED", &[self.events.len() as u16]);
        if !self.events.is_empty() {
            let labels: Vec<String> = self.events.iter().map(|(name, _)| (*name).into()).collect();
            let contexts = vec!["General".to_owned(); labels.len()];
            section.texts(3, "CONTEXTS", &contexts);
            section.texts(3, "LABELS", &labels);
            // Minutes and seconds.
            let times = self
                .events
                .iter()
                .flat_map(|(_, at)| [(at / 60.0).floor() as f32, (at % 60.0) as f32]);
            let times: Vec<f32> = times.collect();
            section.floats(3, "TIMES", &[2, labels.len() as u8], &times);
        }
        section.group(4, "MANUFACTURER");
        section.texts(4, "SOFTWARE", &["cagehand".to_owned()]);
        section.texts(4, "VERSION", &[env!("CARGO_PKG_VERSION").to_owned()]);
        section.end()
    }
}

/// Where the value of `POINT:DATA_START` stands: behind the section's four bytes, the group and the head of its parameter.
const DATA_START_AT: usize = 4 + (2 + 5 + 2 + 1) + (2 + 10 + 2 + 1 + 1);

/// A section of parameters as it is written.
struct Parameters {
    bytes: Vec<u8>,
}

impl Parameters {
    fn new() -> Self {
        // The first two bytes stand for nothing; then comes the number of blocks, and "little-endian".
        Self {
            bytes: vec![1, 0x50, 0, 84],
        }
    }

    fn group(&mut self, id: u8, name: &str) {
        self.bytes.extend([name.len() as u8, id.wrapping_neg()]);
        self.bytes.extend(name.bytes());
        // To the next entry: the length's own two bytes and an empty description.
        self.bytes.extend(3_u16.to_le_bytes());
        self.bytes.push(0);
    }

    /// `kind` is the bytes of an element: -1 text, 2 words, 4 floats.
    fn parameter(&mut self, group: u8, name: &str, kind: i8, dimensions: &[u8], data: &[u8]) {
        self.bytes.extend([name.len() as u8, group]);
        self.bytes.extend(name.bytes());
        let rest = 2 + 1 + 1 + dimensions.len() + data.len() + 1;
        self.bytes.extend((rest as u16).to_le_bytes());
        self.bytes.extend([kind as u8, dimensions.len() as u8]);
        self.bytes.extend(dimensions);
        self.bytes.extend(data);
        self.bytes.push(0);
    }

    fn words(&mut self, group: u8, name: &str, values: &[u16]) {
        let data: Vec<u8> = values
            .iter()
            .flat_map(|value| value.to_le_bytes())
            .collect();
        self.parameter(group, name, 2, &[], &data);
    }

    fn floats(&mut self, group: u8, name: &str, dimensions: &[u8], values: &[f32]) {
        let data: Vec<u8> = values
            .iter()
            .flat_map(|value| value.to_le_bytes())
            .collect();
        self.parameter(group, name, 4, dimensions, &data);
    }

    /// Texts of one length, filled up with blanks.
    fn texts(&mut self, group: u8, name: &str, texts: &[String]) {
        let longest = texts.iter().map(String::len).max().unwrap_or(0).max(1);
        let data: Vec<u8> = texts
            .iter()
            .flat_map(|text| format!("{text:<longest$}").into_bytes())
            .collect();
        self.parameter(group, name, -1, &[longest as u8, texts.len() as u8], &data);
    }

    fn end(mut self) -> Vec<u8> {
        self.bytes.extend([0, 0]);
        self.bytes
            .resize(self.bytes.len().next_multiple_of(BLOCK), 0);
        self.bytes[2] = (self.bytes.len() / BLOCK) as u8;
        self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::record;

    fn u16_at(bytes: &[u8], at: usize) -> usize {
        usize::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]))
    }

    fn f32_at(bytes: &[u8], at: usize) -> f32 {
        f32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
    }

    #[test]
    fn the_data_is_where_header_and_parameters_say() {
        let stored = record(1);
        let rep = &stored.judged.rep;
        let told = motion(rep, &stored.frames);
        let bytes = told.bytes();
        assert_eq!(bytes.len() % BLOCK, 0);
        assert_eq!((bytes[0], bytes[1]), (2, 0x50));
        let (points, last) = (u16_at(&bytes, 2), u16_at(&bytes, 8));
        assert_eq!((points, last), (told.labels.len(), told.frames()));
        let data = u16_at(&bytes, 16);
        assert_eq!(u16_at(&bytes, BLOCK + DATA_START_AT), data);
        assert_eq!(f32_at(&bytes, 12), -1.0);
        assert!((f64::from(f32_at(&bytes, 20)) - rep.fps).abs() < 1e-3);
        let at = |frame: usize, point: usize, axis: usize| {
            f32_at(
                &bytes,
                (data - 1) * BLOCK + 4 * (4 * (frame * points + point) + axis),
            )
        };
        for (point, track) in told.points.iter().enumerate() {
            for (frame, seen) in track.iter().enumerate() {
                match seen {
                    Some(place) => {
                        assert_eq!(
                            [0, 1, 2].map(|axis| at(frame, point, axis)),
                            place.map(|v| v as f32)
                        );
                        assert_eq!(at(frame, point, 3), 0.0);
                    }
                    None => assert_eq!(at(frame, point, 3), -1.0),
                }
            }
        }
    }

    #[test]
    fn points_stand_between_those_of_uneven_frames_and_nothing_fills_a_gap() {
        let secs = [0.0, 0.012, 0.02, 0.2, 0.21];
        let track: Track = secs.iter().map(|s| Some([100.0 * s, 0.0, 0.0])).collect();
        let told = even(&secs, &track, 100.0);
        assert_eq!(told.len(), 22);
        for (frame, point) in told.iter().enumerate() {
            match frame {
                0..=2 | 20..=21 => {
                    let x = point.unwrap()[0];
                    assert!((x - frame as f64).abs() < 1e-9, "{frame}: {x}");
                }
                _ => assert_eq!(*point, None),
            }
        }
    }
}
