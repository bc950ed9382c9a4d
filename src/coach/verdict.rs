//! What the coach's bands say about a rep, and what the hitter was told.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::band::AbsoluteBands;
use super::cue::CueId;
use super::schedule::QuietReason;
use crate::rep::{Corrected, Measure, MeasureName, Rep};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// How a measure stands against its band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the band, its ends included.
    In,
    /// Below the band.
    Low,
    /// Above the band.
    High,
}

impl Verdict {
    /// The word used in logs.
    pub const fn name(self) -> &'static str {
        match self {
            Verdict::In => "in",
            Verdict::Low => "low",
            Verdict::High => "high",
        }
    }

    /// The verdict of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Verdict::In, Verdict::Low, Verdict::High]
            .into_iter()
            .find(|v| v.name() == name)
    }
}

/// A cue that was decided on.
#[derive(Clone, Debug, PartialEq)]
pub struct CueGiven {
    /// Which cue.
    pub id: Recorded<CueId>,
    /// When it was decided, in capture time.
    pub at: CaptureTime,
    /// From the decision to the first sample at the device, where a device played it.
    pub latency_ms: Option<f64>,
}

/// A rep with its verdicts and its cue: what the journal keeps.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedRep {
    /// The rep's number in its session, from 1.
    pub number: u32,
    /// The rep itself.
    pub rep: Rep,
    /// The bands in force for it, their ends worked out for this hitter. A band that still waits for the hitter's
    /// usual value is left out.
    pub bands: AbsoluteBands,
    /// A verdict for each measure that was made and has one of these bands.
    pub verdicts: BTreeMap<MeasureName, Verdict>,
    /// What the hitter heard, if anything.
    pub cue: Option<CueGiven>,
    /// Why the hitter heard nothing, where that is so.
    pub no_cue: Option<Recorded<QuietReason>>,
    /// The pitch that was played for this rep, if one was.
    pub pitch: Option<PitchPlayed>,
}

impl JudgedRep {
    /// The rep with events and measures that a person corrected, judged by the bands that were in force for it. What the
    /// hitter heard stays what they heard.
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

/// The verdict on each measure that was made and has a band.
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
    /// Speed at release, kilometres an hour.
    pub speed_kmh: f64,
    /// When the ball left the hand, in capture time.
    pub release: CaptureTime,
    /// When the ball reached the plate, in capture time.
    pub arrival: CaptureTime,
}
