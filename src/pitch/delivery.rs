//! One delivery on a time line: the beats of the wind-up, the release, the arrival.
//!
//! In: a level, a speed, the air, the wind-up. Out: a [`Delivery`] whose times count from its first mark. The beats are
//! evenly spaced and the release comes where the next one would, so that the hitter can load on the last beat; only the
//! time from release to arrival differs between a fast pitch and a slow one.

use super::air::Air;
use super::flight::{Flight, PitchError, Speed};
use super::level::Level;

/// A flight's time may be off by this share of it: thin air on a hot day at 2000 m makes 3 %, the next level's distance 10.
const RECOGNIZED_WITHIN: f64 = 0.05;

/// The rhythm that leads up to the release.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindUp {
    /// Soft beats before the release, 0 to 8.
    pub(crate) beats: u8,
    /// From beat to beat and from the last beat to the release, 0.3 to 1.5 seconds.
    pub(crate) beat_secs: f64,
}

impl Default for WindUp {
    /// Three beats, the last of them 0.6 s before the release: hitters start their load when the pitcher's arm goes
    /// back, about that long before the ball is out (common practice, no source).
    fn default() -> Self {
        Self {
            beats: 3,
            beat_secs: 0.6,
        }
    }
}

/// What is heard at a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MarkKind {
    /// A beat of the wind-up.
    Beat,
    /// The ball leaves the hand.
    Release,
    /// The ball is over the front of the plate.
    Plate,
}

/// One moment of a delivery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mark {
    /// From the start of the delivery.
    pub(crate) at_secs: f64,
    /// What is heard.
    pub(crate) kind: MarkKind,
}

/// The pitch that is delivered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitch {
    /// The level of play.
    pub(crate) level: Level,
    /// At release.
    pub(crate) speed: Speed,
    /// How it flies.
    pub(crate) flight: Flight,
}

impl Pitch {
    /// A pitch of this speed at a level.
    ///
    /// # Errors
    /// [`PitchError`] where the speed or the air is out of range.
    pub fn new(level: Level, speed: Speed, air: Air) -> Result<Self, PitchError> {
        Ok(Self {
            level,
            speed,
            flight: level.throw(speed).fly(air)?,
        })
    }

    /// The pitch of this speed that flies about so long, at the level whose distance fits best; `None` where none does.
    pub(crate) fn recognized(speed: Speed, secs: f64) -> Option<Self> {
        let off = |pitch: &Self| (pitch.flight.secs / secs - 1.0).abs();
        Level::ALL
            .into_iter()
            .filter_map(|level| Self::new(level, speed, Air::default()).ok())
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .filter(|pitch| off(pitch) < RECOGNIZED_WITHIN)
    }
}

/// A pitch with its wind-up.
#[derive(Clone, Debug, PartialEq)]
pub struct Delivery {
    /// In the order in which they are heard: beats, release, plate. The first one is at 0.
    pub(crate) marks: Vec<Mark>,
    /// From the start of the delivery to the release.
    pub release_secs: f64,
    /// From the start of the delivery to the ball's arrival at the front of the plate.
    pub arrival_secs: f64,
    /// What was thrown.
    pub(crate) pitch: Pitch,
}

impl Delivery {
    /// Puts a pitch at the end of a wind-up.
    ///
    /// # Errors
    /// [`PitchError`] where the wind-up's beats are out of range.
    pub fn new(pitch: Pitch, wind_up: WindUp) -> Result<Self, PitchError> {
        for (what, value, low, high) in [
            ("beats of the wind-up", f64::from(wind_up.beats), 0.0, 8.0),
            ("seconds from beat to beat", wind_up.beat_secs, 0.3, 1.5),
        ] {
            if !(low..=high).contains(&value) {
                return Err(PitchError::OutOfRange {
                    what,
                    value,
                    low,
                    high,
                });
            }
        }
        let release_secs = f64::from(wind_up.beats) * wind_up.beat_secs;
        let arrival_secs = release_secs + pitch.flight.secs;
        let beats = (0..wind_up.beats).map(|beat| Mark {
            at_secs: f64::from(beat) * wind_up.beat_secs,
            kind: MarkKind::Beat,
        });
        let flight = [
            (release_secs, MarkKind::Release),
            (arrival_secs, MarkKind::Plate),
        ]
        .map(|(at_secs, kind)| Mark { at_secs, kind });
        Ok(Self {
            marks: beats.chain(flight).collect(),
            release_secs,
            arrival_secs,
            pitch,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::level::SpeedClass;
    use super::*;

    fn pitch(class: SpeedClass) -> Pitch {
        Pitch::new(
            Level::Youth,
            Level::Youth.usual_speed(class),
            Air::default(),
        )
        .unwrap()
    }

    #[test]
    fn the_release_is_the_beat_after_the_last_and_the_flight_follows() {
        let delivery = Delivery::new(pitch(SpeedClass::Medium), WindUp::default()).unwrap();
        let kinds: Vec<MarkKind> = delivery.marks.iter().map(|m| m.kind).collect();
        let beat = MarkKind::Beat;
        assert_eq!(
            kinds,
            [beat, beat, beat, MarkKind::Release, MarkKind::Plate]
        );
        let at = |i: usize| delivery.marks[i].at_secs;
        assert_eq!(at(0), 0.0);
        for i in 0..3 {
            assert!((at(i + 1) - at(i) - 0.6).abs() < 1e-12);
        }
        assert_eq!(
            (at(3), at(4)),
            (delivery.release_secs, delivery.arrival_secs)
        );
        let flown = delivery.arrival_secs - delivery.release_secs;
        assert!((flown - delivery.pitch.flight.secs).abs() < 1e-12);
    }

    #[test]
    fn a_pitch_is_recognized_by_its_speed_and_flight_in_thin_air_too() {
        for air in [Air::default(), Air::at(35.0, 1600.0).unwrap()] {
            for level in Level::ALL {
                for class in [SpeedClass::Fast, SpeedClass::Medium, SpeedClass::Slow] {
                    let speed = level.usual_speed(class);
                    let thrown = Pitch::new(level, speed, air).unwrap().flight;
                    let found = Pitch::recognized(speed, thrown.secs).unwrap().flight;
                    // Two levels of one distance differ by the height of the hand, 10 cm in 16 m.
                    let off = found.descent_deg - thrown.descent_deg;
                    assert!(off.abs() < 0.7, "{level:?} {class:?}: {off}");
                }
            }
        }
        let speed = Level::Youth.usual_speed(SpeedClass::Fast);
        assert_eq!(Pitch::recognized(speed, 3.0), None);
    }

    #[test]
    fn nothing_before_the_release_tells_the_speed() {
        let of = |class| Delivery::new(pitch(class), WindUp::default()).unwrap();
        let (fast, slow) = (of(SpeedClass::Fast), of(SpeedClass::Slow));
        assert_eq!(fast.marks[..4], slow.marks[..4]);
        assert!(slow.arrival_secs > fast.arrival_secs + 0.05);
    }

    #[test]
    fn a_wind_up_may_have_no_beats_and_its_tempo_is_held_to_what_can_be_followed() {
        let silent = WindUp {
            beats: 0,
            beat_secs: 0.6,
        };
        let delivery = Delivery::new(pitch(SpeedClass::Fast), silent).unwrap();
        assert_eq!((delivery.marks.len(), delivery.release_secs), (2, 0.0));
        for beat_secs in [0.1, 2.0, f64::NAN] {
            let hurried = WindUp {
                beats: 3,
                beat_secs,
            };
            assert!(Delivery::new(pitch(SpeedClass::Fast), hurried).is_err());
        }
    }
}
