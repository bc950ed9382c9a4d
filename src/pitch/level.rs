//! Levels of play: how far the pitcher stands, which ball is thrown and how fast.
//!
//! In: a word from the settings. Out: a [`Level`], and for each [`SpeedClass`] the [`Throw`] that is usual there. Distances
//! are the rules'; where the hand lets go and how fast pitches are is common practice, no source, except
//! where a comment names one.

use std::str::FromStr;

use super::flight::{Ball, Speed, Throw};

const METERS_PER_FOOT: f64 = 0.3048;
/// The rules measure to the rear point of home plate; its front is 17 in nearer.
const PLATE_DEPTH_M: f64 = 17.0 / 12.0 * METERS_PER_FOOT;

/// A level of play.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Level {
    /// Grown men, 60 ft 6 in.
    BigLeague,
    /// College and high school, 60 ft 6 in.
    HighSchool,
    /// About 11 to 13 years, 50 ft.
    Intermediate,
    /// Up to 12 years, 46 ft.
    Youth,
    /// College and high school softball, 43 ft.
    Softball,
    /// Softball up to about 12 years, 40 ft.
    Softball40Ft,
    /// Softball up to about 10 years, 35 ft.
    Softball35Ft,
}

/// How fast a pitch is for its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SpeedClass {
    /// As fast as a good pitcher of the level throws.
    Fast,
    /// Between fast and slow.
    Medium,
    /// Meant to be slow.
    Slow,
}

/// A word that is no level's name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no level of play is called {word:?}; there are {}", names(&Level::ALL.map(Level::name)))]
pub struct UnknownLevel {
    /// The word.
    pub(crate) word: String,
}

fn names(all: &[&str]) -> String {
    all.join(", ")
}

/// A level's figures, in the units of the game.
struct Figures {
    name: &'static str,
    /// Ten-year-olds use a smaller softball in places; their pitches are slow enough for it not to matter.
    ball: Ball,
    /// Rubber to the rear point of the plate, by rule.
    rule_ft: f64,
    /// How far in front of the rubber the hand lets go.
    extension_ft: f64,
    release_height_m: f64,
    /// The middle of the strike zone.
    zone_middle_m: f64,
    /// Fast, medium, slow.
    mph: [f64; 3],
}

impl Level {
    /// Every level, baseball first, the fastest of each game first.
    pub const ALL: [Level; 7] = [
        Level::BigLeague,
        Level::HighSchool,
        Level::Intermediate,
        Level::Youth,
        Level::Softball,
        Level::Softball40Ft,
        Level::Softball35Ft,
    ];

    /// The extensions of 5.5 ft and 6 ft at the two longest distances go with the published "55 ft from the hand" in
    /// baseball and "37 ft from the hand" in softball.
    const fn figures(self) -> Figures {
        match self {
            Level::BigLeague => Figures {
                name: "big-league",
                ball: Ball::BASEBALL,
                rule_ft: 60.5,
                extension_ft: 5.5,
                release_height_m: 1.85,
                zone_middle_m: 0.76,
                mph: [94.0, 87.0, 79.0],
            },
            Level::HighSchool => Figures {
                name: "high-school",
                ball: Ball::BASEBALL,
                rule_ft: 60.5,
                extension_ft: 5.5,
                release_height_m: 1.75,
                zone_middle_m: 0.74,
                mph: [82.0, 75.0, 68.0],
            },
            Level::Intermediate => Figures {
                name: "intermediate",
                ball: Ball::BASEBALL,
                rule_ft: 50.0,
                extension_ft: 4.5,
                release_height_m: 1.55,
                zone_middle_m: 0.66,
                mph: [66.0, 60.0, 54.0],
            },
            Level::Youth => Figures {
                name: "youth",
                ball: Ball::BASEBALL,
                rule_ft: 46.0,
                extension_ft: 4.0,
                release_height_m: 1.45,
                zone_middle_m: 0.62,
                mph: [58.0, 52.0, 46.0],
            },
            Level::Softball => Figures {
                name: "softball",
                ball: Ball::SOFTBALL,
                rule_ft: 43.0,
                extension_ft: 6.0,
                release_height_m: 0.6,
                zone_middle_m: 0.72,
                mph: [63.0, 57.0, 50.0],
            },
            Level::Softball40Ft => Figures {
                name: "softball-40-ft",
                ball: Ball::SOFTBALL,
                rule_ft: 40.0,
                extension_ft: 5.0,
                release_height_m: 0.55,
                zone_middle_m: 0.62,
                mph: [51.0, 46.0, 41.0],
            },
            Level::Softball35Ft => Figures {
                name: "softball-35-ft",
                ball: Ball::SOFTBALL,
                rule_ft: 35.0,
                extension_ft: 4.0,
                release_height_m: 0.5,
                zone_middle_m: 0.56,
                mph: [42.0, 38.0, 34.0],
            },
        }
    }

