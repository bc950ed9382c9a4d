//! What is spoken, as phrase ids and whole numbers, and numbers rounded as a coach would say them.
//!
//! The sound library has the words in each language. A phrase stands alone, and none has to agree with a number in gender
//! or plural, so that any language fits. Pure.

use super::cue::CueId;
use crate::rep::{MeasureName, Unit};
use crate::text_enum::text_enum;

/// A part of a spoken sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// A phrase.
    Phrase(PhraseId),
    /// The words of a cue, without its tone.
    Cue(CueId),
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
        SetDone = "set_done",
        Closing = "closing",
        Rest = "rest",
        RestOver = "rest_over",
        Spreading = "spreading",
        StopForToday = "stop_for_today",
        InTheBand = "in_the_band",
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
        Centimeters = "centimetres",
        Milliseconds = "milliseconds",
        Percent = "percent",
        Degrees = "degrees",
        Seconds = "seconds",
        Minutes = "minutes",
    }
}

/// Below this, a time is rounded to hundredths of a second; from it on to tenths. A front foot that is down for 0.12 s
/// or 0.18 s is two different swings, a load of 0.74 s or 0.78 s is one.
const TENTHS_FROM_MS: f64 = 400.0;

/// A value as a coach would say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Rounded {
    /// Below zero.
    pub(crate) negative: bool,
    /// Without a sign, in units of the last decimal.
    pub(crate) number: u32,
    /// The unit as it is said.
    pub(crate) unit: PhraseId,
    /// The unit in print.
    pub(crate) print: &'static str,
    /// Decimals of `number`.
    decimals: usize,
}

/// Rounds a value for speech: whole centimeters, hundredths or tenths of a second, steps of five percent and five
/// degrees. `None` for a yes or no and for a sequence, which have no number to say,
/// and for a speed, which is never said.
pub(crate) fn rounded(of: MeasureName, value: f64) -> Option<Rounded> {
    let size = value.abs();
    let (number, unit, print, decimals) = match of.unit() {
        Unit::Cm => (size, PhraseId::Centimeters, "cm", 0),
        Unit::Ms if (size / 10.0).round() * 10.0 < TENTHS_FROM_MS => {
            (size / 10.0, PhraseId::Milliseconds, "s", 2)
        }
        Unit::Ms => (size / 100.0, PhraseId::Milliseconds, "s", 1),
        Unit::Pct => (5.0 * (size / 5.0).round(), PhraseId::Percent, "%", 0),
        Unit::Deg => (5.0 * (size / 5.0).round(), PhraseId::Degrees, "degrees", 0),
        Unit::MetersPerSecond | Unit::YesNo | Unit::Order | Unit::Shape => return None,
    };
    let number = number.round();
    if !number.is_finite() {
        return None;
    }
    let number = (number as u32).min(MOST_SAID);
    Some(Rounded {
        negative: value < 0.0 && number > 0,
        number,
        unit,
        print,
        decimals,
    })
}

impl Rounded {
    /// As it is said. It has no sign, because the words before it say which way; times are said in milliseconds.
    pub(crate) fn said(&self) -> Said {
        let number = match self.decimals {
            2 => 10 * self.number,
            1 => 100 * self.number,
            _ => self.number,
        };
        Said::Count(number.min(MOST_SAID), self.unit)
    }

    /// As it is printed, such as `0.12 s`.
    pub(crate) fn printed(&self) -> String {
        let places = 10_f64.powi(self.decimals as i32);
        let number = f64::from(self.number) / places;
        let sign = if self.negative { "-" } else { "" };
        format!("{sign}{number:.*} {}", self.decimals, self.print)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_said_in_steps_that_a_coach_would_use() {
        use MeasureName::*;
        for (of, value, printed, unit, number) in [
            (HeadToPlant, 12.4, "12 cm", PhraseId::Centimeters, 12),
            (HeadToPlant, -6.6, "-7 cm", PhraseId::Centimeters, 7),
            (HeadToPlant, -0.3, "0 cm", PhraseId::Centimeters, 0),
            (PlantToContact, 124.0, "0.12 s", PhraseId::Milliseconds, 12),
            (PlantToContact, 394.9, "0.39 s", PhraseId::Milliseconds, 39),
            (PlantToContact, 396.0, "0.4 s", PhraseId::Milliseconds, 4),
            (GatherToPlant, 776.0, "0.8 s", PhraseId::Milliseconds, 8),
            (GatherToPlant, 1240.0, "1.2 s", PhraseId::Milliseconds, 12),
            (HeadBetweenFeet, 63.0, "65 %", PhraseId::Percent, 65),
            (FrontFootOpen, 41.0, "40 degrees", PhraseId::Degrees, 40),
        ] {
            let found = rounded(of, value).unwrap();
            assert_eq!(found.printed(), printed);
            assert_eq!((found.unit, found.number), (unit, number), "{value}");
        }
        assert_eq!(rounded(BackBeforeForward, 1.0), None);
        assert_eq!(rounded(Sequence, 1234.0), None);
        assert_eq!(rounded(HeadDrop, f64::NAN), None);
        assert_eq!(rounded(FinishHold, 1e9).unwrap().number, MOST_SAID);
    }

    #[test]
    fn a_value_is_said_with_its_unit_and_times_in_milliseconds() {
        let said = |of, value| rounded(of, value).unwrap().said();
        assert_eq!(
            said(MeasureName::HandsBack, -3.0),
            Said::Count(3, PhraseId::Centimeters)
        );
        assert_eq!(
            said(MeasureName::PlantToContact, 124.0),
            Said::Count(120, PhraseId::Milliseconds)
        );
        assert_eq!(
            said(MeasureName::GatherToPlant, 776.0),
            Said::Count(800, PhraseId::Milliseconds)
        );
    }
}
