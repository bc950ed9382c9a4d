//! What became of sounds: when a cue was heard, and when a pitch was.
//!
//! In: outcomes from the ears, fetched between frames. Out: the cue's latency for the rep that is logged next, and the times
//! of a pitch for the finder.

use std::time::Duration;

use crate::coach::JudgedRep;
use crate::sound::{DELIVERY, Heard, Outcome};
use crate::time::CaptureTime;

use super::RepStage;

/// How long a rep that is logged at once waits to learn when its cue was heard. The pose queue holds far more than this.
const HEARD_PATIENCE: Duration = Duration::from_millis(250);

impl RepStage {
    /// Takes in what became of sounds. `patience` is how long to wait for the first of them.
    pub(super) fn settle(&mut self, patience: Duration) {
        let settled = match patience.is_zero() {
            true => self.sinks.sound.outcomes(),
            false => self.sinks.sound.outcomes_within(patience),
        };
        for outcome in settled {
            match outcome {
                Outcome::Heard(heard) if &*heard.cue_id == DELIVERY => {
                    let start = self.heard_at(&heard);
                    let pitcher = self.training.pitcher.as_mut();
                    let times = pitcher.and_then(|pitcher| pitcher.heard(start));
                    if times.is_some() {
                        self.finder.set_pitch(times);
                    }
                }
                Outcome::Unheard(unheard) if &*unheard.cue_id == DELIVERY => {
                    if let Some(pitcher) = &mut self.training.pitcher {
                        pitcher.unheard();
                    }
                }
                Outcome::Heard(heard) => self.heard_cue(&heard),
                Outcome::Unheard(unheard) => {
                    if self.cued.is_some_and(|cued| cued.ticket == unheard.ticket) {
                        self.cued = None;
                    }
                    tracing::debug!(cue = %unheard.cue_id, why = unheard.why.as_words(), "not heard");
                }
            }
        }
    }

    /// Notes how long after its deciding frame's capture the cue was heard.
    fn heard_cue(&mut self, heard: &Heard) {
        let Some(cued) = self.cued.as_mut().filter(|c| c.ticket == heard.ticket) else {
            return;
        };
        let decided = self
            .clock
            .get()
            .map_or(heard.at, |clock| clock.at(cued.decided_at));
        let latency_ms = 1e3 * decided.secs_since(heard.at) + heard.latency_millis;
        cued.latency_ms = Some(latency_ms);
        self.cue_times.add_ms(latency_ms);
        if let Some(after_finish_ms) = cued.after_finish_ms {
            self.finish_times.add_ms(after_finish_ms + latency_ms);
        }
    }

    /// When a sound's first sample was heard, on the source's clock.
    fn heard_at(&self, heard: &Heard) -> CaptureTime {
        match (heard.heard_at, self.clock.get()) {
            (Some(instant), Some(clock)) => clock.at(instant),
            _ => heard.at.plus_secs(1e-3 * heard.latency_millis),
        }
    }

    /// A rep that is about to be logged waits a little where its cue's latency is still to come.
    pub(super) fn learn_latency(&mut self, judged: &mut JudgedRep) {
        while let Some(cued) = self.cued.filter(|cued| cued.latency_ms.is_none()) {
            let left = HEARD_PATIENCE.saturating_sub(cued.decided_at.elapsed());
            if left.is_zero() {
                break;
            }
            self.settle(left);
        }
        let latency_ms = self.cued.take().and_then(|cued| cued.latency_ms);
        if let Some(cue) = &mut judged.cue {
            cue.latency_ms = latency_ms;
        }
    }
}
