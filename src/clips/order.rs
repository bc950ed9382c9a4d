//! What the two processes say to each other, as lines of JSON: one order in, news out.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::journal::{HitterId, NewPlan};

/// What the second cagehand is asked to read.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct ClipOrder {
    /// The video file.
    pub(crate) clip: PathBuf,
    /// The new journal that what was found goes into.
    pub(crate) found: PathBuf,
    /// The settings in force, as the text of a settings file.
    pub(crate) settings: String,
    /// Name and text of the plan in force.
    pub(crate) plan: Option<(String, String)>,
    /// The hitter's height, where it is known.
    pub(crate) height_cm: Option<f64>,
    /// How many times slower than life it plays; what the file says where that is `None`.
    pub(crate) slowed: Option<f64>,
    /// The journal that knows what is usual for the hitter, and their number in it.
    pub(crate) usual: Option<(PathBuf, i64)>,
}

impl ClipOrder {
    pub(crate) fn new_plan(&self) -> Option<NewPlan> {
        self.plan.clone().map(|(name, text)| NewPlan { name, text })
    }

    /// Whose usual values count, and where they are.
    pub(crate) fn usual(&self) -> Option<(PathBuf, HitterId)> {
        let (journal, hitter) = self.usual.as_ref()?;
        Some((journal.clone(), HitterId::new(*hitter)))
    }
}

/// What the second cagehand says of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ClipNews {
    /// How many of its frames were read, and how many there are where that is known.
    Frames { read: u64, of: Option<u64> },
    /// It was read to its end, or as far as it can be. Nothing comes after this.
    Read {
        /// Reps and movements that did not count.
        movements: u64,
        /// Whether a part of it is damaged.
        damaged: bool,
    },
    /// It was not read. Nothing comes after this.
    Failed(ClipFailure),
}

/// Why a clip gave no session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ClipFailure {
    /// No video, or one that cannot be read.
    Unreadable,
    /// The end of the file is missing.
    CutShort,
    /// A kind of video that needs a program which is not installed.
    NeedsFfmpeg,
    TooLong,
    /// It cannot have been slowed down so much.
    NotSlowed,
    NobodyFound,
    /// Nobody swung or strode.
    NoSwing,
    /// Whoever hits was deleted, merged or frozen meanwhile.
    HitterGone,
    /// The same clip was read before.
    ReadBefore,
    /// The journal does not take it now.
    NotStored,
    /// The second cagehand ended without a word; the log says more.
    Ended,
}
