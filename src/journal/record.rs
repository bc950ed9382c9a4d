//! The input of the journal: hitters, sessions and reps, before they have a number there.

use std::fmt;

use jiff::{SignedDuration, Timestamp};

use super::timeline::{TimelineError, encode_timeline};
use crate::coach::JudgedRep;
use crate::picture_size::PictureSize;
use crate::pose::{PoseFrame, shift_into_picture};
use crate::rep::{Bats, Measure, NotMeasured};
use crate::text_enum::text_enum;
use crate::time::CaptureTime;
use crate::wall_clock::now_to_the_millisecond;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),+) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl $name {
            /// From the number in the journal's `id` column.
            pub const fn new(id: i64) -> Self {
                Self(id)
            }

            /// The number in the journal's `id` column.
            pub(crate) const fn get(self) -> i64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    )+};
}

ids! {
    /// A hitter in the journal. Numbers are never reused, not even after a deletion.
    HitterId,
    /// A session in the journal.
    SessionId,
    /// A rep in the journal; not the rep's number in its session.
    RepId,
    /// A plan in the journal; each change of a plan makes a new one.
    PlanId,
    /// A coach's note.
    NoteId,
    /// A movement that was seen and not counted.
    NotCountedId
}

/// A hitter as the operator gives them. Everything is optional, the name too.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NewHitter {
    /// The name under which the hitter is found again; without one a new nameless hitter is made.
    pub name: Option<String>,
    /// The usual side, where known.
    pub bats: Option<Bats>,
    /// Body height in centimeters, where known.
    pub height_cm: Option<f64>,
}

text_enum! {
    /// Who said who hits.
    pub enum SaidBy {
        /// The settings file.
        Settings = "settings",
        /// Somebody at the page, "nobody named" too.
        Page = "page",
    }
}

/// A plan as it is written down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewPlan {
    /// What the coach calls it.
    pub name: String,
    /// The plan's own text.
    pub text: String,
}

/// The start of a session.
#[derive(Clone, Debug, PartialEq)]
pub struct NewSession {
    /// Who hits; `None` where nobody said so.
    pub hitter: Option<HitterId>,
    /// When it began, by the wall clock.
    pub started_at: Timestamp,
    /// What was watched: a camera's or a clip's name.
    pub source: String,
    /// The settings in force, as the text of a settings file; what could name somebody is not kept of it.
    pub settings: String,
    /// The program's version.
    pub program_version: String,
    /// The plan that it goes by, if any.
    pub plan: Option<NewPlan>,
    /// Who said who hits; `None` where nobody did.
    pub said_by: Option<SaidBy>,
}

/// A rep with all that the journal keeps of it.
#[derive(Clone, Debug, PartialEq)]
pub struct RepRecord {
    /// The rep, its bands and verdicts, and its cue.
    pub judged: JudgedRep,
    /// The landmarks from set to finish; may be empty, then no timeline is kept.
    pub(crate) frames: Vec<PoseFrame>,
    /// The size of the pictures that `frames` speak of.
    pub(crate) picture: PictureSize,
    /// When the rep ended, by the wall clock.
    pub(crate) logged_at: Timestamp,
}

impl RepRecord {
    /// A record of a rep that ended just now. `frames` are steadied; they are kept where the first of them lies in its own
    /// picture.
    pub fn new(judged: JudgedRep, mut frames: Vec<PoseFrame>, picture: PictureSize) -> Self {
        shift_into_picture(&mut frames);
        Self {
            judged,
            frames,
            picture,
            logged_at: now_to_the_millisecond(),
        }
    }

    /// The record without its landmarks.
    #[must_use]
    pub(crate) fn without_landmarks(self) -> Self {
        Self {
            frames: Vec::new(),
            ..self
        }
    }

    /// The record of a rep that ended so many seconds ago.
    #[must_use]
    pub(crate) fn ended_ago(mut self, secs: f64) -> Self {
        let ago = SignedDuration::from_millis((1e3 * secs) as i64);
        self.logged_at = self.logged_at.saturating_sub(ago).unwrap_or(self.logged_at);
        self
    }
}

/// A rep ready for its transaction: landmarks packed, so that many can wait in memory.
#[derive(Clone, Debug)]
pub(super) struct PackedRep {
    pub(super) judged: JudgedRep,
    pub(super) timeline: Option<PackedTimeline>,
    pub(super) logged_at: Timestamp,
}

/// The row of the `timelines` table.
#[derive(Clone, Debug)]
pub(super) struct PackedTimeline {
    pub(super) start: CaptureTime,
    pub(super) picture: PictureSize,
    pub(super) landmarks: Vec<u8>,
}

impl PackedRep {
    /// Packs the landmarks. If that fails the rep is stored without them: its figures matter more than its replay.
    pub(super) fn from_record(record: &RepRecord) -> Self {
        let timeline = pack_timeline(record).unwrap_or_else(|error| {
            tracing::warn!(rep = record.judged.number, %error, "rep is stored without its landmarks");
            None
        });
        Self {
            judged: record.judged.clone(),
            timeline,
            logged_at: record.logged_at,
        }
    }
}

fn pack_timeline(record: &RepRecord) -> Result<Option<PackedTimeline>, TimelineError> {
    let Some(first) = record.frames.first() else {
        return Ok(None);
    };
    let landmarks = encode_timeline(&record.frames)?;
    Ok(Some(PackedTimeline {
        start: first.captured_at,
        picture: record.picture,
        landmarks,
    }))
}

/// A measure as it can be stored.
///
/// Neither JSON nor the database can hold a value that is not a finite number; such a measure is recorded as not made.
pub(super) fn writable(measure: &Measure) -> Measure {
    match measure {
        Measure::Made {
            value,
            plus_minus,
            confidence,
        } if !(value.is_finite() && plus_minus.is_finite() && confidence.is_finite()) => {
            NotMeasured::NotANumber.into()
        }
        other => other.clone(),
    }
}

/// Frames a second as they can be stored; 0 where they are not known.
pub(super) fn writable_fps(fps: f64) -> f64 {
    if fps.is_finite() { fps } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::tests::judged;
    use crate::pose::{Body, CameraMotion, CameraPlace, ImagePoint};

    /// A rep and what is not counted are recorded alike: both are drawn over the picture of their first frame.
    #[test]
    fn what_a_moved_camera_saw_is_kept_where_its_first_picture_shows_it() {
        let moved = CameraPlace {
            dx_px: 30.0,
            dy_px: -12.0,
            ..CameraPlace::HOME
        };
        let mut body = Body::empty();
        body.image[0] = Some(ImagePoint {
            x_px: 430.0,
            y_px: 188.0,
            visibility: 0.9,
        });
        let mut frame = PoseFrame::new(7, CaptureTime::from_secs(1.0), Some(body));
        frame.camera = Some(CameraMotion::At(moved));
        let picture = PictureSize {
            width_px: 1280,
            height_px: 720,
        };
        let record = RepRecord::new(judged(1), vec![frame], picture);
        let kept = record.frames[0].body.as_ref().unwrap().image[0].unwrap();
        assert_eq!([kept.x_px, kept.y_px], [400.0, 200.0]);
    }
}
