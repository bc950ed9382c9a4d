//! The bat in the hitter's hands, which the landmarks do not show.
//!
//! In: frames with the body that the tracker found in them. Out: a [`SeenBat`] in those in which both hands are together, as on
//! a bat, from stance to finish, and in these frames and for two seconds after them how the trunk is turned. One small network reads a square around the hands, another one
//! around the trunk; `models/bat/README.md` says what they learned from, and how their inputs and outputs are laid out.

mod square;
mod stature;
mod trunk;

use std::sync::Arc;

use cagehand_networks::{InferenceError, Network, WorkerPool};

use self::square::{GrayFrame, Square};
use self::stature::StatureTracker;
use self::trunk::TrunkReader;
use super::body::{Body, ImagePoint, PoseFrame};
use super::landmark::Landmark;
use crate::capture::Frame;
use crate::cores;
use crate::picture_size::PictureSize;
use crate::pose::camera_motion::CameraPlace;
use crate::time::CaptureTime;

const NETWORK: &[u8] = include_bytes!("../../../models/bat.onnx");
/// Side of the network's input: red, green, blue, gray of the frame before, wrists.
const INPUT: usize = 192;
const CHANNELS: usize = 5;
/// Side of its maps: grip, tip, the bat's axis.
const MAP: usize = 48;
const MAPS: usize = 3;
/// Side of the square in statures.
const SIDE_STATURES: f32 = 1.35;
/// Spread of the mark on each wrist, input pixels.
const WRIST_SPREAD: f32 = 6.0;
/// Hands that are farther apart hold no bat, in statures.
pub(crate) const HANDS_TOGETHER: f32 = 0.2;
/// Cells on each side of a map's peak that refine its place.
const REACH: usize = 2;
/// A frame before that is older shows too much of the swing to be of use: the network has learned from steps to 1/30 s.
const LONGEST_STEP_SECS: f64 = 0.045;
/// A trunk's turn is read until so long after the hands were together.
const TURN_AFTER_SECS: f64 = 2.0;
/// Below this probability no bat is reported; set on rendered people without one (`models/bat/README.md`).
const LEAST_PROBABILITY: f32 = 0.5;
/// From the middle of the grip to the knob's end, in lengths from there to the tip: two hands of 10 cm on a bat of 84 cm (common
/// practice, no source).
const KNOB_BEYOND_GRIP: f32 = 0.135;

/// The bat in the picture, in the middle of the exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeenBat {
    /// The end of the handle, pixels.
    pub knob_px: [f32; 2],
    /// The middle of the barrel's end, pixels; may lie outside the picture.
    pub tip_px: [f32; 2],
    /// Probability that this is a bat in the hitter's hands.
    pub probability: f32,
}

impl SeenBat {
    /// The same bat where it would be in the first picture of a camera that has moved since.
    pub(crate) fn steadied(self, place: CameraPlace, picture: PictureSize) -> Self {
        self.moved(|px| {
            place
                .to_first(px.map(f64::from), picture)
                .map(|value| value as f32)
        })
    }

    /// The same bat with its ends where they are moved to.
    pub(super) fn moved(self, to: impl Fn([f32; 2]) -> [f32; 2]) -> Self {
        Self {
            knob_px: to(self.knob_px),
            tip_px: to(self.tip_px),
            ..self
        }
    }
}

/// Reads the bat and the trunk's turn in one frame after the other.
pub struct BatReader {
    network: Network,
    trunk: TrunkReader,
    stature: StatureTracker,
    before: GrayFrame,
    /// Whether it was kept about the hands, too.
    before_has_hands: bool,
    /// When that frame was taken.
    before_at: CaptureTime,
    /// When the hands were last together.
    together_at: Option<CaptureTime>,
    /// The square of the frame, red, green and blue, and the gray of the frame before.
    pixels: Vec<f32>,
    gray: Vec<f32>,
}

impl BatReader {
    /// Loads the network, to run on the caller's thread.
    ///
    /// # Errors
    /// Where the network cannot be prepared.
    pub fn new() -> Result<Self, InferenceError> {
        let pool = Arc::new(WorkerPool::new(1, &cores::BUDGET));
        let shape = [INPUT, INPUT, CHANNELS];
        Ok(Self {
            network: Network::from_bytes("bat", NETWORK, shape, &[], &pool)?,
            trunk: TrunkReader::new(&pool)?,
            stature: StatureTracker::default(),
            before: GrayFrame::default(),
            before_has_hands: false,
            before_at: CaptureTime::default(),
            together_at: None,
            pixels: vec![0.0; 3 * INPUT * INPUT],
            gray: vec![0.0; INPUT * INPUT],
        })
    }

