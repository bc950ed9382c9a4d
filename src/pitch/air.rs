//! Air density, from the standard atmosphere's pressure at an altitude and the actual temperature.
//!
//! In: degrees Celsius and meters above sea level. Out: [`Air`]. Thin air lets a pitch arrive sooner, by a few
//! milliseconds in a city on a plateau.

use super::flight::PitchError;

/// The standard atmosphere, ISO 2533:1975 and ICAO Doc 7488: at sea level 288.15 K and 101 325 Pa, 6.5 K colder each
/// kilometer up to eleven.
const SEA_LEVEL_KELVIN: f64 = 288.15;
const SEA_LEVEL_PASCAL: f64 = 101_325.0;
const KELVIN_PER_M: f64 = 0.0065;
/// The gas constant of dry air, joule per kilogram and kelvin, and standard gravity, meters per second squared.
const DRY_AIR_J_PER_KG_K: f64 = 287.052_87;
const STANDARD_FALL_M_S2: f64 = 9.806_65;
const ZERO_CELSIUS_KELVIN: f64 = 273.15;

/// Where ball is played; anything outside is a mistake in the settings.
const TEMPERATURES_C: std::ops::RangeInclusive<f64> = -40.0..=60.0;
const ALTITUDES_M: std::ops::RangeInclusive<f64> = -450.0..=5000.0;

/// The air that a pitch flies through.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    density_kg_m3: f64,
}

impl Default for Air {
    /// Dry air at 15 degrees at sea level.
    fn default() -> Self {
        Self::with_density(SEA_LEVEL_PASCAL / (DRY_AIR_J_PER_KG_K * SEA_LEVEL_KELVIN))
    }
}

impl Air {
    /// Dry air of this temperature at the standard pressure of this altitude.
    ///
    /// # Errors
    /// Below -40 or above 60 degrees, below -450 or above 5000 meters.
    pub fn at(temperature_c: f64, altitude_m: f64) -> Result<Self, PitchError> {
        if !TEMPERATURES_C.contains(&temperature_c) {
            return Err(PitchError::OutOfRange {
                what: "air temperature, degrees Celsius",
                value: temperature_c,
                low: *TEMPERATURES_C.start(),
                high: *TEMPERATURES_C.end(),
            });
        }
        if !ALTITUDES_M.contains(&altitude_m) {
            return Err(PitchError::OutOfRange {
                what: "altitude, metres",
                value: altitude_m,
                low: *ALTITUDES_M.start(),
                high: *ALTITUDES_M.end(),
            });
        }
        let cooled = 1.0 - KELVIN_PER_M * altitude_m / SEA_LEVEL_KELVIN;
        let power = STANDARD_FALL_M_S2 / (DRY_AIR_J_PER_KG_K * KELVIN_PER_M);
        let pascal = SEA_LEVEL_PASCAL * cooled.powf(power);
        let kelvin = temperature_c + ZERO_CELSIUS_KELVIN;
        Ok(Self::with_density(pascal / (DRY_AIR_J_PER_KG_K * kelvin)))
    }

    /// Air of a known density, kilograms per cubic meter.
    pub const fn with_density(density_kg_m3: f64) -> Self {
        Self { density_kg_m3 }
    }

    /// Kilograms per cubic meter.
    pub(crate) const fn density_kg_m3(self) -> f64 {
        self.density_kg_m3
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn densities_are_those_of_the_standard_atmosphere() {
        // Table of the US Standard Atmosphere 1976 at its own temperatures, from memory; the 1.225 at sea level is in
        // every account of it. The table's altitudes are geometric and the formula's are geopotential: 0.04 % at 5000
        // m.
        for (metres, celsius, density) in [
            (0.0, 15.0, 1.2250),
            (1000.0, 8.5, 1.1117),
            (2000.0, 2.0, 1.0066),
            (5000.0, -17.5, 0.7364),
        ] {
            let found = Air::at(celsius, metres).unwrap().density_kg_m3();
            assert!((found / density - 1.0).abs() < 5e-4, "{metres} m: {found}");
        }
        assert!((Air::default().density_kg_m3() - 1.225).abs() < 1e-4);
    }

    #[test]
    fn warm_air_and_high_places_are_thin() {
        let density = |c, m| Air::at(c, m).unwrap().density_kg_m3();
        assert!(density(30.0, 0.0) < density(10.0, 0.0));
        assert!(density(20.0, 1600.0) < density(20.0, 0.0));
        // At one pressure density goes as one over the absolute temperature (the ideal gas).
        let ratio = density(20.0, 300.0) / density(0.0, 300.0);
        assert!((ratio - 273.15 / 293.15).abs() < 1e-12);
    }

    #[test]
    fn what_is_no_place_to_play_is_refused() {
        for (celsius, metres) in [
            (-41.0, 0.0),
            (20.0, 6000.0),
            (f64::NAN, 0.0),
            (20.0, f64::NAN),
        ] {
            let refused = Air::at(celsius, metres);
            assert!(matches!(refused, Err(PitchError::OutOfRange { .. })));
        }
    }
}
