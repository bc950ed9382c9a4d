//! The caution that a session begins with: what pain and dizziness mean.

use crate::coach::OPENING;
use crate::sound::Sound;
use crate::time::CaptureTime;

use super::RepStage;

/// A hitter who heard the caution does not hear it again for so long, seconds (our choice).
const CAUTION_HOLDS_SECS: f64 = 3600.0;

impl RepStage {
    /// Says the caution once somebody is in view, but not again to a hitter who heard it a moment ago, as those who take
    /// turns did.
    pub(super) fn say_opening_when_due(&mut self, now: CaptureTime) {
        if !std::mem::take(&mut self.session.opening_due) {
            return;
        }
        self.cautioned
            .retain(|(_, at)| (0.0..CAUTION_HOLDS_SECS).contains(&now.secs_since(*at)));
        let hitter = &self.session.hitter;
        let heard = hitter.is_some() && self.cautioned.iter().any(|(who, _)| who == hitter);
        if !heard {
            self.cautioned.push((hitter.clone(), now));
            self.sound.play(Sound::Sentence(OPENING.to_vec()), now);
        }
    }
}
