//! A swing against the pitch that was played to it: when the front foot came down, when the bat met the ball, and
//! whether the weight was still back when a swing could last begin.
//!
//! In: the events' estimates, when the pitch was released and when it arrived. Out: estimates and time spans with their
//! uncertainty, or why there are none. The pitch's times are those at which the hitter heard it, on the camera's clock.

use crate::motion::Signals;

use super::estimates::{EventEstimate, EventEstimates};
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
/// No event is surer than this share of a sample, however smooth its curve.
pub(super) const SUREST_SAMPLE: f64 = 0.3;

/// A pitch on the signals' grid, and the rep that belongs to it.
pub(super) struct AgainstPitch {
    release: f64,
    arrival: f64,
    rate_hz: f64,
    descent_deg: Option<f64>,
}

/// A time span against the pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TimeSpan {
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
        estimates: &EventEstimates,
    ) -> Result<Self, NotMeasured> {
        let pitch = pitch.ok_or(NotMeasured::NoPitch)?;
        let rate_hz = signals.rate_hz;
        let (release, arrival) = (
            signals.sample_at(pitch.release),
            signals.sample_at(pitch.arrival),
        );
        let window =
            release - BEFORE_RELEASE_SECS * rate_hz..=arrival + AFTER_ARRIVAL_SECS * rate_hz;
        let belongs = [estimates.plant, estimates.contact]
            .into_iter()
            .flatten()
            .any(|event| window.contains(&event.sample));
        if belongs {
            Ok(Self {
                release,
                arrival,
                rate_hz,
                descent_deg: pitch.descent_deg,
            })
        } else {
            Err(NotMeasured::PitchOfAnotherSwing)
        }
    }

    /// From the release to an event; negative where the event came first.
    pub(super) fn after_release(&self, event: EventEstimate) -> TimeSpan {
        self.span(event, event.sample - self.release)
    }

    /// From an event to the arrival; negative where the ball was there first.
    pub(super) fn before_arrival(&self, event: EventEstimate) -> TimeSpan {
        self.span(event, self.arrival - event.sample)
    }

    /// From the arrival to an event; negative where the event came first.
    pub(super) fn after_arrival(&self, event: EventEstimate) -> TimeSpan {
        self.span(event, event.sample - self.arrival)
    }

    /// How steeply the pitch comes down at the plate, degrees.
    pub(super) fn descent_deg(&self) -> Result<f64, NotMeasured> {
        self.descent_deg.ok_or(NotMeasured::PitchLineUnknown)
    }

    /// The last moment at which a swing at this pitch can begin.
    pub(super) fn last_start(&self) -> EventEstimate {
        EventEstimate {
            sample: self.arrival - LAST_START_SECS * self.rate_hz,
            sigma: SUREST_SAMPLE.hypot(SOUND_SPREAD_SECS * self.rate_hz),
        }
    }

    fn span(&self, event: EventEstimate, steps: f64) -> TimeSpan {
        let ms = 1000.0 / self.rate_hz;
        TimeSpan {
            ms: steps * ms,
            spread_ms: (event.sigma.max(SUREST_SAMPLE) * ms).hypot(1000.0 * SOUND_SPREAD_SECS),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::context::MeasureContext;
    use super::super::measures::measure;
    use super::super::test_figure::{BATS_LEFT, Figure};
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
        let (signals, estimates) = figure.build();
        let mut made = measure(&MeasureContext {
            kind,
            view,
            pitch: pitch.map(times),
            ..figure.context(&signals, &estimates)
        });
        ALL.map(|name| made.remove(&name).unwrap())
    }

    fn times((release, arrival): (f64, f64)) -> PitchTimes {
        PitchTimes {
            release: CaptureTime::from_secs(release),
            arrival: CaptureTime::from_secs(arrival),
            descent_deg: Some(7.0),
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
            stance: BATS_LEFT,
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
    fn times_need_no_view_and_the_weight_needs_a_side() {
        let rear = measures(
            &Figure::default(),
            Some((0.78, 1.20)),
            RepKind::Swing,
            View::Rear,
        );
        assert!(rear[..3].iter().all(|m| m.value().is_some()));
        assert_eq!(why(&rear[3]), "needs the camera at the hitter's side");
    }

    #[test]
    fn the_weight_is_looked_at_a_swings_length_before_the_ball() {
        // A ball that comes 200 ms after plant asks for the weight at plant, which is a measure of its own.
        let (signals, estimates) = Figure::default().build();
        let figure = Figure::default();
        let made = measure(&MeasureContext {
            pitch: Some(times((0.78, 1.20))),
            ..figure.context(&signals, &estimates)
        });
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
