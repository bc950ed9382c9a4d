//! What is spoken, as phrase ids and whole numbers, and numbers rounded as a coach would say them.
//!
//! The sound library has the words in each language. A phrase stands alone, and none has to agree with a number in gender
//! or plural, so that any language fits. Pure.

use super::cue::CueId;
use crate::rep::{Lengths, MeasureName, Unit};
use crate::text_enum::text_enum;

/// A part of a spoken sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// A phrase.
    Phrase(PhraseId),
    /// The words of a cue, without its tone.
    Cue(CueId),
    /// Those that say what to do about it.
    Instruction(CueId),
    /// A number, 0 to [`MOST_SAID`].
    Number(u32),
    /// A number, 0 to [`MOST_SAID`], before a noun in the form that fits: ten swings, one swing.
    Count(u32, PhraseId),
    /// A pause, where a comma would be in writing.
    Pause,
}

/// The largest number that can be said.
pub(crate) const MOST_SAID: u32 = 999;

text_enum! {
    /// The phrases and nouns of openings, sets, summaries and rests, by their ids in the sound library.
    #[allow(missing_docs, reason = "the ids say it")]
    pub enum PhraseId {
        Opening = "opening",
        RoundDone = "round_done",
        Closing = "closing",
        Rest = "rest",
        RestOver = "rest_over",
        Spreading = "spreading",
        StopForToday = "stop_for_today",
        InRange = "in_range",
        Mostly = "mostly",
        All = "all",
        None = "none",
        Paused = "paused",
        GoingOn = "going_on",
        NextHitter = "next_hitter",
        NobodyWaits = "nobody_waits",
        WhoHits = "who_hits",
        SoFar = "so_far",
        ToGo = "to_go",
        Swings = "swings",
        Centimeters = "centimeters",
        Inches = "inches",
        Percent = "percent",
        Degrees = "degrees",
        Seconds = "seconds",
        Minutes = "minutes",
    }
}

/// A value as a coach would say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Rounded {
    /// Without a sign, because the words before it say which way.
    pub(crate) number: u32,
    /// The unit as it is said.
    pub(crate) unit: PhraseId,
}

/// Rounds a value for speech: whole centimeters or inches, steps of five percent and five degrees. `None` for a yes or no and
/// for a sequence, which have no number to say, for a speed, and for a time: no coach says milliseconds to a hitter, the cue
/// says early or late.
pub(crate) fn rounded(of: MeasureName, value: f64, lengths: Lengths) -> Option<Rounded> {
    let size = lengths.shown(of.unit(), value).abs();
    let (number, unit) = match (of.unit(), lengths) {
        (Unit::Cm, Lengths::Metric) => (size, PhraseId::Centimeters),
        (Unit::Cm, Lengths::Inches) => (size, PhraseId::Inches),
        (Unit::Pct, _) => (5.0 * (size / 5.0).round(), PhraseId::Percent),
        (Unit::Deg, _) => (5.0 * (size / 5.0).round(), PhraseId::Degrees),
        (Unit::Ms | Unit::MetersPerSecond | Unit::YesNo | Unit::Order | Unit::Shape, _) => {
            return None;
        }
    };
    let number = number.round();
    number.is_finite().then(|| Rounded {
        number: (number as u32).min(MOST_SAID),
        unit,
    })
}

impl Rounded {
    /// As it is said.
    pub(crate) fn said(&self) -> Said {
        Said::Count(self.number, self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_said_in_steps_that_a_coach_would_use() {
        use MeasureName::*;
        for (of, value, lengths, number, unit) in [
            (
                HeadToPlant,
                12.4,
                Lengths::Metric,
                12,
                PhraseId::Centimeters,
            ),
            (HeadToPlant, -6.6, Lengths::Metric, 7, PhraseId::Centimeters),
            (HeadToPlant, -0.3, Lengths::Metric, 0, PhraseId::Centimeters),
            (HeadToPlant, 12.4, Lengths::Inches, 5, PhraseId::Inches),
            (HeadToPlant, 2.6, Lengths::Inches, 1, PhraseId::Inches),
            (
                HeadBetweenFeet,
                63.0,
                Lengths::Inches,
                65,
                PhraseId::Percent,
            ),
            (FrontFootOpen, 41.0, Lengths::Metric, 40, PhraseId::Degrees),
        ] {
            let found = rounded(of, value, lengths).unwrap();
            assert_eq!((found.number, found.unit), (number, unit), "{of} {value}");
            assert_eq!(found.said(), Said::Count(number, unit));
        }
        for of in [PlantToContact, BackBeforeForward, Sequence, BatSpeed] {
            assert_eq!(rounded(of, 1.0, Lengths::Metric), None, "{of}");
        }
        assert_eq!(rounded(HeadDrop, f64::NAN, Lengths::Metric), None);
        let most = rounded(StrideLength, 1e9, Lengths::Metric).unwrap();
        assert_eq!(most.number, MOST_SAID);
    }
}
