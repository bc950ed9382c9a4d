//! Finds the 33 landmarks in a crop: the landmark network and the decoding of its outputs.
//!
//! In: a frame and its crop. Out: the body in image pixels, and the two points from which the
//! next crop is made. All constants are the published pipeline's; `models/README.md` has them.

use super::body::{Body, ImagePoint, WorldPoint};
use super::crop::{Border, crop};
use super::landmark::LANDMARK_COUNT;
use super::roi::Roi;
use crate::capture::Frame;
use cagehand_networks::WorkerPool;
use cagehand_networks::{InferenceError, Network};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Side of the network's input.
const INPUT: usize = 256;
/// Points of the network: the body, two auxiliary ones, four unused ones.
const POINTS: usize = 39;
/// Index of the auxiliary point between the hips; the next one lies on the circle around the body.
const CENTER: usize = LANDMARK_COUNT;
/// Values of a point: x, y, z, visibility, presence.
const POINT: usize = 5;
/// Side of a heat map.
const MAP: usize = 64;
/// Cells on each side of a point that refine it.
const REACH: usize = 3;
/// A heat map whose most likely cell is below this does not refine its point.
const LEAST_HEAT: f32 = 0.5;
/// At or below this presence the crop holds no body.
const LEAST_PRESENCE: f32 = 0.5;

/// A body that was found, and the two points that place the next frame's crop.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Landmarks {
    /// The body in the image.
    pub body: Body,
    /// Between the hips, pixels.
    pub center_px: [f32; 2],
    /// On the circle around the body, pixels.
    pub rim_px: [f32; 2],
}

/// How long the parts of one frame took.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct StageTimes {
    /// Sampling the crop from the frame.
    pub crop: Duration,
    /// Running the network on it.
    pub network: Duration,
    /// Decoding the outputs of the network.
    pub reading: Duration,
}

/// The landmark network.
pub(crate) struct Landmarker {
    network: Network,
    pool: Arc<WorkerPool>,
    lite: bool,
    stage_times: StageTimes,
}

impl Landmarker {
    /// Loads the network from an ONNX file's bytes, to run on this pool; `name` is for messages.
    ///
    /// # Errors
    /// Where the bytes are not a landmark model.
    pub(crate) fn new(
        name: &str,
        onnx: &[u8],
        pool: &Arc<WorkerPool>,
    ) -> Result<Self, InferenceError> {
        let network = Network::from_bytes(name, onnx, [INPUT, INPUT, 3], &["heatmaps"], pool)?;
        Ok(Self {
            network,
            pool: Arc::clone(pool),
            lite: false,
            stage_times: StageTimes::default(),
        })
    }

    /// Marks the network as the lite model: its bodies say so.
    #[must_use]
    pub(crate) fn lite(self) -> Self {
        Self { lite: true, ..self }
    }

