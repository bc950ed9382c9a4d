//! Asks for a pitch when the hitter is ready for one, and keeps the times of the last one.
//!
//! In: each frame's time with the hitter's phase; what became of the delivery that was requested. Out: deliveries
//! to be played, and the times of the last one as the hitter heard it. Runs in the rep stage; all waiting is in capture time.

use crate::coach::PitchPlan;
use crate::coach::PitchPlayed;
use crate::pitch::{Air, Delivery, Level, Pitch, PitchError, PitchOrder, WindUp};
use crate::rep::{Phase, PitchTimes};
use crate::time::CaptureTime;

/// The hitter has stood in the stance this long when the wind-up begins, seconds.
const READY_SECS: f64 = 1.0;
/// The last pitch has been over for this long by then: time to finish, put a ball on the tee and settle, seconds.
const BETWEEN_SECS: f64 = 4.0;
/// A delivery that was not reported as heard within this time never was, seconds.
const PATIENCE_SECS: f64 = 1.0;

/// What the pitcher waits for.
#[derive(Clone, Copy, Debug)]
enum State {
    /// For the hitter.
    Waiting {
        in_stance_since: Option<CaptureTime>,
    },
    /// For the sound output to begin the delivery.
    Requested {
        at: CaptureTime,
        delivery: RequestedDelivery,
    },
    /// For the ball to be over the plate, and for the hitter to settle.
    Heard { arrival: CaptureTime },
}

/// What is kept of a delivery until it is heard.
#[derive(Clone, Copy, Debug)]
struct RequestedDelivery {
    release_secs: f64,
    arrival_secs: f64,
    speed_kmh: f64,
    descent_deg: f64,
}

/// Plays the pitcher.
pub struct Pitcher {
    level: Level,
    air: Air,
    order: PitchOrder,
    state: State,
    last: Option<PitchPlayed>,
}

impl Pitcher {
    /// A pitcher who throws what the plan says; `seed` decides the order of mixed speeds. `None` for a plan without a
    /// speed.
    pub fn new(plan: &PitchPlan, seed: u64) -> Option<Self> {
        Some(Self {
            level: plan.level,
            air: Air::default(),
            order: PitchOrder::new(plan.speeds_to_play(), plan.mixed, seed)?,
            state: State::Waiting {
                in_stance_since: None,
            },
            last: None,
        })
    }

    /// Takes the next frame's phase and gives the delivery that is to begin now, if one is. `hold` keeps the pitcher
    /// waiting, as in a rest.
    ///
    /// # Errors
    /// Where the pitch cannot be worked out.
    pub fn step(
        &mut self,
        now: CaptureTime,
        phase: Phase,
        hold: bool,
    ) -> Result<Option<Delivery>, PitchError> {
        match &mut self.state {
            State::Requested { at, .. } if now.secs_since(*at) > PATIENCE_SECS => self.unheard(),
            State::Requested { .. } => {}
            State::Heard { arrival } => {
                if now.secs_since(*arrival) > BETWEEN_SECS {
                    self.unheard();
                }
            }
            State::Waiting { in_stance_since } => {
                if hold || !matches!(phase, Phase::Set | Phase::Gather) {
                    *in_stance_since = None;
                    return Ok(None);
                }
                let since = *in_stance_since.get_or_insert(now);
                if now.secs_since(since) >= READY_SECS {
                    return self.deliver(now).map(Some);
                }
            }
        }
        Ok(None)
    }

    fn deliver(&mut self, now: CaptureTime) -> Result<Delivery, PitchError> {
        let pitch = Pitch::new(self.level, self.order.next_speed(), self.air)?;
        let delivery = Delivery::new(pitch, WindUp::default())?;
        self.state = State::Requested {
            at: now,
            delivery: RequestedDelivery {
                release_secs: delivery.release_secs,
                arrival_secs: delivery.arrival_secs,
                speed_kmh: pitch.speed.km_h(),
                descent_deg: pitch.flight.descent_deg,
            },
        };
        Ok(delivery)
    }

