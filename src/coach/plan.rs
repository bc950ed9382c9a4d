//! A hitter's plan: what is worked on, how often it is cued, the shape of a set, and the pitch it is worked on
//! against.
//!
//! Reading a plan's text, and writing it, are in `plan_text` and `plan_write`. A plan's bands take precedence over those
//! of the settings.

use super::band::Bands;
use super::cue::CueWords;
use super::schedule::CueSchedule;
use crate::pitch::{Level, Speed, SpeedClass};
use crate::rep::MeasureName;
use crate::text_enum::text_enum;

/// What a hitter works on.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What the coach calls it; one line.
    pub(crate) name: String,
    /// The measures that are cued, the most important first; at least one.
    pub focus: Vec<MeasureName>,
    /// The bands that differ from those of the settings.
    pub(crate) bands: Bands,
    /// Which reps are cued.
    pub schedule: CueSchedule,
    /// In which words.
    pub(crate) words: CueWords,
    /// How long a set is and when it rests.
    pub set: SetShape,
    /// The pitch that is played, if any.
    pub(crate) pitch: Option<PitchPlan>,
    /// Whether a soft tone follows the head while the rep runs.
    pub(crate) head_tone: bool,
}

/// The shape of a set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SetShape {
    /// Swings in a set; 0 leaves it open.
    pub(crate) reps: u32,
    /// Swings from one rest to the next; 0 for no rests.
    pub(crate) rest_after: u32,
    /// How long a rest is, seconds.
    pub(crate) rest_secs: u32,
}

/// The pitch that is played to the hitter.
#[derive(Clone, Debug, PartialEq)]
pub struct PitchPlan {
    /// The level of play, for distance and ball.
    pub(crate) level: Level,
    /// The unit of the speeds.
    pub(crate) unit: SpeedUnit,
    /// Speeds at release, in that unit; empty for those that are usual at the level.
    pub(crate) speeds: Vec<f64>,
    /// All speeds in random order; otherwise one speed only.
    pub(crate) mixed: bool,
}

text_enum! {
    /// The unit in which a coach gives a pitch's speed. The texts are written after a number.
    pub(crate) enum SpeedUnit {
        /// Miles per hour.
        Mph = "mph",
        /// Kilometers per hour.
        Kmh = "km/h",
    }
}

impl PitchPlan {
    /// The speeds to play: those of the plan; without any, the level's fast, medium and slow where they are mixed, and
    /// its medium where not. Never empty.
    pub(crate) fn speeds_to_play(&self) -> Vec<Speed> {
        if !self.speeds.is_empty() {
            return self
                .speeds
                .iter()
                .map(|speed| self.unit.speed(*speed))
                .collect();
        }
        let usual: &[SpeedClass] = if self.mixed {
            &SpeedClass::ALL
        } else {
            &[SpeedClass::Medium]
        };
        usual
            .iter()
            .map(|class| self.level.usual_speed(*class))
            .collect()
    }
}

impl SpeedUnit {
    /// A number in this unit, as a speed.
    pub(crate) const fn speed(self, number: f64) -> Speed {
        match self {
            SpeedUnit::Mph => Speed::from_mph(number),
            SpeedUnit::Kmh => Speed::from_km_h(number),
        }
    }
}

impl Plan {
    /// The bands in force under this plan: its own, then those of the settings.
    pub fn bands_over(&self, settings: &Bands) -> Bands {
        let mut bands = settings.clone();
        bands.extend(self.bands.iter().map(|(name, band)| (*name, *band)));
        bands
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::{AbsoluteBand, Band, PLAN_TEMPLATES};

    #[test]
    fn a_plans_bands_go_before_those_of_the_settings() {
        let high = |high| {
            Band::Absolute(AbsoluteBand {
                low: None,
                high: Some(high),
            })
        };
        let settings = Bands::from([
            (MeasureName::HeadDrop, high(10.0)),
            (MeasureName::HandsBack, high(20.0)),
        ]);
        let mut plan = Plan::parse(PLAN_TEMPLATES[0].text).unwrap();
        plan.bands = Bands::from([
            (MeasureName::HeadDrop, high(6.0)),
            (MeasureName::StrideLength, high(90.0)),
        ]);
        let expected = Bands::from([
            (MeasureName::HeadDrop, high(6.0)),
            (MeasureName::HandsBack, high(20.0)),
            (MeasureName::StrideLength, high(90.0)),
        ]);
        assert_eq!(plan.bands_over(&settings), expected);
    }

    #[test]
    fn speeds_are_those_given_or_the_levels_own() {
        let pitch = |unit, speeds: &[f64], mixed| PitchPlan {
            level: Level::Youth,
            unit,
            speeds: speeds.to_vec(),
            mixed,
        };
        let kmh = |plan: PitchPlan| -> Vec<f64> {
            let speeds = plan.speeds_to_play();
            speeds.iter().map(|speed| speed.km_h()).collect()
        };
        // One mile is 1.609344 km by definition.
        let given = kmh(pitch(SpeedUnit::Mph, &[50.0, 40.0], true));
        assert!((given[0] - 80.4672).abs() < 1e-9 && (given[1] - 64.373_76).abs() < 1e-9);
        assert!((kmh(pitch(SpeedUnit::Kmh, &[80.0], false))[0] - 80.0).abs() < 1e-9);
        assert_eq!(kmh(pitch(SpeedUnit::Mph, &[], true)).len(), 3);
        let medium = Level::Youth.usual_speed(SpeedClass::Medium).km_h();
        assert_eq!(kmh(pitch(SpeedUnit::Mph, &[], false)), [medium]);
    }
}
