//! Lengths and speeds as a reader is used to them.
//!
//! Inside the program lengths are centimeters and speeds meters a second; journals, files and settings keep those. Here they
//! become what page, voice and sheet show.

use super::types::Unit;

const CM_PER_INCH: f64 = 2.54;
const INCHES_PER_FOOT: f64 = 12.0;
/// Miles an hour in a meter a second: a mile has 1609.344 m.
const MPH_PER_MPS: f64 = 3600.0 / 1609.344;

/// In which units lengths and speeds are shown and said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Lengths {
    /// Centimeters, meters a second.
    #[default]
    Metric,
    /// Inches, feet and miles an hour.
    Inches,
}

impl Lengths {
    pub(crate) const ALL: [Self; 2] = [Self::Metric, Self::Inches];

    /// As in the settings file.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Metric => "cm",
            Self::Inches => "in",
        }
    }

    /// What one of a measure's own unit is here.
    const fn factor(self, unit: Unit) -> f64 {
        match (self, unit) {
            (Self::Inches, Unit::Cm) => 1.0 / CM_PER_INCH,
            (Self::Inches, Unit::MetersPerSecond) => MPH_PER_MPS,
            _ => 1.0,
        }
    }

    /// A value of a measure as it is shown.
    pub(crate) fn shown(self, unit: Unit, value: f64) -> f64 {
        value * self.factor(unit)
    }

    /// A value as a reader wrote it, in the measure's own unit; to the hundredth, so that 4 inches are 10.16 cm.
    pub(crate) fn written(self, unit: Unit, value: f64) -> f64 {
        match self.factor(unit) {
            1.0 => value,
            factor => (100.0 * value / factor).round() / 100.0,
        }
    }

    /// The unit behind a number.
    pub(crate) const fn suffix(self, unit: Unit) -> &'static str {
        match (self, unit) {
            (Self::Inches, Unit::Cm) => "in",
            (Self::Inches, Unit::MetersPerSecond) => "mph",
            _ => unit.suffix(),
        }
    }

    /// A height as people write it, in centimeters: `180`, `180 cm`; `5'11"`, `5 11`, `5 ft 11 in`, `71`, `71 in`. A bare
    /// number is in this unit.
    pub(crate) fn height_cm(self, text: &str) -> Option<f64> {
        let text = text.trim().to_lowercase().replace(',', ".");
        let in_cm = text.ends_with("cm");
        let is_split = |c: char| c.is_whitespace() || c.is_alphabetic() || "'’′\"”″-".contains(c);
        let parts: Vec<f64> = text
            .split(is_split)
            .filter(|part| !part.is_empty())
            .map(str::parse)
            .collect::<Result<_, _>>()
            .ok()?;
        let has_feet = text.contains(['\'', '’', '′']) || text.contains("ft");
        match (parts.as_slice(), self) {
            (&[cm], _) if in_cm => Some(cm),
            (&[feet], _) if has_feet => Some(feet * INCHES_PER_FOOT * CM_PER_INCH),
            (&[cm], Self::Metric) => Some(cm),
            (&[inches], Self::Inches) => Some(inches * CM_PER_INCH),
            (&[feet, inches], _) if has_feet || self == Self::Inches => {
                Some((feet * INCHES_PER_FOOT + inches) * CM_PER_INCH)
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Factors of NIST Special Publication 811 (2008), appendix B.9: an inch is 2.54 cm, a mile an hour 0.44704 m/s, both exact.
    #[test]
    fn inches_and_miles_an_hour_are_those_of_the_standard() {
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        near(Lengths::Inches.shown(Unit::Cm, 2.54), 1.0);
        near(Lengths::Inches.shown(Unit::MetersPerSecond, 0.44704), 1.0);
        near(Lengths::Metric.shown(Unit::Cm, 2.54), 2.54);
        near(Lengths::Inches.shown(Unit::Deg, 30.0), 30.0);
        near(Lengths::Inches.written(Unit::Cm, 4.0), 10.16);
        near(Lengths::Metric.written(Unit::Cm, 4.005), 4.005);
    }

    #[test]
    fn a_height_is_read_as_people_write_it() {
        for (text, cm) in [
            ("5'11\"", 180.34),
            ("5’11”", 180.34),
            ("5 11", 180.34),
            ("5 ft 11 in", 180.34),
            ("5-11", 180.34),
            ("6'", 182.88),
            ("71", 180.34),
            ("71 in", 180.34),
            ("180 cm", 180.0),
        ] {
            let found = Lengths::Inches.height_cm(text).unwrap();
            assert!((found - cm).abs() < 1e-9, "{text}: {found}");
        }
        for (text, cm) in [("180", 180.0), ("151,5 cm", 151.5), ("5'11\"", 180.34)] {
            let found = Lengths::Metric.height_cm(text).unwrap();
            assert!((found - cm).abs() < 1e-9, "{text}: {found}");
        }
        for text in ["", "tall", "5 11 3", "1.8.0"] {
            assert_eq!(Lengths::Inches.height_cm(text), None, "{text}");
        }
        assert_eq!(Lengths::Metric.height_cm("5 11"), None);
    }
}
