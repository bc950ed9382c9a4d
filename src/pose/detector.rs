//! Finds people in a whole frame: the detector network, its anchors, and the suppression of overlapping boxes.
//!
//! In: a frame. Out: the people in it, each with the crop for the landmark model. All constants are the published
//! pipeline's; `models/README.md` has them with their source.

use super::crop::{Border, crop};
use super::roi::Roi;
use crate::capture::Frame;
use cagehand_networks::WorkerPool;
use cagehand_networks::{InferenceError, Network};
use std::sync::Arc;

/// Side of the network's input.
const INPUT: usize = 224;
/// Anchor boxes of the network.
const ANCHORS: usize = 2254;
/// Values of a box: center, size, four key points.
const BOX: usize = 12;
/// Least probability of a person.
const LEAST_SCORE: f32 = 0.5;
/// Boxes that overlap by more than this (intersection over union) are one person.
const SAME_PERSON: f32 = 0.3;

/// A person in the frame, by the detector alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Detection {
    /// Probability, 0 to 1.
    pub score: f32,
    /// Between the hips, pixels.
    pub hips_px: [f32; 2],
    /// On the circle around the whole body, toward the head, pixels.
    pub rim_px: [f32; 2],
}

impl Detection {
    /// The crop for the landmark model.
    pub(crate) fn roi(&self) -> Option<Roi> {
        Roi::around(self.hips_px, self.rim_px)
    }
}

/// The detector network.
pub(crate) struct Detector {
    network: Network,
    pool: Arc<WorkerPool>,
    anchors: Vec<[f32; 2]>,
}

impl Detector {
    /// Loads the network from an ONNX file's bytes, to run on this pool.
    ///
    /// # Errors
    /// Where the bytes are not the detector.
    pub(crate) fn new(onnx: &[u8], pool: &Arc<WorkerPool>) -> Result<Self, InferenceError> {
        let network = Network::from_bytes("pose_detection", onnx, [INPUT, INPUT, 3], &[], pool)?;
        Ok(Self {
            network,
            pool: Arc::clone(pool),
            anchors: anchors(),
        })
    }

    /// The people in the frame, likeliest first.
    ///
    /// # Errors
    /// Where the network fails.
    pub(crate) fn detect(&mut self, frame: &Frame) -> Result<Vec<Detection>, InferenceError> {
        let square = Roi::whole_frame(frame.width, frame.height);
        let outputs = self.network.run(|pixels| {
            crop(
                frame,
                &square,
                INPUT,
                Border::Black,
                (-1.0, 1.0),
                pixels,
                &self.pool,
            );
        })?;
        let boxes = outputs.get("boxes", ANCHORS * BOX)?;
        let scores = outputs.get("scores", ANCHORS)?;
        let found = decode(boxes, scores, &self.anchors);
        Ok(suppress(found)
            .into_iter()
            .map(|person| Detection {
                score: person.score,
                hips_px: square.image_from_roi(person.points[0], person.points[1]),
                rim_px: square.image_from_roi(person.points[2], person.points[3]),
            })
            .collect())
    }
}

/// Centers of the anchors, as fractions of the input square: two a cell for each of the layers with strides 8, 16, 32,
/// 32, 32, where layers of one stride share a grid.
fn anchors() -> Vec<[f32; 2]> {
    let mut centers = Vec::with_capacity(ANCHORS);
    for (stride, per_cell) in [(8, 2), (16, 2), (32, 6)] {
        let cells = INPUT / stride;
        for row in 0..cells {
            for column in 0..cells {
                let center = [
                    (column as f32 + 0.5) / cells as f32,
                    (row as f32 + 0.5) / cells as f32,
                ];
                centers.extend(std::iter::repeat_n(center, per_cell));
            }
        }
    }
    centers
}

/// A candidate in fractions of the input square.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Candidate {
    score: f32,
    corners: [f32; 4],
    points: [f32; 4],
}

fn decode(boxes: &[f32], scores: &[f32], anchors: &[[f32; 2]]) -> Vec<Candidate> {
    let scale = 1.0 / INPUT as f32;
    boxes
        .chunks_exact(BOX)
        .zip(scores)
        .zip(anchors)
        .filter_map(|((b, logit), anchor)| {
            let score = 1.0 / (1.0 + (-logit.clamp(-100.0, 100.0)).exp());
            let [x, y] = [b[0] * scale + anchor[0], b[1] * scale + anchor[1]];
            let [w, h] = [b[2] * scale, b[3] * scale];
            (score >= LEAST_SCORE && w >= 0.0 && h >= 0.0).then(|| Candidate {
                score,
                corners: [x - w / 2.0, y - h / 2.0, x + w / 2.0, y + h / 2.0],
                points: [0, 1, 2, 3].map(|k| b[4 + k] * scale + anchor[k % 2]),
            })
        })
        .collect()
}

/// Weighted suppression: boxes that overlap the best one are averaged into it by their scores.
fn suppress(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut people = Vec::new();
    while let Some(best) = candidates.first().copied() {
        let (same, rest): (Vec<_>, Vec<_>) = candidates
            .into_iter()
            .partition(|c| overlap(&best.corners, &c.corners) > SAME_PERSON);
        let Some(total) = Some(same.iter().map(|c| c.score).sum::<f32>()).filter(|t| *t > 0.0)
        else {
            // A box with no area does not overlap even itself.
            candidates = rest.into_iter().filter(|c| *c != best).collect();
            continue;
        };
        let mean = |get: fn(&Candidate) -> &[f32; 4]| {
            [0, 1, 2, 3].map(|k| same.iter().map(|c| get(c)[k] * c.score).sum::<f32>() / total)
        };
        people.push(Candidate {
            score: best.score,
            corners: mean(|c| &c.corners),
            points: mean(|c| &c.points),
        });
        candidates = rest;
    }
    people
}

fn overlap(a: &[f32; 4], b: &[f32; 4]) -> f32 {
    let area = |r: &[f32; 4]| (r[2] - r[0]).max(0.0) * (r[3] - r[1]).max(0.0);
    let shared = [
        a[0].max(b[0]),
        a[1].max(b[1]),
        a[2].min(b[2]),
        a[3].min(b[3]),
    ];
    let common = area(&shared);
    let union = area(a) + area(b) - common;
    if union > 0.0 { common / union } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_anchors_are_as_many_as_the_network_has() {
        let all = anchors();
        assert_eq!(all.len(), ANCHORS);
        assert_eq!(all[0], [0.5 / 28.0, 0.5 / 28.0]);
        assert_eq!(all[ANCHORS - 1], [6.5 / 7.0, 6.5 / 7.0]);
    }

    #[test]
    fn overlapping_boxes_become_one_weighted_by_score() {
        let candidate = |score, x: f32| Candidate {
            score,
            corners: [x, 0.0, x + 1.0, 1.0],
            points: [x; 4],
        };
        let people = suppress(vec![
            candidate(0.6, 0.2),
            candidate(0.9, 0.0),
            candidate(0.7, 5.0),
        ]);
        assert_eq!(people.len(), 2);
        assert_eq!(people[0].score, 0.9);
        assert!((people[0].points[0] - 0.2 * 0.6 / 1.5).abs() < 1e-6);
        assert_eq!(people[1].points[0], 5.0);
    }

    #[test]
    fn a_box_without_area_ends_the_search_all_the_same() {
        let flat = Candidate {
            score: 0.9,
            corners: [0.1; 4],
            points: [0.0; 4],
        };
        assert!(suppress(vec![flat, flat]).is_empty());
    }
}