    /// The word in the settings.
    pub(crate) const fn name(self) -> &'static str {
        self.figures().name
    }

    /// From the rubber to the rear point of home plate, by rule, meters.
    pub(crate) const fn rule_distance_m(self) -> f64 {
        self.figures().rule_ft * METERS_PER_FOOT
    }

    /// From the hand to the front of the plate, meters.
    pub(crate) const fn flight_distance_m(self) -> f64 {
        let figures = self.figures();
        (figures.rule_ft - figures.extension_ft) * METERS_PER_FOOT - PLATE_DEPTH_M
    }

    /// The usual speed of a pitch of this class.
    pub const fn usual_speed(self, class: SpeedClass) -> Speed {
        let [fast, medium, slow] = self.figures().mph;
        Speed::from_mph(match class {
            SpeedClass::Fast => fast,
            SpeedClass::Medium => medium,
            SpeedClass::Slow => slow,
        })
    }

    /// A pitch of this speed, as it leaves the hand.
    pub(crate) const fn throw(self, speed: Speed) -> Throw {
        let figures = self.figures();
        Throw {
            ball: figures.ball,
            speed,
            distance_m: self.flight_distance_m(),
            release_height_m: figures.release_height_m,
            crossing_height_m: figures.zone_middle_m,
        }
    }
}

impl FromStr for Level {
    type Err = UnknownLevel;

    fn from_str(word: &str) -> Result<Self, UnknownLevel> {
        // College plays at the same distance with the same figures.
        let word = word.trim();
        let wanted = if word == "college" {
            "high-school"
        } else {
            word
        };
        Level::ALL
            .into_iter()
            .find(|level| level.name() == wanted)
            .ok_or_else(|| UnknownLevel {
                word: word.to_owned(),
            })
    }
}

impl SpeedClass {
    /// Every class, the fastest first.
    pub const ALL: [SpeedClass; 3] = [SpeedClass::Fast, SpeedClass::Medium, SpeedClass::Slow];
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pitch::Air;

    #[test]
    fn distances_are_the_rules() {
        // 60 ft 6 in is 18.44 m (K. Nasu, NTT Technical Review 16(3), 2018); 46 and 50 ft, and in softball 43, 40 and
        // 35 ft, are the distances of the youth and softball rules.
        for (level, metres) in [
            (Level::BigLeague, 18.44),
            (Level::HighSchool, 18.44),
            (Level::Intermediate, 15.24),
            (Level::Youth, 14.02),
            (Level::Softball, 13.11),
            (Level::Softball40Ft, 12.19),
            (Level::Softball35Ft, 10.67),
        ] {
            assert!(
                (level.rule_distance_m() - metres).abs() < 0.005,
                "{level:?}"
            );
        }
    }

    #[test]
    fn every_level_has_three_pitches_that_arrive_one_after_the_other() {
        for level in Level::ALL {
            let secs: Vec<f64> = SpeedClass::ALL
                .into_iter()
                .map(|class| {
                    let throw = level.throw(level.usual_speed(class));
                    throw.fly(Air::default()).unwrap().secs
                })
                .collect();
            // No hitter has less than a third of a second, and none waits for more than three quarters.
            assert!(secs[0] > 0.33 && secs[2] < 0.75, "{level:?}: {secs:?}");
            // A slow pitch that comes hardly later trains nothing. The front foot's push of professionals whom a
            // changeup fooled came 15 to 35 ms early (D. Fortenbaugh et al., Sports Biomech. 10(4), 2011): 50 ms is
            // clearly more.
            assert!(secs[2] - secs[0] > 0.05, "{level:?}: {secs:?}");
            assert!(secs[0] < secs[1] && secs[1] < secs[2]);
        }
    }

    #[test]
    fn words_name_levels_and_others_are_refused_with_the_list() {
        for level in Level::ALL {
            assert_eq!(level.name().parse(), Ok(level));
        }
        assert_eq!("college".parse(), Ok(Level::HighSchool));
        let refused = "tee ball".parse::<Level>().unwrap_err().to_string();
        assert!(refused.contains("\"tee ball\"") && refused.contains("softball-35-ft"));
    }
}
