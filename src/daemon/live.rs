//! What goes on now, for the screen in the cage: the last rep, a trail of those before, and a stick figure.
//!
//! In: poses and judged reps from the rep stage. Out: a [`Live`] that whoever watches the board is handed at once when a rep
//! ends, and otherwise some times a second. The newest state wins; a screen that is slow misses old ones, never the last.
//!
//! What the hitter is not to hear the screen does not show either: a rep that the plan keeps quiet is a dot in the trail
//! without word or number.

use std::collections::VecDeque;
use std::sync::Arc;

use serde::Serialize;
use tokio::sync::watch;

use super::picture::Pictures;
use crate::coach::{CueId, JudgedRep, Verdict};
use crate::picture_size::PictureSize;
use crate::pose::{LANDMARK_COUNT, PoseFrame};
use crate::rep::{MeasureName, RepKind};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// How many reps the trail holds.
const TRAIL: usize = 12;
/// The stick figure moves this often, seconds.
const FIGURE_EVERY: f64 = 0.08;
/// A landmark less sure than this is not drawn.
const DRAWN_FROM: f32 = 0.35;

/// A rep as the screen shows it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LiveRep {
    /// Its number in the session.
    pub number: u32,
    /// `swing` or `take`.
    pub kind: &'static str,
    /// What the hitter heard: a cue's id; `None` where they heard nothing.
    pub cue: Option<Recorded<CueId>>,
    /// The measure that the cue was about, or the first that is worked on.
    pub measure: Option<&'static str>,
    /// Its value.
    pub value: Option<f64>,
    /// Its unit as it stands behind the number.
    pub unit: &'static str,
    /// `in`, `low` or `high`.
    pub verdict: Option<&'static str>,
}

impl LiveRep {
    /// What may be shown of a rep whose measures are worked on in this order.
    pub fn of(judged: &JudgedRep, focus: &[MeasureName]) -> Self {
        let quiet = judged.cue.is_none();
        let made = |name: &MeasureName| judged.rep.measures.get(name)?.value();
        let out = |name: &&MeasureName| {
            judged
                .verdicts
                .get(name)
                .is_some_and(|verdict| *verdict != Verdict::In)
        };
        let told = focus
            .iter()
            .find(out)
            .or_else(|| focus.iter().find(|name| made(name).is_some()))
            .filter(|_| !quiet && judged.rep.kind == RepKind::Swing);
        Self {
            number: judged.number,
            kind: judged.rep.kind.name(),
            cue: judged.cue.as_ref().map(|cue| cue.id.clone()),
            measure: told.map(|name| name.name()),
            value: told.and_then(made),
            unit: told.map_or("", |name| name.unit().suffix()),
            verdict: told
                .and_then(|name| judged.verdicts.get(name))
                .map(|verdict| verdict.name()),
        }
    }
}

/// The hitter as points in the picture.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LiveFigure {
    /// Size of the picture, pixels.
    pub width: u32,
    /// Size of the picture, pixels.
    pub height: u32,
    /// The landmarks in the model's order, whole pixels; `None` for those not seen.
    pub points: Vec<Option<[i32; 2]>>,
}

impl LiveFigure {
    /// The same for a picture in which there may be nobody: then it has no points.
    pub(super) fn or_nobody(pose: &PoseFrame, picture: PictureSize) -> Self {
        Self::of(pose, picture).unwrap_or(Self {
            width: picture.width_px,
            height: picture.height_px,
            points: Vec::new(),
        })
    }

    fn of(pose: &PoseFrame, picture: PictureSize) -> Option<Self> {
        let body = pose.body.as_ref()?;
        let mut points = Vec::with_capacity(LANDMARK_COUNT);
        points.extend(body.image.iter().map(|point| {
            point
                .filter(|p| p.visibility >= DRAWN_FROM)
                .map(|p| [p.x_px.round() as i32, p.y_px.round() as i32])
        }));
        Some(Self {
            width: picture.width_px,
            height: picture.height_px,
            points,
        })
    }
}