    /// Adds the bat to a frame's pose where both hands are together and one is seen, and the trunk's turn where they are or
    /// were a moment ago: from behind the back they are hidden in mid-swing.
    ///
    /// # Errors
    /// Where the network fails; the pose stays as it was.
    pub fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError> {
        let now = pose.captured_at;
        let places = pose
            .body
            .as_ref()
            .and_then(|body| self.places(body, now))
            .unwrap_or_default();
        let squares = [
            places.hands.as_ref().map(|hands| hands.square),
            places.trunk,
        ];
        let Some(part) = squares.into_iter().flatten().reduce(Square::with) else {
            self.before.clear();
            return Ok(());
        };
        if now.secs_since(self.before_at) > LONGEST_STEP_SECS {
            self.before.clear();
        }
        let bat = match &places.hands {
            Some(hands) => self.look(frame, hands)?,
            None => None,
        };
        let turn = match places.trunk {
            Some(square) => self.trunk.look(frame, &self.before, square)?,
            None => None,
        };
        (pose.bat, pose.turn) = (bat, turn);
        self.before.take(frame, &part.grown());
        self.before_has_hands = places.hands.is_some();
        self.before_at = now;
        Ok(())
    }

    /// Where to look; `None` where the body's size is not known.
    fn places(&mut self, body: &Body, now: CaptureTime) -> Option<Places> {
        let stature_px = self.stature.update(body, now.secs())?;
        let hands = Hands::together(body, stature_px);
        if hands.is_some() {
            self.together_at = Some(now);
        }
        let swings = self
            .together_at
            .is_some_and(|at| now.secs_since(at) <= TURN_AFTER_SECS);
        Some(Places {
            hands,
            trunk: swings
                .then(|| TrunkReader::square(body, stature_px))
                .flatten(),
        })
    }

    fn look(&mut self, frame: &Frame, hands: &Hands) -> Result<Option<SeenBat>, InferenceError> {
        let square = hands.square;
        square.sample(frame, INPUT, &mut self.pixels);
        let nothing = GrayFrame::default();
        let before = match self.before_has_hands {
            true => &self.before,
            false => &nothing,
        };
        before.sample(&square, INPUT, &self.pixels, &mut self.gray);
        let wrists = hands
            .wrists
            .map(|wrist| square.px_to_grid([wrist.x_px, wrist.y_px], INPUT));
        let (pixels, gray) = (&self.pixels, &self.gray);
        let outputs = self.network.run(|input| {
            let cells = input.chunks_exact_mut(CHANNELS);
            for (at, (cell, color)) in cells.zip(pixels.chunks_exact(3)).enumerate() {
                cell[..3].copy_from_slice(color);
                cell[3] = gray[at];
                cell[4] = wrist_mark(&wrists, at);
            }
        })?;
        let seen = outputs.get("seen", 2)?;
        let heat = outputs.get("heat", MAP * MAP * MAPS)?;
        let place = |map: usize| square.grid_to_px(peak(heat, map), MAP);
        let (grip, tip) = (place(0), place(1));
        let probability = seen[0];
        let is_bat = probability >= LEAST_PROBABILITY;
        let knob = |axis: usize| grip[axis] - KNOB_BEYOND_GRIP * (tip[axis] - grip[axis]);
        Ok(is_bat.then(|| SeenBat {
            knob_px: [knob(0), knob(1)],
            tip_px: tip,
            probability,
        }))
    }
}

/// Where to look in a frame.
#[derive(Default)]
struct Places {
    hands: Option<Hands>,
    trunk: Option<Square>,
}

/// Where the hands are.
struct Hands {
    square: Square,
    wrists: [ImagePoint; 2],
}

impl Hands {
    /// `None` where they are apart or not seen.
    fn together(body: &Body, stature_px: f32) -> Option<Self> {
        let left = body.point(Landmark::LeftWrist)?;
        let right = body.point(Landmark::RightWrist)?;
        let apart = (left.x_px - right.x_px).hypot(left.y_px - right.y_px);
        if apart.is_nan() || apart > HANDS_TOGETHER * stature_px {
            return None;
        }
        Some(Self {
            square: Square {
                center_px: [
                    0.5 * (left.x_px + right.x_px),
                    0.5 * (left.y_px + right.y_px),
                ],
                side_px: SIDE_STATURES * stature_px,
            },
            wrists: [left, right],
        })
    }
}

/// How strongly an input cell is marked as a wrist's.
fn wrist_mark(wrists: &[[f32; 2]; 2], cell: usize) -> f32 {
    let (x, y) = ((cell % INPUT) as f32 + 0.5, (cell / INPUT) as f32 + 0.5);
    let away = |wrist: &[f32; 2]| (x - wrist[0]).powi(2) + (y - wrist[1]).powi(2);
    let nearest = wrists.iter().map(away).fold(f32::INFINITY, f32::min);
    // Most cells; what is left out is below a 32-bit float's steps about 1.
    if nearest > (6.0 * WRIST_SPREAD).powi(2) {
        return 0.0;
    }
    (-nearest / (2.0 * WRIST_SPREAD * WRIST_SPREAD)).exp()
}

