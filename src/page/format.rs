//! Numbers, units and times as people read them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::i18n::Messages;
use crate::coach::{AbsoluteBand, Verdict};
use crate::rep::{Measure, MeasureName, ReasonUnit, Unit, path_shape_word, sequence_words};

/// A value without its unit, with as many decimals as the unit deserves.
pub(super) fn plain(i18n: &Messages, name: MeasureName, value: f64) -> String {
    let value = i18n.lengths().shown(name.unit(), value);
    match name.unit() {
        // A zero has no sign.
        Unit::Cm | Unit::MetersPerSecond => tenths(value),
        Unit::Ms | Unit::Pct | Unit::Deg => format!("{:.0}", value.round() + 0.0),
        Unit::YesNo => if value >= 0.5 { "✓" } else { "✗" }.to_owned(),
        Unit::Order => {
            let parts = sequence_words(value)
                .into_iter()
                .map(|part| i18n.body_part(part));
            parts.collect::<Vec<_>>().join(" › ")
        }
        Unit::Shape => {
            path_shape_word(value).map_or_else(String::new, |word| i18n.path_shape(word))
        }
    }
}

/// Rounded to tenths, and without a sign where that is zero.
fn tenths(value: f64) -> String {
    format!("{:.1}", (10.0 * value).round() / 10.0 + 0.0)
}

/// A value with its unit.
pub(super) fn with_unit(i18n: &Messages, name: MeasureName, value: f64) -> String {
    match name.unit() {
        unit if !unit.is_quantity() => plain(i18n, name, value),
        Unit::Deg => format!("{}°", plain(i18n, name, value)),
        unit => format!(
            "{} {}",
            plain(i18n, name, value),
            i18n.lengths().suffix(unit)
        ),
    }
}

/// A measure with its uncertainty; the reason where it was not made.
pub(super) fn measure(i18n: &Messages, name: MeasureName, measure: &Measure) -> String {
    match measure {
        Measure::Made {
            value, plus_minus, ..
        } => match name.unit() {
            unit if !unit.is_quantity() => plain(i18n, name, *value),
            _ => format!(
                "{} ± {}",
                with_unit(i18n, name, *value),
                plain(i18n, name, *plus_minus)
            ),
        },
        Measure::NotMade { why } => i18n.not_measured(why).to_owned(),
    }
}

/// A figure of a condition that was missed.
pub(super) fn reason_figure(i18n: &Messages, unit: ReasonUnit, value: f64) -> String {
    let length = i18n.lengths().shown(Unit::Cm, value);
    let suffix = i18n.lengths().suffix(Unit::Cm);
    match unit {
        ReasonUnit::Secs => format!("{value:.1} s"),
        ReasonUnit::Cm => format!("{} {suffix}", tenths(length)),
        ReasonUnit::CmPerSec => format!("{length:.0} {suffix}/s"),
        ReasonUnit::Share => format!("{:.0} %", 100.0 * value),
    }
}

/// A band as people read it.
pub(super) fn band(i18n: &Messages, name: MeasureName, band: &AbsoluteBand) -> String {
    match (band.low, band.high) {
        (Some(low), Some(high)) if low == high => plain(i18n, name, low),
        (Some(low), Some(high)) if name.unit() == Unit::Order => common_start(i18n, low, high),
        (Some(low), Some(high)) => {
            format!("{} … {}", plain(i18n, name, low), plain(i18n, name, high))
        }
        (Some(low), None) => format!("≥ {}", plain(i18n, name, low)),
        (None, Some(high)) => format!("≤ {}", plain(i18n, name, high)),
        (None, None) => String::new(),
    }
}

/// What two orders begin with.
fn common_start(i18n: &Messages, low: f64, high: f64) -> String {
    let pairs = sequence_words(low).into_iter().zip(sequence_words(high));
    let mut parts: Vec<&str> = pairs
        .take_while(|(a, b)| a == b)
        .map(|(part, _)| i18n.body_part(part))
        .collect();
    parts.push("…");
    parts.join(" › ")
}

/// A sign for a verdict: color alone must not carry it.
pub(super) fn sign(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::In) => "●",
        Some(Verdict::Low) => "▼",
        Some(Verdict::High) => "▲",
        None => "",
    }
}

/// Day and time in the machine's time zone.
pub(super) fn day_and_time(at: Timestamp) -> String {
    at.to_zoned(TimeZone::system())
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

/// The time of day in the machine's time zone, to the second.
pub(super) fn time_of_day(at: Timestamp) -> String {
    at.to_zoned(TimeZone::system())
        .strftime("%H:%M:%S")
        .to_string()
}

/// The day in the machine's time zone.
pub(super) fn day(at: Timestamp) -> String {
    at.to_zoned(TimeZone::system())
        .strftime("%Y-%m-%d")
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::Lengths;

    #[test]
    fn numbers_are_as_long_as_they_are_sure() {
        use MeasureName::*;
        let of = |lengths| Messages::of(crate::sound::Language::English, lengths);
        let i18n = of(Lengths::Metric);
        assert_eq!(with_unit(i18n, HeadToPlant, 6.149), "6.1 cm");
        assert_eq!(with_unit(i18n, HeadToContact, -0.04), "0.0 cm");
        assert_eq!(with_unit(i18n, GatherToPlant, 911.4), "911 ms");
        assert_eq!(with_unit(i18n, FrontFootOpen, -0.2), "0°");
        assert_eq!(with_unit(i18n, BackBeforeForward, 1.0), "✓");
        let made = Measure::Made {
            value: 6.1,
            plus_minus: 1.26,
            confidence: 0.9,
        };
        assert_eq!(measure(i18n, HeadToPlant, &made), "6.1 cm ± 1.3");
        let open = AbsoluteBand {
            low: None,
            high: Some(10.0),
        };
        assert_eq!(band(i18n, HeadToPlant, &open), "≤ 10.0");
        let inches = of(Lengths::Inches);
        assert_eq!(measure(inches, HeadToPlant, &made), "2.4 in ± 0.5");
        assert_eq!(band(inches, HeadToPlant, &open), "≤ 3.9");
        assert_eq!(with_unit(inches, BatSpeed, 30.0), "67.1 mph");
        assert_eq!(with_unit(inches, FrontFootOpen, 40.0), "40°");
    }
}
