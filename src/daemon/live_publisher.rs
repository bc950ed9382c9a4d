//! Publishes what goes on to the screen in the cage.
//!
//! In: poses and judged reps from the rep stage. Out: a [`Live`] at once when a rep ends, and otherwise some times a second.

use std::sync::Arc;

use crate::coach::{CueWords, JudgedRep, Verdict};
use crate::picture_size::PictureSize;
use crate::pose::{LANDMARK_COUNT, PoseFrame};
use crate::rep::{Lengths, MeasureName, RepKind};
use crate::status::{Live, LiveFigure, LiveRep, LiveState, Preview};
use crate::time::CaptureTime;

use super::Training;

/// How many reps the trail holds.
const TRAIL: usize = 12;
/// The stick figure moves this often, seconds.
const FIGURE_EVERY: f64 = 0.08;
/// A landmark less sure than this is not drawn.
const DRAWN_FROM: f32 = 0.35;

/// What may be shown of a rep whose measures are worked on in this order.
fn live_rep(judged: &JudgedRep, focus: &[MeasureName], words: CueWords, units: Lengths) -> LiveRep {
    let quiet = judged.cue.is_none();
    let made = |name: &MeasureName| judged.rep.measures.get(name)?.value();
    let out = |name: &&MeasureName| {
        judged
            .verdicts
            .get(name)
            .is_some_and(|verdict| *verdict != Verdict::In)
    };
    let shown = focus
        .iter()
        .find(out)
        .or_else(|| focus.iter().find(|name| made(name).is_some()))
        .filter(|_| !quiet && judged.rep.kind == RepKind::Swing);
    LiveRep {
        number: judged.number,
        kind: judged.rep.kind,
        cue: judged.cue.as_ref().map(|cue| cue.id.clone()),
        words,
        measure: shown.map(|name| name.name()),
        value: shown.and_then(|name| Some(units.shown(name.unit(), made(name)?))),
        unit: shown.map_or("", |name| units.suffix(name.unit())),
        verdict: shown
            .and_then(|name| judged.verdicts.get(name))
            .map(|verdict| verdict.as_str()),
    }
}

/// The figure of a pose; `None` where nobody was found.
fn live_figure(pose: &PoseFrame, picture: PictureSize) -> Option<LiveFigure> {
    let body = pose.body.as_ref()?;
    let mut points = Vec::with_capacity(LANDMARK_COUNT);
    points.extend(body.image.iter().map(|point| {
        point
            .filter(|p| p.visibility >= DRAWN_FROM)
            .map(|p| [p.x_px.round() as i32, p.y_px.round() as i32])
    }));
    Some(LiveFigure {
        width: picture.width_px,
        height: picture.height_px,
        points,
    })
}

/// The figure of a pose, without points where nobody was found.
pub(super) fn figure_or_nobody(pose: &PoseFrame, picture: PictureSize) -> LiveFigure {
    live_figure(pose, picture).unwrap_or(LiveFigure {
        width: picture.width_px,
        height: picture.height_px,
        points: Vec::new(),
    })
}

/// Builds the live state and publishes it.
pub(super) struct LivePublisher {
    state: Arc<LiveState>,
    preview: Arc<Preview>,
    live: Live,
    figure_at: Option<CaptureTime>,
}

impl LivePublisher {
    pub(super) fn new(state: Arc<LiveState>, preview: Arc<Preview>) -> Self {
        Self {
            state,
            preview,
            live: Live::default(),
            figure_at: None,
        }
    }

    /// The figure of a frame, where one is due and a screen follows.
    pub(super) fn figure_due(
        &mut self,
        pose: &PoseFrame,
        picture: PictureSize,
    ) -> Option<Option<LiveFigure>> {
        let now = pose.captured_at;
        let waits = self
            .figure_at
            .is_some_and(|at| (0.0..FIGURE_EVERY).contains(&now.secs_since(at)));
        if waits || !self.state.has_viewers() {
            return None;
        }
        self.figure_at = Some(now);
        Some(live_figure(pose, picture))
    }