    /// The body in the crop, or `None` where there is none.
    ///
    /// # Errors
    /// Where the network fails.
    pub(crate) fn locate(
        &mut self,
        frame: &Frame,
        roi: &Roi,
    ) -> Result<Option<Landmarks>, InferenceError> {
        let started = Instant::now();
        let mut cropped = started;
        let outputs = self.network.run(|pixels| {
            crop(
                frame,
                roi,
                INPUT,
                Border::Repeat,
                (0.0, 1.0),
                pixels,
                &self.pool,
            );
            cropped = Instant::now();
        })?;
        let ran = Instant::now();
        self.stage_times = StageTimes {
            crop: cropped - started,
            network: ran - cropped,
            reading: Duration::ZERO,
        };
        let presence = outputs.get("pose_presence", 1)?[0];
        // NaN is no body either.
        if presence.is_nan() || presence <= LEAST_PRESENCE {
            return Ok(None);
        }
        let raw = outputs.get("landmarks", POINTS * POINT)?;
        let meters = outputs.get("world_landmarks", POINTS * 3)?;
        let heat = outputs.map("heatmaps", [MAP, MAP, POINTS])?;

        let place = |k: usize| {
            let [x, y] = [raw[k * POINT], raw[k * POINT + 1]].map(|v| v / INPUT as f32);
            let [u, v] = refine(|row, column| heat.get(row, column, k), [x, y]);
            roi.image_from_roi(u, v)
        };
        let mut body = Body {
            lite: self.lite,
            ..Body::empty()
        };
        for (k, point) in body.image.iter_mut().enumerate() {
            let [x_px, y_px] = place(k);
            *point = Some(ImagePoint {
                x_px,
                y_px,
                visibility: sigmoid(raw[k * POINT + 3]),
            });
        }
        let (sin, cos) = roi.rotation_rad.sin_cos();
        let mut world = [WorldPoint {
            x_m: 0.0,
            y_m: 0.0,
            z_m: 0.0,
        }; LANDMARK_COUNT];
        for (point, m) in world.iter_mut().zip(meters.chunks_exact(3)) {
            *point = WorldPoint {
                x_m: cos * m[0] - sin * m[1],
                y_m: sin * m[0] + cos * m[1],
                z_m: m[2],
            };
        }
        body.world = Some(world);
        let (center_px, rim_px) = (place(CENTER), place(CENTER + 1));
        self.stage_times.reading = ran.elapsed();
        Ok(Some(Landmarks {
            body,
            center_px,
            rim_px,
        }))
    }

    /// How long the last frame took.
    pub(crate) fn stage_times(&self) -> StageTimes {
        self.stage_times
    }
}

fn sigmoid(logit: f32) -> f32 {
    1.0 / (1.0 + (-logit).exp())
}

/// Moves a point to the middle of the heat around it; `heat` gives the logit of a cell by row and column. All
/// positions are fractions of the crop.
fn refine(heat: impl Fn(usize, usize) -> f32, [x, y]: [f32; 2]) -> [f32; 2] {
    // Cut toward zero, as the published code does: a point just outside still belongs to the edge.
    let cell = |v: f32| (v * MAP as f32).trunc();
    let (column, row) = (cell(x), cell(y));
    if !(0.0..MAP as f32).contains(&column) || !(0.0..MAP as f32).contains(&row) {
        return [x, y];
    }
    let (column, row) = (column as usize, row as usize);
    let span = |c: usize| c.saturating_sub(REACH)..(c + REACH + 1).min(MAP);
    let (mut sum, mut sum_x, mut sum_y, mut best) = (0.0f32, 0.0, 0.0, 0.0f32);
    for r in span(row) {
        for c in span(column) {
            let weight = sigmoid(heat(r, c));
            best = best.max(weight);
            sum += weight;
            sum_x += weight * c as f32;
            sum_y += weight * r as f32;
        }
    }
    if best < LEAST_HEAT || sum <= 0.0 {
        return [x, y];
    }
    [sum_x / sum / MAP as f32, sum_y / sum / MAP as f32]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clear_heat_map_draws_the_point_to_its_middle() {
        let mut heat = vec![-30.0; MAP * MAP];
        for (r, c) in [(20, 30), (20, 31), (21, 30), (21, 31)] {
            heat[r * MAP + c] = 9.0;
        }
        let [x, y] = refine(|r, c| heat[r * MAP + c], [29.5 / 64.0, 19.2 / 64.0]);
        assert!(
            (x * 64.0 - 30.5).abs() < 1e-3 && (y * 64.0 - 20.5).abs() < 1e-3,
            "{x} {y}"
        );
    }

    #[test]
    fn a_dull_heat_map_and_a_point_outside_change_nothing() {
        let heat = vec![-1.0; MAP * MAP];
        assert_eq!(refine(|r, c| heat[r * MAP + c], [0.3, 0.7]), [0.3, 0.7]);
        assert_eq!(refine(|r, c| heat[r * MAP + c], [1.3, 0.7]), [1.3, 0.7]);
        assert_eq!(refine(|r, c| heat[r * MAP + c], [-0.02, 0.7]), [-0.02, 0.7]);
    }
}
