//! How long a look has taken.

use std::time::{Duration, Instant};

use crate::capture::FrameSource;
use crate::time::CaptureTime;

/// Of a recording its own time, so that a busy machine sees as much of it as any.
pub(super) enum LookClock {
    Wall(Instant),
    Clip {
        first: Option<CaptureTime>,
        secs: f64,
    },
}

impl LookClock {
    pub(super) fn of(source: &FrameSource) -> Self {
        match source.clip() {
            Some(_) => Self::Clip {
                first: None,
                secs: 0.0,
            },
            None => Self::Wall(Instant::now()),
        }
    }

    /// A frame came.
    pub(super) fn step(&mut self, at: CaptureTime) {
        if let Self::Clip { first, secs } = self {
            *secs = at.secs_since(*first.get_or_insert(at));
        }
    }

    pub(super) fn is_within(&self, time: Duration) -> bool {
        match self {
            Self::Wall(started) => started.elapsed() < time,
            Self::Clip { secs, .. } => *secs < time.as_secs_f64(),
        }
    }
}
