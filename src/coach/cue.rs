//! The cues, and which one follows which miss.

use super::verdict::Verdict;
use crate::rep::MeasureName;
use crate::text_enum::text_enum;

text_enum! {
    /// What a hitter hears by itself: after a rep, that it was in band or what they did wrong; between reps, a remark
    /// on what the camera sees.
    ///
    /// An id says what the hitter did, not what to do; the words are the sound library's.
    #[allow(missing_docs, reason = "the ids say it")]
    pub enum CueId {
        /// Every cued measure is in its band; a tone without words.
        InBand = "in_band",
        HeadBack = "head_back",
        HeadForward = "head_forward",
        HeadBackInSwing = "head_back_in_swing",
        HeadForwardInSwing = "head_forward_in_swing",
        HeadRose = "head_rose",
        HeadDropped = "head_dropped",
        OverBackFoot = "over_back_foot",
        OverFrontFoot = "over_front_foot",
        StrideShort = "stride_short",
        StrideLong = "stride_long",
        LoadLate = "load_late",
        LoadSlow = "load_slow",
        StrideHurried = "stride_hurried",
        StrideSlow = "stride_slow",
        FootDownLate = "foot_down_late",
        FootDownEarly = "foot_down_early",
        HandsLate = "hands_late",
        HandsFar = "hands_far",
        WeightFarBack = "weight_far_back",
        WeightNotBack = "weight_not_back",
        WeightHungBack = "weight_hung_back",
        WeightForward = "weight_forward",
        WeightEarly = "weight_early",
        FootClosed = "foot_closed",
        FootOpen = "foot_open",
        PostureUpright = "posture_upright",
        PostureBent = "posture_bent",
        PostureChanged = "posture_changed",
        SeparationSmall = "separation_small",
        SequenceOff = "sequence_off",
        BalanceLost = "balance_lost",
        FinishShort = "finish_short",
        StrideEarly = "stride_early",
        StrideLate = "stride_late",
        SwingEarly = "swing_early",
        SwingLate = "swing_late",
        BarrelDown = "barrel_down",
        BarrelUphill = "barrel_uphill",
        HandsLooped = "hands_looped",
        /// Remark: the camera has the hitter set.
        Ready = "ready",
        /// Remark: nobody is in the picture.
        NotInView = "not_in_view",
        /// Remark: the feet are cut off.
        FeetHidden = "feet_hidden",
        /// Remark: the picture is too dark.
        TooDark = "too_dark",
    }
}

text_enum! {
    /// Which words a cue has. As in plans.
    #[derive(Default)]
    pub enum CueWords {
        /// What the hitter did: `head drifted forward`.
        #[default]
        Happened = "what happened",
        /// What to do instead: `stride under your head`.
        ToDo = "what to do",
    }
}

/// Whether a measure can be cued. One that is known only after the cue can be judged and logged, but not cued, and of those of the
/// bat and of the trunk's turn most are too uncertain to say anything of one swing, and are told on the page alone.
pub(crate) fn can_be_cued(measure: MeasureName) -> bool {
    use MeasureName::*;
    !matches!(
        measure,
        FinishHold
            | Coil
            | PelvisAtPlant
            | PelvisAtContact
            | ShouldersAtPlant
            | ShouldersAtContact
            | SeparationMax
            | SeparationMaxBefore
            | BarrelAtPlant
            | Attack
            | BatSpeed
            | KnobAtPlant
            | OnPlaneTime
            | OnPlaneLength
            | OnPlaneBefore
            | BarrelLag
            | PathShape
    )
}

/// The cue for a measure that is out on this side; `None` for one that is in.
pub(crate) fn cue_for(measure: MeasureName, verdict: Verdict) -> Option<CueId> {
    use MeasureName::*;
    let (low, high) = match measure {
        // More than a coach asks for is no fault that a cue could name.
        Separation if verdict == Verdict::High => return None,
        Separation => (CueId::SeparationSmall, CueId::SeparationSmall),
        HeadToPlant => (CueId::HeadBack, CueId::HeadForward),
        HeadToContact => (CueId::HeadBackInSwing, CueId::HeadForwardInSwing),
        HeadDrop => (CueId::HeadRose, CueId::HeadDropped),
        HeadBetweenFeet => (CueId::OverBackFoot, CueId::OverFrontFoot),
        StrideLength | StrideLengthOfHeight => (CueId::StrideShort, CueId::StrideLong),
        GatherToPlant => (CueId::LoadLate, CueId::LoadSlow),
        LiftToPlant => (CueId::StrideHurried, CueId::StrideSlow),
        PlantToContact => (CueId::FootDownLate, CueId::FootDownEarly),
        HandsBack => (CueId::HandsLate, CueId::HandsFar),
        WeightBack => (CueId::WeightFarBack, CueId::WeightNotBack),
        WeightAtPlant => (CueId::WeightHungBack, CueId::WeightForward),
        BackBeforeForward => (CueId::WeightEarly, CueId::WeightEarly),
        FrontFootOpen => (CueId::FootClosed, CueId::FootOpen),
        TrunkHinge => (CueId::PostureUpright, CueId::PostureBent),
        TrunkHingeChange => (CueId::PostureChanged, CueId::PostureChanged),
        Sequence => (CueId::SequenceOff, CueId::SequenceOff),
        BalanceOffset => (CueId::BalanceLost, CueId::BalanceLost),
        FinishHold => (CueId::FinishShort, CueId::FinishShort),
        PlantAfterRelease => (CueId::StrideEarly, CueId::StrideLate),
        PlantToArrival => (CueId::StrideLate, CueId::StrideEarly),
        ContactToArrival => (CueId::SwingEarly, CueId::SwingLate),
        WeightKept => (CueId::WeightHungBack, CueId::WeightForward),
        AttackToPitch => (CueId::BarrelDown, CueId::BarrelUphill),
        HandsLoop => (CueId::HandsLooped, CueId::HandsLooped),
        Coil | PelvisAtPlant | PelvisAtContact | ShouldersAtPlant | ShouldersAtContact
        | SeparationMax | SeparationMaxBefore | BarrelAtPlant | Attack | BatSpeed | KnobAtPlant
        | OnPlaneTime | OnPlaneLength | OnPlaneBefore | BarrelLag | PathShape => return None,
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
            (PlantAfterRelease, Low, CueId::StrideEarly),
            (PlantToArrival, High, CueId::StrideEarly),
            (PlantAfterRelease, High, CueId::StrideLate),
            (PlantToArrival, Low, CueId::StrideLate),
            (ContactToArrival, Low, CueId::SwingEarly),
            (ContactToArrival, High, CueId::SwingLate),
            (WeightKept, High, CueId::WeightForward),
            (WeightKept, Low, CueId::WeightHungBack),
        ] {
            assert_eq!(cue_for(measure, verdict), Some(cue));
            assert_eq!(cue_for(measure, In), None);
        }
    }
}
