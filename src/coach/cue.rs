//! Which cue belongs to which miss.

use super::verdict::Verdict;
use crate::rep::MeasureName;

/// Played when every cued measure is in its band.
pub(crate) const IN_BAND: &str = "in_band";

/// The cue for a measure that is out on this side; `None` for one that is in.
///
/// The id says what the hitter did, not what to do; the words are the sound library's.
pub(crate) fn cue_for(measure: MeasureName, verdict: Verdict) -> Option<&'static str> {
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
        WeightBack => ("weight_far_back", "weight_not_back"),
        WeightAtPlant => ("weight_hung_back", "weight_forward"),
        BackBeforeForward => ("weight_early", "weight_early"),
        FrontFootOpen => ("foot_closed", "foot_open"),
        TrunkHinge => ("posture_upright", "posture_bent"),
        TrunkHingeChange => ("posture_changed", "posture_changed"),
        Separation => ("separation_small", "separation_small"),
        Sequence => ("sequence_off", "sequence_off"),
        BalanceOffset => ("balance_lost", "balance_lost"),
        FinishHold => ("finish_short", "finish_short"),
        PlantAfterRelease => ("stride_early", "stride_late"),
        PlantToArrival => ("stride_late", "stride_early"),
        ContactToArrival => ("swing_early", "swing_late"),
        WeightKept => ("weight_hung_back", "weight_forward"),
    };
    match verdict {
        Verdict::In => None,
        Verdict::Low => Some(low),
        Verdict::High => Some(high),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn against_a_pitch_early_is_early_whichever_way_the_measure_counts() {
        use MeasureName::*;
        use Verdict::*;
        // A foot that is down soon after the release, or long before the ball comes, was early.
        for (measure, verdict, cue) in [
            (PlantAfterRelease, Low, "stride_early"),
            (PlantToArrival, High, "stride_early"),
            (PlantAfterRelease, High, "stride_late"),
            (PlantToArrival, Low, "stride_late"),
            (ContactToArrival, Low, "swing_early"),
            (ContactToArrival, High, "swing_late"),
            (WeightKept, High, "weight_forward"),
            (WeightKept, Low, "weight_hung_back"),
        ] {
            assert_eq!(cue_for(measure, verdict), Some(cue));
            assert_eq!(cue_for(measure, In), None);
        }
    }
}