/// The place of a map's peak, in cells from the map's corner; `heat` has the maps of a cell adjacent.
fn peak(heat: &[f32], map: usize) -> [f32; 2] {
    let at = |row: usize, column: usize| heat[(row * MAP + column) * MAPS + map];
    let cells = (0..MAP).flat_map(|row| (0..MAP).map(move |column| (row, column)));
    let best = cells.max_by(|a, b| at(a.0, a.1).total_cmp(&at(b.0, b.1)));
    let (row, column) = best.unwrap_or_default();
    let span = |cell: usize| cell.saturating_sub(REACH)..(cell + REACH + 1).min(MAP);
    let (mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for r in span(row) {
        for c in span(column) {
            let weight = at(r, c);
            sum += weight;
            sum_x += weight * (c as f32 + 0.5);
            sum_y += weight * (r as f32 + 0.5);
        }
    }
    match sum > 0.0 {
        true => [sum_x / sum, sum_y / sum],
        false => [column as f32 + 0.5, row as f32 + 0.5],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_is_found_between_cells() {
        let mut heat = vec![0.0; MAP * MAP * MAPS];
        for (row, column, weight) in [(10, 20, 0.6), (10, 21, 0.6), (11, 20, 0.2), (11, 21, 0.2)] {
            heat[(row * MAP + column) * MAPS + 1] = weight;
        }
        let [x, y] = peak(&heat, 1);
        assert!(
            (x - 21.0).abs() < 1e-5 && (y - 10.75).abs() < 1e-5,
            "{x}, {y}"
        );
        assert_eq!(
            peak(&vec![0.0; MAP * MAP * MAPS], 0).map(f32::is_finite),
            [true; 2]
        );
    }

    /// Pixels of a picture, three bytes each.
    pub(super) fn picture(name: &str) -> Frame {
        let path = format!("{}/tests/data/bat/{name}.png", env!("CARGO_MANIFEST_DIR"));
        let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
        let mut reader = png::Decoder::new(file).read_info().unwrap();
        let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut bytes).unwrap();
        let rgb = match info.color_type {
            png::ColorType::Rgb => bytes,
            png::ColorType::Grayscale => bytes.iter().flat_map(|gray| [*gray; 3]).collect(),
            other => panic!("{other:?}"),
        };
        let (width, height) = (info.width as usize, info.height as usize);
        Frame {
            width,
            height,
            rgb,
            ..Frame::default()
        }
    }

    /// The same crops through the runtime that the network was judged with: `models/bat/reference.py`.
    #[test]
    fn readings_agree_with_those_of_the_original_runtime() {
        let text = include_str!("../../../tests/data/bat/hands.json");
        let reference: serde_json::Value = serde_json::from_str(text).unwrap();
        let number = |value: &serde_json::Value| value.as_f64().unwrap() as f32;
        let side = INPUT as f32;
        let square = Square {
            center_px: [side / 2.0; 2],
            side_px: side,
        };
        for name in ["still", "smeared", "no_bat"] {
            let wanted = &reference[name];
            let wrist = |index: usize| ImagePoint {
                x_px: number(&wanted["wrists"][index][0]),
                y_px: number(&wanted["wrists"][index][1]),
                visibility: 1.0,
            };
            let hands = Hands {
                square,
                wrists: [wrist(0), wrist(1)],
            };
            let mut reader = BatReader::new().unwrap();
            reader
                .before
                .take(&picture(&format!("{name}_before")), &square.grown());
            reader.before_has_hands = true;
            let reading = reader.look(&picture(name), &hands).unwrap();
            let seen = &wanted["seen"];
            let Some(bat) = reading else {
                assert!(number(&seen[0]) < LEAST_PROBABILITY, "{name}");
                continue;
            };
            assert!(
                (bat.probability - number(&seen[0])).abs() < 1e-3,
                "{name}: {bat:?}"
            );
            // The peak's cell, to the cells about it.
            let tip = &wanted["peaks"][1];
            let cell = side / MAP as f32;
            for (axis, at) in ["column", "row"].into_iter().enumerate() {
                let middle = (number(&tip[at]) + 0.5) * cell;
                assert!(
                    (bat.tip_px[axis] - middle).abs() < 1.5 * cell,
                    "{name}: {bat:?}"
                );
            }
            if wanted["truth"]["tip"].is_array() && name == "still" {
                let off =
                    [0, 1].map(|axis| bat.tip_px[axis] - number(&wanted["truth"]["tip"][axis]));
                assert!(off[0].hypot(off[1]) < 6.0, "a tenth of the bat: {bat:?}");
            }
        }
    }
}