    /// Adds a rep to the trail and to the count of its kind. `focus` is what is worked on, the most important first.
    pub(super) fn add_rep(&mut self, judged: &JudgedRep, training: &Training) {
        match judged.rep.kind {
            RepKind::Swing => self.live.swings += 1,
            RepKind::Take => self.live.takes += 1,
        }
        self.live.rep_at_ms = crate::wall_clock::now().as_millisecond();
        if self.live.trail.len() == TRAIL {
            self.live.trail.pop_front();
        }
        let Training {
            cue_words, units, ..
        } = *training;
        let rep = live_rep(judged, training.trainer.focus(), cue_words, units);
        self.live.trail.push_back(rep);
    }

    /// Begins the trail of another session.
    pub(super) fn begin_session(&mut self) {
        self.live.trail.clear();
        self.live.swings = 0;
        self.live.takes = 0;
    }

    /// Changes the state and publishes it.
    pub(super) fn publish(&mut self, change: impl FnOnce(&mut Live)) {
        change(&mut self.live);
        self.live.pictured = self.preview.is_allowed();
        self.live.office_looks = self.state.office_looks();
        self.state.publish(Arc::new(self.live.clone()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::CueGiven;
    use crate::pose::{Body, ImagePoint, Landmark};

    fn pose(secs: f64) -> PoseFrame {
        let mut body = Body::empty();
        body.image[Landmark::Nose.index()] = Some(ImagePoint {
            x_px: 10.4,
            y_px: 20.6,
            visibility: 0.9,
        });
        body.image[Landmark::LeftHeel.index()] = Some(ImagePoint {
            x_px: 1.0,
            y_px: 2.0,
            visibility: 0.1,
        });
        PoseFrame::new(0, CaptureTime::from_secs(secs), Some(body))
    }

    #[test]
    fn the_figure_moves_some_times_a_second_and_only_where_somebody_looks() {
        let state = Arc::new(LiveState::default());
        let mut publisher = LivePublisher::new(Arc::clone(&state), Arc::default());
        let picture = PictureSize {
            width_px: 640,
            height_px: 480,
        };
        assert!(
            publisher.figure_due(&pose(0.0), picture).is_none(),
            "nobody looks"
        );
        let _screen = state.subscribe();
        let shown = (0..60)
            .filter(|frame| {
                publisher
                    .figure_due(&pose(f64::from(*frame) / 60.0), picture)
                    .is_some()
            })
            .count();
        assert_eq!(shown, 12);
        let figure = publisher.figure_due(&pose(9.0), picture).unwrap().unwrap();
        assert_eq!(figure.points[Landmark::Nose.index()], Some([10, 21]));
        assert_eq!(figure.points[Landmark::LeftHeel.index()], None, "unsure");
    }

    #[test]
    fn a_rep_that_the_hitter_heard_nothing_of_shows_no_number() {
        use crate::coach::judged_for_tests;
        let focus = [MeasureName::HeadToPlant, MeasureName::HeadDrop];
        let values = [
            (MeasureName::HeadToPlant, 3.0),
            (MeasureName::HeadDrop, 14.0),
        ];
        let mut judged = judged_for_tests(RepKind::Swing, 1.0, &values);
        judged.cue = Some(CueGiven {
            id: "head_dropped".into(),
            at: CaptureTime::from_secs(1.0),
            latency_ms: None,
        });
        let shown = live_rep(&judged, &focus, CueWords::Happened, Lengths::Metric);
        assert_eq!(
            (shown.measure, shown.value, shown.verdict, shown.unit),
            (Some("head_drop_cm"), Some(14.0), Some("high"), "cm")
        );
        judged.cue = None;
        let quiet = live_rep(&judged, &focus, CueWords::Happened, Lengths::Metric);
        assert_eq!(
            (quiet.measure, quiet.value, quiet.verdict),
            (None, None, None)
        );
    }
}
