//! A swing against the pitch that was played to it: when the front foot came down, when the bat met the ball, and
//! whether the weight was still back when a swing could last begin.
//!
//! In: the events' places, when the pitch was released and when it arrived. Out: places and time spans with their
//! spread, or why there are none. Pure. The pitch's times are those at which the hitter heard it, on the camera's
//! clock.

use crate::motion::Signals;

use super::events::Moments;
use super::fit::Corner;
use super::not_measured::NotMeasured;
use super::types::PitchTimes;

/// A rep belongs to a pitch if its plant or contact comes at most this long before the release and after the arrival.
const BEFORE_RELEASE_SECS: f64 = 0.5;
const AFTER_ARRIVAL_SECS: f64 = 0.7;
/// A swing takes 0.15 to 0.21 s (R. Adair's time budget; C. Reilly-Boccia et al., The Sport Journal: 0.208 +- 0.042 s
/// over 1099 softball swings): one that is to meet the ball has begun by now, and any later look at the weight sees
/// the swing.
const LAST_START_SECS: f64 = 0.2;
/// What the sound's way to the ear is uncertain by, one standard deviation.
const SOUND_SPREAD_SECS: f64 = 0.005;
/// A place on the grid is never surer than this share of a frame, however smooth the curve.
const SUREST_PLACE: f64 = 0.3;

/// A pitch on the signals' grid, and the rep that belongs to it.
pub(super) struct AgainstPitch {
    release: f64,
    arrival: f64,
    rate_hz: f64,
}

/// A time span against the pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Span {
    /// Milliseconds.
    pub ms: f64,
    /// One standard deviation, of the event and of the sound.
    pub spread_ms: f64,
}

impl AgainstPitch {
    /// The pitch of this rep.
    pub(super) fn new(
        pitch: Option<PitchTimes>,
        signals: &Signals,
        moments: &Moments,
    ) -> Result<Self, NotMeasured> {
        let pitch = pitch.ok_or(NotMeasured::NoPitch)?;
        let rate_hz = signals.rate_hz;
        let (release, arrival) = (
            signals.place_of(pitch.release),
            signals.place_of(pitch.arrival),
        );
        let window =
            release - BEFORE_RELEASE_SECS * rate_hz..=arrival + AFTER_ARRIVAL_SECS * rate_hz;
        let belongs = [moments.plant, moments.contact]
            .into_iter()
            .flatten()
            .any(|event| window.contains(&event.place));
        if belongs {
            Ok(Self {
                release,
                arrival,
                rate_hz,
            })
        } else {
            Err(NotMeasured::PitchOfAnotherSwing)
        }
    }

    /// From the release to an event; negative where the event came first.
    pub(super) fn after_release(&self, event: Corner) -> Span {
        self.span(event, event.place - self.release)
    }

    /// From an event to the arrival; negative where the ball was there first.
    pub(super) fn before_arrival(&self, event: Corner) -> Span {
        self.span(event, self.arrival - event.place)
    }

    /// From the arrival to an event; negative where the event came first.
    pub(super) fn after_arrival(&self, event: Corner) -> Span {
        self.span(event, event.place - self.arrival)
    }

    /// The last moment at which a swing at this pitch can begin.
    pub(super) fn last_start(&self) -> Corner {
        Corner {
            place: self.arrival - LAST_START_SECS * self.rate_hz,
            spread: SUREST_PLACE.hypot(SOUND_SPREAD_SECS * self.rate_hz),
        }
    }

    fn span(&self, event: Corner, steps: f64) -> Span {
        let ms = 1000.0 / self.rate_hz;
        Span {
            ms: steps * ms,
            spread_ms: (event.spread.max(SUREST_PLACE) * ms).hypot(1000.0 * SOUND_SPREAD_SECS),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::measures::{Setting, measure};
    use super::super::stick_figure::Figure;
    use super::super::types::{Measure, MeasureName, RepKind, View};
    use super::*;
    use crate::time::CaptureTime;

    use MeasureName::{ContactToArrival, PlantAfterRelease, PlantToArrival, WeightKept};

    const ALL: [MeasureName; 4] = [
        PlantAfterRelease,
        PlantToArrival,
        ContactToArrival,
        WeightKept,
    ];

    /// The figure plants at 1.0 s and meets the ball at 1.18 s.
    fn measures(
        figure: &Figure,
        pitch: Option<(f64, f64)>,
        kind: RepKind,
        view: View,
    ) -> [Measure; 4] {
        let (signals, moments) = figure.build();
        let mut made = measure(&setting(figure, (&signals, &moments), pitch, kind, view));
        ALL.map(|name| made.remove(&name).unwrap())
    }

    fn setting<'a>(
        figure: &Figure,
        (signals, moments): (&'a Signals, &'a Moments),
        pitch: Option<(f64, f64)>,
        kind: RepKind,
        view: View,
    ) -> Setting<'a> {
        Setting {
            signals,
            moments,
            forward: figure.forward,
            front_is_left: figure.front_is_left,
            kind,
            view,
            yaw_rad: Some(0.0),
            roll_spread_rad: 0.01,
            pitch: pitch.map(|(release, arrival)| PitchTimes {
                release: CaptureTime::from_secs(release),
                arrival: CaptureTime::from_secs(arrival),
            }),
        }
    }