    /// The delivery that was requested began at `start`. Gives its times, for the rep that follows.
    pub fn heard(&mut self, start: CaptureTime) -> Option<PitchTimes> {
        let State::Requested { delivery, .. } = self.state else {
            return None;
        };
        let (release, arrival) = (
            start.plus_secs(delivery.release_secs),
            start.plus_secs(delivery.arrival_secs),
        );
        self.state = State::Heard { arrival };
        self.last = Some(PitchPlayed {
            speed_kmh: delivery.speed_kmh,
            release,
            arrival,
        });
        Some(PitchTimes {
            release,
            arrival,
            descent_deg: Some(delivery.descent_deg),
        })
    }

    /// The delivery that was requested will not be heard, or not to its end.
    pub fn unheard(&mut self) {
        self.state = State::Waiting {
            in_stance_since: None,
        };
    }

    /// The pitch that was heard last.
    pub fn last(&self) -> Option<PitchPlayed> {
        self.last
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::SpeedUnit;

    fn pitcher(mixed: bool) -> Pitcher {
        let plan = PitchPlan {
            level: Level::Youth,
            unit: SpeedUnit::Mph,
            speeds: vec![50.0, 40.0],
            mixed,
        };
        Pitcher::new(&plan, 1).unwrap()
    }

    fn secs(secs: f64) -> CaptureTime {
        CaptureTime::from_secs(secs)
    }

    /// Steps at 60 frames a second from one time to another; when a delivery was asked for.
    fn steps(pitcher: &mut Pitcher, from: f64, to: f64, phase: Phase, hold: bool) -> Vec<f64> {
        let frames = ((to - from) * 60.0) as usize;
        (0..frames)
            .map(|i| from + i as f64 / 60.0)
            .filter(|t| pitcher.step(secs(*t), phase, hold).unwrap().is_some())
            .collect()
    }

    #[test]
    fn the_wind_up_waits_until_the_hitter_has_stood_still_for_a_second() {
        let mut pitcher = pitcher(false);
        assert!(steps(&mut pitcher, 0.0, 5.0, Phase::Away, false).is_empty());
        assert!(steps(&mut pitcher, 5.0, 5.9, Phase::Set, false).is_empty());
        assert!(steps(&mut pitcher, 5.9, 6.0, Phase::Stride, false).is_empty());
        assert!(
            steps(&mut pitcher, 6.0, 9.0, Phase::Set, true).is_empty(),
            "at rest"
        );
        let begun = steps(&mut pitcher, 9.0, 10.5, Phase::Set, false);
        assert_eq!(begun.len(), 1);
        assert!((begun[0] - 10.0).abs() < 0.02);
    }

    #[test]
    fn a_pitch_is_known_by_when_it_was_heard_and_the_next_one_waits() {
        let mut pitcher = pitcher(false);
        steps(&mut pitcher, 0.0, 1.2, Phase::Set, false);
        let times = pitcher.heard(secs(1.1)).unwrap();
        // Three beats of 0.6 s lead to the release.
        assert!((times.release.secs() - (1.1 + 1.8)).abs() < 1e-6);
        let flight = times.arrival.secs_since(times.release);
        let speed = SpeedUnit::Mph.speed(50.0);
        let usual = Pitch::new(Level::Youth, speed, Air::default()).unwrap();
        assert!((flight - usual.flight.secs).abs() < 1e-6);
        assert_eq!(pitcher.last().unwrap().release, times.release);
        let again = steps(
            &mut pitcher,
            1.2,
            times.arrival.secs() + 10.0,
            Phase::Set,
            false,
        );
        assert!((again[0] - (times.arrival.secs() + BETWEEN_SECS + READY_SECS)).abs() < 0.1);
    }

    #[test]
    fn a_delivery_that_nobody_heard_belongs_to_no_rep_and_is_played_again() {
        let mut pitcher = pitcher(true);
        assert_eq!(steps(&mut pitcher, 0.0, 5.0, Phase::Set, false).len(), 2);
        assert_eq!(pitcher.last(), None);
    }
}
