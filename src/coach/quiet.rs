//! Why a hitter heard nothing after a rep.

use crate::text_enum::text_enum;

text_enum! {
    /// Why a rep was not cued. The texts are those of the journal and the rep log.
    pub enum QuietReason {
        /// It was in band and silence says so.
        InBand = "in band",
        /// One rep in so many is cued, and this was another.
        NotItsTurn = "not this one's turn",
        /// The faded schedule passed it over.
        Faded = "faded",
        /// It goes into the summary to come.
        SummaryLater = "summary later",
        /// A summary was said in place of its cue.
        SummedUp = "summed up",
        /// The plan is silent.
        SilentPlan = "silent plan",
        /// It was a take.
        Take = "take",
        /// None of the cued measures could be measured.
        NotMeasured = "nothing could be measured",
        /// All that was missed was missed by less than its uncertainty, and that is large.
        Unsure = "the miss is within its uncertainty",
        /// None of the cued measures has a resolved band.
        NoBand = "no band to judge by",
        /// No measure is to be cued.
        NoOrder = "no measure to cue",
        /// It did not count when it was seen; the coach made it count later.
        NotCounted = "it did not count then",
    }
}