    fn swing(pitch: Option<(f64, f64)>) -> [Measure; 4] {
        measures(&Figure::default(), pitch, RepKind::Swing, View::OpenSide)
    }

    fn why(measure: &Measure) -> &str {
        match measure {
            Measure::NotMade { why } => why.as_str(),
            made => panic!("{made:?}"),
        }
    }

    fn near(measure: &Measure, expected: f64) {
        let value = measure.value().unwrap();
        assert!((value - expected).abs() < 1e-6, "{value}, not {expected}");
    }

    #[test]
    fn times_are_differences_and_their_signs_are_early_and_late() {
        let [planted, ready, contact, _] = swing(Some((0.78, 1.20)));
        near(&planted, 220.0);
        near(&ready, 200.0);
        near(&contact, -20.0);
        let [planted, ready, contact, _] = swing(Some((0.5, 0.95)));
        near(&planted, 500.0);
        near(&ready, -50.0);
        near(&contact, 230.0);
    }

    #[test]
    fn spreads_hold_the_event_the_curve_and_the_sound() {
        // The figure's events are good to a tenth of a frame; the least is 0.3 frame of 16.67 ms, the curve's shape
        // 15 ms and the sound 5 ms: 16.6 ms in all.
        for measure in &swing(Some((0.78, 1.20)))[..3] {
            let Measure::Made { plus_minus, .. } = measure else {
                panic!("{measure:?}");
            };
            assert!((plus_minus - 16.58).abs() < 0.01, "{plus_minus}");
        }
    }

    #[test]
    fn the_same_hitter_on_the_other_side_has_the_same_measures() {
        let pitch = Some((0.78, 1.20));
        let right = swing(pitch);
        let other = Figure {
            forward: -1.0,
            front_is_left: false,
            ..Figure::default()
        };
        let left = measures(&other, pitch, RepKind::Swing, View::OpenSide);
        for (a, b) in right.iter().zip(&left) {
            let (a, b) = (a.value().unwrap(), b.value().unwrap());
            assert!((a - b).abs() < 0.01, "{a} {b}");
        }
    }

    #[test]
    fn a_swing_with_no_pitch_or_with_another_swings_pitch_is_not_measured() {
        for measure in &swing(None) {
            assert_eq!(why(measure), "no pitch was played");
        }
        // Just outside on either side: contact at 1.18 more than 0.5 before the release, plant at 1.0 more than 0.7
        // after the arrival.
        for pitch in [(1.69, 2.1), (-0.2, 0.29)] {
            for measure in &swing(Some(pitch)) {
                assert_eq!(why(measure), "no pitch belongs to this swing");
            }
        }
        // Just inside.
        for pitch in [(1.67, 2.1), (-0.2, 0.49)] {
            assert!(swing(Some(pitch))[0].value().is_some());
        }
    }

    #[test]
    fn a_take_has_its_plant_only() {
        let taken = measures(
            &Figure::default(),
            Some((0.78, 1.20)),
            RepKind::Take,
            View::OpenSide,
        );
        near(&taken[0], 220.0);
        near(&taken[1], 200.0);
        assert_eq!(why(&taken[2]), "no swing followed");
        assert_eq!(why(&taken[3]), "no swing followed");
    }

    #[test]
    fn times_need_no_view_and_the_weight_needs_the_open_side() {
        let rear = measures(
            &Figure::default(),
            Some((0.78, 1.20)),
            RepKind::Swing,
            View::Rear,
        );
        assert!(rear[..3].iter().all(|m| m.value().is_some()));
        assert_eq!(why(&rear[3]), "needs the camera at the open side");
    }

    #[test]
    fn the_weight_is_looked_at_a_swings_length_before_the_ball() {
        // A ball that comes 200 ms after plant asks for the weight at plant, which is a measure of its own.
        let (signals, moments) = Figure::default().build();
        let made = measure(&setting(
            &Figure::default(),
            (&signals, &moments),
            Some((0.78, 1.20)),
            RepKind::Swing,
            View::OpenSide,
        ));
        let value = |name| made[&name].value().unwrap();
        let (kept, at_plant) = (value(WeightKept), value(MeasureName::WeightAtPlant));
        assert!((kept - at_plant).abs() < 1e-6, "{kept} {at_plant}");
        // A ball that comes 0.35 s after contact: the swing is over before it should have begun.
        assert_eq!(
            why(&swing(Some((1.1, 1.53)))[3]),
            "the swing was over before it had to begin"
        );
    }
}
