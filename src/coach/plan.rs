//! A hitter's plan: what is worked on, how often it is cued, the shape of a set, and the pitch it is worked on
//! against.
//!
//! In: a plan's text, as the coach writes it and the journal keeps it. Out: a [`Plan`] that is right throughout,
//! and its text again. Pure. What a plan says about bands goes before the settings; what it leaves out stays
//! theirs.

use super::band::Bands;
use super::schedule::CueSchedule;
use crate::pitch::{Level, Pace, Speed};
use crate::rep::MeasureName;

/// What a hitter works on.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What the coach calls it; one line.
    pub name: String,
    /// The measures that are cued, the most important first; at least one.
    pub focus: Vec<MeasureName>,
    /// The bands that differ from those of the settings.
    pub bands: Bands,
    /// Which reps are cued.
    pub schedule: CueSchedule,
    /// How long a set is and when it rests.
    pub set: SetShape,
    /// The pitch that is played, if any.
    pub pitch: Option<PitchPlan>,
    /// Whether a soft tone follows the head while the rep runs.
    pub head_tone: bool,
}

/// The shape of a set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SetShape {
    /// Swings in a set; 0 leaves it open.
    pub reps: u32,
    /// Swings from one rest to the next; 0 is without rests.
    pub rest_after: u32,
    /// How long a rest is, seconds.
    pub rest_secs: u32,
}

/// The pitch that is played to the hitter.
#[derive(Clone, Debug, PartialEq)]
pub struct PitchPlan {
    /// Who is playing: distance and ball.
    pub level: Level,
    /// The unit of the speeds.
    pub unit: SpeedUnit,
    /// Speeds at release, in that unit; none takes those that are usual for the level.
    pub speeds: Vec<f64>,
    /// All speeds in random order; otherwise one speed only.
    pub mixed: bool,
}

/// The unit in which a coach gives a pitch's speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpeedUnit {
    /// Miles an hour.
    Mph,
    /// Kilometres an hour.
    Kmh,
}

impl PitchPlan {
    /// The speeds to play: those given; else the level's fast, medium and slow where they are mixed, and its medium
    /// where not. Never empty.
    pub fn speeds_to_play(&self) -> Vec<Speed> {
        if !self.speeds.is_empty() {
            return self
                .speeds
                .iter()
                .map(|speed| self.unit.speed(*speed))
                .collect();
        }
        let usual: &[Pace] = if self.mixed {
            &Pace::ALL
        } else {
            &[Pace::Medium]
        };
        usual
            .iter()
            .map(|pace| self.level.usual_speed(*pace))
            .collect()
    }
}

impl SpeedUnit {
    /// The unit as it stands behind a number.
    pub const fn word(self) -> &'static str {
        match self {
            SpeedUnit::Mph => "mph",
            SpeedUnit::Kmh => "km/h",
        }
    }

    /// A number in this unit, as a speed.
    pub const fn speed(self, number: f64) -> Speed {
        match self {
            SpeedUnit::Mph => Speed::from_mph(number),
            SpeedUnit::Kmh => Speed::from_km_h(number),
        }
    }
}

impl Plan {
    /// The bands in force under this plan: its own, and for the rest those given.
    pub fn bands_over(&self, settings: &Bands) -> Bands {
        let mut bands = settings.clone();
        bands.extend(self.bands.iter().map(|(name, band)| (*name, *band)));
        bands
    }
}

/// A plan to start from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlanStart {
    /// Its name, that of its text.
    pub name: &'static str,
    /// What it is for, in a sentence.
    pub about: &'static str,
    /// Its text.
    pub text: &'static str,
}

/// The plans to start from. What they work on and how many swings they take is common practice, no source; why they
/// cue as they do stands with [`CueSchedule`]. They leave the bands to the settings, where the coach has set them.
pub const PLAN_STARTS: [PlanStart; 4] = [
    PlanStart {
        name: "head still",
        about: "The head stays where it is while the front foot goes out and the bat comes through.",
        text: r#"name = "head still"
focus = ["head_to_plant_cm", "head_to_contact_cm", "head_drop_cm"]

[cues]
when = "faded"

[set]
reps = 20
rest_after_reps = 10
rest_secs = 60
"#,
    },
    PlanStart {
        name: "stride on time",
        about: "An early, unhurried load, and the front foot down before the ball is there.",
        text: r#"name = "stride on time"
focus = ["plant_to_arrival_ms", "gather_to_plant_ms", "lift_to_plant_ms", "plant_to_contact_ms"]

[cues]
when = "every-nth"
every = 2

[set]
reps = 20
rest_after_reps = 10
rest_secs = 60

[pitch]
level = "high-school"
"#,
    },
    PlanStart {
        name: "stay back",
        about: "Weight goes back before it goes forward, and is still back when a slow pitch comes.",
        text: r#"name = "stay back"
focus = ["weight_kept_pct", "back_before_forward", "head_between_feet_pct"]

[cues]
when = "out-of-band"

[set]
reps = 18
rest_after_reps = 9
rest_secs = 90

[pitch]
level = "high-school"
mixed = true
"#,
    },
    PlanStart {
        name: "quiet check",
        about: "Nothing is said: what has been learnt shows when the cues are away. Best a day or \
                more after the last set.",
        text: r#"name = "quiet check"
focus = ["head_to_plant_cm", "gather_to_plant_ms", "plant_to_contact_ms"]

[cues]
when = "silent"

[set]
reps = 10
"#,
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::{AbsoluteBand, Band, Verdict, cue_for};

    #[test]
    fn each_start_is_a_plan_whose_measures_have_cues() {
        for start in PLAN_STARTS {
            let plan = Plan::parse(start.text).unwrap();
            assert_eq!(plan.name, start.name);
            for measure in &plan.focus {
                assert!(cue_for(*measure, Verdict::Low).is_some(), "{measure}");
                assert!(cue_for(*measure, Verdict::High).is_some(), "{measure}");
            }
            assert!(!plan.head_tone, "the tone is off where nobody asked for it");
        }
    }

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
        let mut plan = Plan::parse(PLAN_STARTS[0].text).unwrap();
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
        let medium = Level::Youth.usual_speed(Pace::Medium).km_h();
        assert_eq!(kmh(pitch(SpeedUnit::Mph, &[], false)), [medium]);
    }
}
