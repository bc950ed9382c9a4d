//! A rep with its verdicts and with what the hitter heard of it.

use std::collections::BTreeMap;

use super::band::AbsoluteBands;
use super::cue::CueId;
use super::quiet::QuietReason;
use super::verdict::Verdict;
use crate::rep::{Corrected, Measure, MeasureName, Rep, RepKind};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// A cue that was decided on.
#[derive(Clone, Debug, PartialEq)]
pub struct CueGiven {
    /// Which cue.
    pub(crate) id: Recorded<CueId>,
    /// When it was decided, in capture time.
    pub(crate) at: CaptureTime,
    /// From the decision to the first sample at the device, where a device played it.
    pub(crate) latency_ms: Option<f64>,
}

/// A rep with its verdicts and its cue: what the journal keeps.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedRep {
    /// The rep's number in its session, from 1.
    pub number: u32,
    /// The rep itself.
    pub rep: Rep,
    /// The bands in force for it, resolved for this hitter. A band that still waits for a baseline is left out.
    pub(crate) bands: AbsoluteBands,
    /// A verdict for each measure that has a value and one of these bands.
    pub(crate) verdicts: BTreeMap<MeasureName, Verdict>,
    /// What the hitter heard, if anything.
    pub cue: Option<CueGiven>,
    /// Why the hitter heard nothing; `None` where there is a cue, or in journals that do not say.
    pub(crate) no_cue: Option<Recorded<QuietReason>>,
    /// The pitch that was played for this rep, if one was.
    pub(crate) pitch: Option<PitchPlayed>,
}

impl JudgedRep {
    /// The rep with events and measures that a person corrected, judged by the bands that were in force for it. What the
    /// hitter heard stays.
    #[must_use]
    pub fn corrected(&self, corrected: Corrected) -> Self {
        let verdicts = verdicts(&self.bands, &corrected.measures);
        Self {
            rep: Rep {
                events: corrected.events,
                measures: corrected.measures,
                ..self.rep.clone()
            },
            verdicts,
            ..self.clone()
        }
    }
}

/// How a rep was judged by the measures that are cued.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum JudgedAs {
    /// Every one of them that could be judged is in its band.
    In,
    /// At least one is out.
    Out,
    /// It was a stride without a swing.
    Take,
    /// None of them could be measured.
    NotMeasured,
    /// None of them has a resolved band: none was set, or it waits for a baseline.
    NoBand,
    /// No measure is to be cued.
    NoOrder,
}

impl JudgedAs {
    /// How a rep was judged by these measures, in any order.
    pub fn of(judged: &JudgedRep, cued: &[MeasureName]) -> Self {
        if judged.rep.kind == RepKind::Take {
            return JudgedAs::Take;
        }
        if cued.is_empty() {
            return JudgedAs::NoOrder;
        }
        let verdicts = || cued.iter().filter_map(|name| judged.verdicts.get(name));
        if verdicts().any(|verdict| *verdict != Verdict::In) {
            JudgedAs::Out
        } else if verdicts().next().is_some() {
            JudgedAs::In
        } else if cued.iter().any(|name| judged.bands.contains_key(name)) {
            JudgedAs::NotMeasured
        } else {
            JudgedAs::NoBand
        }
    }
}

/// The verdict on each measure that has a value and a band.
pub(super) fn verdicts(
    bands: &AbsoluteBands,
    measures: &BTreeMap<MeasureName, Measure>,
) -> BTreeMap<MeasureName, Verdict> {
    measures
        .iter()
        .filter_map(|(name, measure)| {
            let band = bands.get(name)?;
            Some((*name, band.judge(measure.value()?)))
        })
        .collect()
}

/// A pitch that was played as sound, with its times as the hitter heard them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PitchPlayed {
    /// Speed at release, kilometers an hour.
    pub(crate) speed_kmh: f64,
    /// When the ball left the hand, in capture time.
    pub(crate) release: CaptureTime,
    /// When the ball reached the plate, in capture time.
    pub(crate) arrival: CaptureTime,
}