/// What goes on now.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Live {
    /// Who hits, where they have a name.
    pub hitter: Option<String>,
    /// The plan in force.
    pub plan: Option<String>,
    /// Whether the camera has the hitter, as a word of [`crate::coach::ReadyState::name`].
    pub ready: &'static str,
    /// What the hitter is doing.
    pub phase: &'static str,
    /// Swings in this session.
    pub swings: u32,
    /// Takes in this session.
    pub takes: u32,
    /// Swings left in the set; `None` where it is open.
    pub to_go: Option<u32>,
    /// Whether a film of each rep is kept, which nobody in the cage may overlook.
    pub filmed: bool,
    /// Whether screens may show the camera's picture, which is to be said where it is shown.
    pub pictured: bool,
    /// When the last rep was put up, milliseconds since 1970 by the wall clock: the screen tells how late it shows it.
    pub rep_at_ms: i64,
    /// Whether the set rests now.
    pub resting: bool,
    /// Whether the set is over.
    pub over: bool,
    /// The last reps, the newest last.
    pub trail: VecDeque<LiveRep>,
    /// The hitter now.
    pub figure: Option<LiveFigure>,
}

/// Where what goes on now is put up.
pub(crate) type LiveBoard = watch::Sender<Arc<Live>>;

/// Puts up what goes on.
pub(super) struct LiveFeed {
    board: Arc<LiveBoard>,
    pictures: Arc<Pictures>,
    live: Live,
    figure_at: Option<CaptureTime>,
}

impl LiveFeed {
    pub(super) fn new(board: Arc<LiveBoard>, pictures: Arc<Pictures>) -> Self {
        Self {
            board,
            pictures,
            live: Live::default(),
            figure_at: None,
        }
    }

    /// The figure of a frame, where one is due and somebody looks.
    pub(super) fn figure_due(
        &mut self,
        pose: &PoseFrame,
        picture: PictureSize,
    ) -> Option<Option<LiveFigure>> {
        let now = pose.captured_at;
        let waits = self
            .figure_at
            .is_some_and(|at| (0.0..FIGURE_EVERY).contains(&now.secs_since(at)));
        if waits || self.board.receiver_count() == 0 {
            return None;
        }
        self.figure_at = Some(now);
        Some(LiveFigure::of(pose, picture))
    }

    /// Adds a rep to the trail and to the count of its kind.
    pub(super) fn rep(&mut self, rep: LiveRep, kind: RepKind) {
        match kind {
            RepKind::Swing => self.live.swings += 1,
            RepKind::Take => self.live.takes += 1,
        }
        self.live.rep_at_ms = jiff::Timestamp::now().as_millisecond();
        if self.live.trail.len() == TRAIL {
            self.live.trail.pop_front();
        }
        self.live.trail.push_back(rep);
    }

    /// Begins the trail of another session.
    pub(super) fn begin_session(&mut self) {
        self.live.trail.clear();
        self.live.swings = 0;
        self.live.takes = 0;
    }

    /// Brings the state up to date and puts it up.
    pub(super) fn put_up(&mut self, change: impl FnOnce(&mut Live)) {
        change(&mut self.live);
        self.live.pictured = self.pictures.are_allowed();
        self.board.send_replace(Arc::new(self.live.clone()));
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
        PoseFrame {
            index: 0,
            captured_at: CaptureTime::from_secs(secs),
            body: Some(body),
        }
    }

    #[test]
    fn the_figure_moves_some_times_a_second_and_only_where_somebody_looks() {
        let board = Arc::new(LiveBoard::default());
        let mut feed = LiveFeed::new(Arc::clone(&board), Arc::default());
        let picture = PictureSize {
            width_px: 640,
            height_px: 480,
        };
        assert!(
            feed.figure_due(&pose(0.0), picture).is_none(),
            "nobody looks"
        );
        let _screen = board.subscribe();
        let shown = (0..60)
            .filter(|frame| {
                feed.figure_due(&pose(f64::from(*frame) / 60.0), picture)
                    .is_some()
            })
            .count();
        assert_eq!(shown, 12);
        let figure = feed.figure_due(&pose(9.0), picture).unwrap().unwrap();
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
        let shown = LiveRep::of(&judged, &focus);
        assert_eq!(
            (shown.measure, shown.value, shown.verdict, shown.unit),
            (Some("head_drop_cm"), Some(14.0), Some("high"), "cm")
        );
        judged.cue = None;
        let quiet = LiveRep::of(&judged, &focus);
        assert_eq!(
            (quiet.measure, quiet.value, quiet.verdict),
            (None, None, None)
        );
    }
}
