//! Films in slow motion, as films of hitters often are.
//!
//! In: signals on the film's clock. Out: the same at the pace of life, and a rep's times back on the film's clock. How slow
//! a film runs is seldom known; the only question is whether its motion is a swing's at some factor.

use crate::motion::Signals;
use crate::time::CaptureTime;

use super::not_measured::NotMeasured;
use super::types::{Events, Rep, Unit};

/// How many times slower than life a film runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct SlowMotion {
    /// 1 for life, more for a film that was slowed down.
    pub factor: f64,
}

impl SlowMotion {
    /// As it happened.
    pub(super) const NONE: Self = Self { factor: 1.0 };

    /// How many times slower than life the judge looks at it: it was trained on films at their own pace, some of them slowed
    /// twice, and hardly any more.
    pub(super) fn judged_factor(self) -> f64 {
        self.factor.min(2.0)
    }

    /// The signals as if the film had run at life's pace.
    pub(super) fn to_life(self, signals: &Signals) -> Signals {
        let mut quick = signals.clone();
        quick.rate_hz *= self.factor;
        quick
    }

    /// A time of the signals at life's pace, which begin at `start`, on the film's clock.
    pub(super) fn time_on_film(self, time: CaptureTime, start: CaptureTime) -> CaptureTime {
        if self == Self::NONE {
            return time;
        }
        start.plus_secs(self.factor * time.secs_since(start))
    }

    /// A rep that was read from signals at life's pace, its times on the film's clock again.
    ///
    /// Its durations are not reported: they depend on the factor, which is a guess.
    pub(super) fn on_film(self, rep: Rep, start: CaptureTime, now: CaptureTime) -> Rep {
        if self == Self::NONE {
            return rep;
        }
        let back = |time: Option<CaptureTime>| time.map(|t| self.time_on_film(t, start));
        let Events {
            set,
            gather,
            lift_off,
            plant,
            heel_rise,
            contact,
            finish,
        } = rep.events;
        let mut rep = Rep {
            fps: rep.fps / self.factor,
            heard: None,
            known_at: now,
            // Without a ruler nothing is measured again by times that are a guess.
            ruler: None,
            events: Events {
                set: back(set),
                gather: back(gather),
                lift_off: back(lift_off),
                plant: back(plant),
                heel_rise: back(heel_rise),
                contact: back(contact),
                finish: back(finish),
            },
            ..rep
        };
        for (name, measure) in &mut rep.measures {
            if name.unit() == Unit::Ms {
                *measure = NotMeasured::SlowMotion.into();
            }
        }
        rep
    }
}
