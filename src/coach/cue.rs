//! Which cue belongs to which miss.

use super::verdict::Verdict;
use crate::rep::MeasureName;

/// Played when every cued measure is in its band.
pub const IN_BAND: &str = "in_band";

/// The cue for a measure that is out on this side; `None` for one that is in.
///
/// The id says what the hitter did, not what to do; the words are the sound library's.
pub fn cue_for(measure: MeasureName, verdict: Verdict) -> Option<&'static str> {
    use MeasureName::*;
    let (low, high) = match measure {
        HeadToPlant => ("head_back", "head_forward"),
        HeadToContact => ("head_back_in_swing", "head_forward_in_swing"),
        HeadDrop => ("head_rose", "head_dropped"),
        HeadBetweenFeet => ("over_back_foot", "over_front_foot"),
        StrideLength | StrideLengthOfHeight => ("stride_short", "stride_long"),
        GatherToPlant => ("load_late", "load_slow"),
        LiftToPlant => ("stride_hurried", "stride_slow"),
        PlantToContact => ("foot_down_late", "foot_down_early"),
        HandsBack => ("hands_late", "hands_far"),
    };
    match verdict {
        Verdict::In => None,
        Verdict::Low => Some(low),
        Verdict::High => Some(high),
    }
}
