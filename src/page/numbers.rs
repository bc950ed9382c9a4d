//! Numbers, units and times as people read them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::coach::{AbsoluteBand, Verdict};
use crate::rep::{Measure, MeasureName, Unit, sequence_words};

/// A value with as many decimals as its unit deserves, without the unit.
pub(super) fn plain(name: MeasureName, value: f64) -> String {
    match name.unit() {
        // A zero has no sign.
        Unit::Cm => format!("{:.1}", (10.0 * value).round() / 10.0 + 0.0),
        Unit::Ms | Unit::Pct | Unit::Deg => format!("{:.0}", value.round() + 0.0),
        Unit::YesNo => if value >= 0.5 { "✓" } else { "✗" }.to_owned(),
        Unit::Order => sequence_words(value).join(" › "),
    }
}

/// A value with its unit.
pub(super) fn with_unit(name: MeasureName, value: f64) -> String {
    match name.unit() {
        Unit::YesNo | Unit::Order => plain(name, value),
        Unit::Deg => format!("{}°", plain(name, value)),
        unit => format!("{} {}", plain(name, value), unit.suffix()),
    }
}

/// A measure with its uncertainty; the reason where it was not made.
pub(super) fn measure(name: MeasureName, measure: &Measure) -> String {
    match measure {
        Measure::Made {
            value, plus_minus, ..
        } => match name.unit() {
            Unit::YesNo | Unit::Order => plain(name, *value),
            _ => format!("{} ± {}", with_unit(name, *value), plain(name, *plus_minus)),
        },
        Measure::NotMade { why } => why.as_str().to_owned(),
    }
}

/// A band as people read it.
pub(super) fn band(name: MeasureName, band: &AbsoluteBand) -> String {
    match (band.low, band.high) {
        (Some(low), Some(high)) => {
            format!("{} … {}", plain(name, low), plain(name, high))
        }
        (Some(low), None) => format!("≥ {}", plain(name, low)),
        (None, Some(high)) => format!("≤ {}", plain(name, high)),
        (None, None) => String::new(),
    }
}

/// A sign for a verdict, which is never told by colour alone.
pub(super) fn sign(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::In) => "●",
        Some(Verdict::Low) => "▼",
        Some(Verdict::High) => "▲",
        None => "",
    }
}

/// The word of a verdict for styles.
pub(super) fn class(verdict: Option<Verdict>) -> &'static str {
    verdict.map_or("none", Verdict::as_str)
}

/// Day and time of day where this machine stands.
pub(super) fn day_and_time(at: Timestamp) -> String {
    at.to_zoned(TimeZone::system())
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

/// The day where this machine stands.
pub(super) fn day(at: Timestamp) -> String {
    at.to_zoned(TimeZone::system())
        .strftime("%Y-%m-%d")
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_as_long_as_they_are_sure() {
        use MeasureName::*;
        assert_eq!(with_unit(HeadToPlant, 6.149), "6.1 cm");
        assert_eq!(with_unit(HeadToContact, -0.04), "0.0 cm");
        assert_eq!(with_unit(GatherToPlant, 911.4), "911 ms");
        assert_eq!(with_unit(FrontFootOpen, -0.2), "0°");
        assert_eq!(with_unit(BackBeforeForward, 1.0), "✓");
        let made = Measure::Made {
            value: 6.1,
            plus_minus: 1.26,
            confidence: 0.9,
        };
        assert_eq!(measure(HeadToPlant, &made), "6.1 cm ± 1.3");
        let open = AbsoluteBand {
            low: None,
            high: Some(10.0),
        };
        assert_eq!(band(HeadToPlant, &open), "≤ 10.0");
    }
}
