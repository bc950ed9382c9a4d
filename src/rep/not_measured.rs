//! Why a measure could not be made.
//!
//! The words are part of the file formats: the rep log, the journal and its exports keep them as they stand here. What a
//! person reads on a page or hears is put into words there, in the reader's language.

use crate::text_enum::text_enum;

text_enum! {
    /// Why a measure could not be made.
    pub enum NotMeasured {
        /// The measure reaches beyond plant, and the rep is a take.
        NoSwing = "no swing followed",
        /// The camera stands on the line to the pitcher, where lengths along it do not show.
        SideNeeded = "needs the camera at the hitter's side",
        /// The camera stands where the measure does not show.
        OpenSideNeeded = "needs the camera at the open side",
        /// The poses have no metric landmarks.
        NoMetricLandmarks = "needs metric landmarks",
        /// The poses lack a heel or toe of the front foot.
        NoHeelAndToe = "the poses have no heel and toe",
        /// Of earlier versions, whose sequence began with it: the poses lack the back heel.
        NoHeels = "the poses have no heels",
        /// The camera moved, and the still parts of the picture do not show by how much, or not well enough.
        CameraMoved = "the camera moved",
        /// No body was found at the time.
        OutOfSight = "the hitter was out of sight",
        /// The landmarks behind it were seen too badly.
        PartHidden = "the body part was hidden",
        /// The same for the balance, which needs all of these.
        HeadOrTrunkHidden = "the head or trunk was hidden",
        /// The wrists are too far apart for both to hold the bat.
        WristsApart = "the wrists were not seen together on the bat",
        /// Too few frames about the moment show the bat.
        BatNotSeen = "the bat was not seen in enough frames",
        /// Single frames show the bat where one that turns about the hands cannot be.
        BatReadingsDisagree = "the frames do not agree on where the bat was",
        /// The bat's direction in the picture says little where it points at the camera or away from it.
        BatAtLens = "the bat pointed along the camera's line of sight",
        /// The value would be more uncertain than it is of use.
        BatTooUnsure = "the bat's path was too uncertain",
        /// No shape of the barrel's way is likely enough.
        PathShapeUnclear = "the shape of the path is not clear enough",
        /// The bat turns too far between two frames.
        FramesTooFar = "needs 60 frames a second",
        /// The base is too short to measure on.
        FeetTooClose = "the feet are too close together in the picture",
        /// The rest before the gather is not in the recording.
        SetNotShown = "the recording does not show the hitter set",
        /// The set position shows where the camera stands, and it is not in the recording.
        CameraAngleNotShown = "the hitter was not seen set, which shows the camera's angle",
        /// No gather was found.
        GatherNotSeen = "the gather was not seen",
        /// No lift-off was found.
        LiftOffNotSeen = "the front foot was not seen to lift",
        /// No plant was found.
        PlantNotSeen = "the front foot was not seen to come down",
        /// No contact was found.
        ContactNotSeen = "contact was not seen",
        /// No finish was found.
        FinishNotSeen = "the finish was not seen",
        /// The time between two events would be negative.
        EventOrderUnclear = "the order of the events is not clear",
        /// The time asked for is not in the recording.
        MomentNotShown = "the recording does not show that moment",
        /// There is no picture of what follows contact.
        EndsInSwing = "the recording ends in the swing",
        /// There is no picture of what follows the finish.
        EndsWithFinish = "the recording ends with the finish",
        /// The hitter still holds the finish in the last picture.
        EndsInHold = "the recording ends while the finish is held",
        /// Too few frames about the moment show the turn.
        TurnNotSeen = "the turn of hips and shoulders was not seen in enough frames",
        /// The turn would be more uncertain than it is of use.
        TurnTooUnsure = "the turn of hips and shoulders was too uncertain",
        /// The pelvis is ahead by nearly as much over a long time.
        TopTooFlat = "the hips stayed about that far ahead for too long to say when it was most",
        /// Of earlier versions, which read no turns: how the hips turn against the shoulders lies in depth.
        TurnNotShown = "one camera does not show how hips and shoulders turn against each other",
        /// The foot's length in the picture does not fit the slope of the ground.
        FootNotFlat = "the front foot does not look flat on the ground from here",
        /// The trunk looks longer than this hitter's can be.
        TrunkLengthOff = "the trunk's length does not fit the hitter's height",
        /// The lite model makes every trunk some 11 degrees too upright, by 4 to 20 on rendered hitters.
        LiteModelHinge = "the lite model does not show how far the trunk bends; the full one does",
        /// A part of the sequence never reached its least speed, or was fastest where nobody looks.
        PartDidNotFire = "a part was not seen to fire",
        /// The first and the last part fire within what the landmarks' noise moves their times by.
        FiredTooClose = "the parts fire too close together to tell their order",
        /// The pitcher was off.
        NoPitch = "no pitch was played",
        /// The last pitch was played too long before or after this rep.
        PitchOfAnotherSwing = "no pitch belongs to this swing",
        /// The pitch was played, and neither its level nor its line was kept.
        PitchLineUnknown = "how the pitch came in was not kept",
        /// Contact came before the last moment at which a swing at the pitch can begin.
        SwingOverEarly = "the swing was over before it had to begin",
        /// The film was slowed down, so that its times are not those of life.
        SlowMotion = "the film runs slower than life, by how much is not known",
        /// The value or its spread is infinite or no number.
        NotANumber = "the value is not a number",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_has_words_of_its_own_and_reads_back() {
        for reason in NotMeasured::ALL {
            assert_eq!(reason.as_str().parse(), Ok(*reason));
        }
    }
}
