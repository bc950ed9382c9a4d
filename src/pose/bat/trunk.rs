//! The network that says how the trunk is turned, on a square of its own: about the middle of hips and shoulders, twice as near.
//!
//! In: the square, its frame and the frame before. Out: a [`TrunkTurn`].

use std::sync::Arc;

use cagehand_networks::{InferenceError, Network, WorkerPool};

use super::square::{GrayFrame, Square};
use crate::capture::Frame;
use crate::pose::body::Body;
use crate::pose::landmark::Landmark;
use crate::pose::trunk_turn::{TURN_OUTPUTS, TrunkTurn};

const NETWORK: &[u8] = include_bytes!("../../../models/trunk.onnx");
/// Side of the network's input: red, green, blue, gray of the frame before.
const INPUT: usize = 160;
const CHANNELS: usize = 4;
/// Side of the square in statures.
const SIDE_STATURES: f32 = 0.8;

pub(super) struct TrunkReader {
    network: Network,
    /// The square of the frame, red, green and blue, and the gray of the frame before.
    pixels: Vec<f32>,
    gray: Vec<f32>,
}

impl TrunkReader {
    /// Loads the network.
    ///
    /// # Errors
    /// Where it cannot be prepared.
    pub(super) fn new(pool: &Arc<WorkerPool>) -> Result<Self, InferenceError> {
        let shape = [INPUT, INPUT, CHANNELS];
        Ok(Self {
            network: Network::from_bytes("trunk", NETWORK, shape, &[], pool)?,
            pixels: vec![0.0; 3 * INPUT * INPUT],
            gray: vec![0.0; INPUT * INPUT],
        })
    }

    /// Where to look; `None` where a hip or a shoulder was not seen.
    pub(super) fn square(body: &Body, stature_px: f32) -> Option<Square> {
        let joints = [
            Landmark::LeftHip,
            Landmark::RightHip,
            Landmark::LeftShoulder,
            Landmark::RightShoulder,
        ];
        let mut center_px = [0.0; 2];
        for joint in joints {
            let point = body.point(joint)?;
            center_px[0] += 0.25 * point.x_px;
            center_px[1] += 0.25 * point.y_px;
        }
        Some(Square {
            center_px,
            side_px: SIDE_STATURES * stature_px,
        })
    }

    /// How the trunk in the square is turned.
    ///
    /// # Errors
    /// Where the network fails.
    pub(super) fn look(
        &mut self,
        frame: &Frame,
        before: &GrayFrame,
        square: Square,
    ) -> Result<Option<TrunkTurn>, InferenceError> {
        square.sample(frame, INPUT, &mut self.pixels);
        before.sample(&square, INPUT, &self.pixels, &mut self.gray);
        let (pixels, gray) = (&self.pixels, &self.gray);
        let outputs = self.network.run(|input| {
            let cells = input.chunks_exact_mut(CHANNELS);
            for ((cell, color), gray) in cells.zip(pixels.chunks_exact(3)).zip(gray) {
                cell[..3].copy_from_slice(color);
                cell[3] = *gray;
            }
        })?;
        Ok(TrunkTurn::from_outputs(outputs.get("turn", TURN_OUTPUTS)?))
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::picture;
    use super::*;
    use crate::cores;

    /// The same crops through the runtime that the network was judged with: `models/bat/reference.py`.
    #[test]
    fn turns_agree_with_those_of_the_original_runtime_and_are_near_the_truth() {
        let text = include_str!("../../../tests/data/bat/trunk.json");
        let reference: serde_json::Value = serde_json::from_str(text).unwrap();
        let mut reader = TrunkReader::new(&Arc::new(WorkerPool::new(1, &cores::BUDGET))).unwrap();
        let square = Square {
            center_px: [INPUT as f32 / 2.0; 2],
            side_px: INPUT as f32,
        };
        for name in ["open_side", "back_side"] {
            let mut before = GrayFrame::default();
            before.take(&picture(&format!("{name}_before")), &square.grown());
            let turn = reader.look(&picture(name), &before, square);
            let turn = turn.unwrap().unwrap();
            let number = |key: &str, at: usize| reference[name][key][at].as_f64().unwrap() as f32;
            for (at, told) in [(0, turn.pelvis), (2, turn.shoulders)] {
                let off = |key: &str| {
                    let wanted = number(key, at + 1).atan2(number(key, at)).to_degrees();
                    (told.deg - wanted + 180.0).rem_euclid(360.0) - 180.0
                };
                assert!(off("turn").abs() < 0.1, "{name}: {told:?}");
                assert!(
                    off("truth").abs() < 3.0 * told.spread_deg,
                    "{name}: {told:?}"
                );
            }
            assert!((turn.pelvis.spread_deg.ln() - number("turn", 4)).abs() < 1e-3);
        }
    }
}
