//! Which rate and pose model are in use, and why.

use std::fmt;

use crate::pose::Model;

/// A rate of the source, and the pose model that its frames go through.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct RateAndModel {
    /// Frames a second.
    pub fps: f64,
    /// The model.
    pub model: Model,
}

impl fmt::Display for RateAndModel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (model, fps) = (self.model.name(), self.fps);
        write!(f, "{model} model at {fps:.0} frames a second")
    }
}

/// What a frame takes on this machine, and what it may take so that none is dropped; milliseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Timed {
    /// The pair that was timed.
    pub pair: RateAndModel,
    /// What it takes.
    pub frame_ms: f64,
    /// What is free.
    pub free_ms: f64,
}

impl Timed {
    /// Whether no frame is dropped.
    pub(crate) fn holds(&self) -> bool {
        self.frame_ms <= self.free_ms
    }
}

/// Why a rate and a pose model are in use.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum ModelReason {
    /// The settings name the model, and there is one rate.
    Configured(Model),
    /// The truest that keeps up; it may be too slow as well where all of them are.
    KeepsUp {
        /// What is in use.
        now: Timed,
        /// The truest of those that are too slow, if there is one.
        too_slow: Option<Timed>,
    },
    /// Frames were dropped in the run, so a lighter pair took over.
    Dropped {
        /// What dropped them.
        from: RateAndModel,
        /// Its share of dropped frames, percent.
        dropped_pct: f64,
        /// What took over.
        to: RateAndModel,
    },
    /// The machine has had time to spare for long, so the pair before is tried again.
    TriedAgain(RateAndModel),
}

impl fmt::Display for ModelReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Configured(model) => write!(f, "{} model, as set.", model.name()),
            Self::KeepsUp { now, too_slow } => {
                let Timed {
                    pair,
                    frame_ms,
                    free_ms,
                } = now;
                write!(
                    f,
                    "{pair}: it takes {frame_ms:.1} ms a frame here, {free_ms:.1} ms are free."
                )?;
                if !now.holds() {
                    return f.write_str(" It has no time to spare: frames may be dropped.");
                }
                match too_slow {
                    Some(Timed {
                        pair,
                        frame_ms,
                        free_ms,
                    }) => write!(
                        f,
                        " The {pair} would take {frame_ms:.1} ms, with {free_ms:.1} ms free."
                    ),
                    None => Ok(()),
                }
            }
            Self::Dropped {
                from,
                dropped_pct,
                to,
            } => write!(
                f,
                "{to}: the {from} did not keep up, {dropped_pct:.0} % of its frames were dropped."
            ),
            Self::TriedAgain(pair) => {
                write!(f, "{pair}: tried again, the machine has time to spare.")
            }
        }
    }
}
