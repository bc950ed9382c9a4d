//! What is heard: by the microphone, and of our own sounds by the hitter.
//!
//! In: the ears' feed, and outcomes of sounds. Out: sharp sounds to the finder's ears, times of a pitch, latencies of cues.

use std::time::Duration;

use crate::daemon::ears_feed::{EarsFeed, tell_own};
use crate::rep::{Ears, Lag};
use crate::sound::{Outcome, Sound};
use crate::time::CaptureTime;

use super::RepStage;

impl RepStage {
    /// Goes by what is heard from there on; `lag` is what was measured of sound and picture.
    #[must_use]
    pub(in crate::daemon) fn with_ears(mut self, feed: Option<EarsFeed>, lag: Lag) -> Self {
        let ears = feed.as_ref().map(|_| Ears::new(lag));
        self.session.finder.set_ears(ears);
        self.ears_feed = feed;
        self
    }

    /// Gives the finder's ears what was heard by now.
    pub(super) fn listen(&mut self, now: CaptureTime) {
        if let (Some(feed), Some(ears)) = (&mut self.ears_feed, self.session.finder.ears_mut()) {
            feed.feed(ears, now);
        }
    }

    /// Takes in what became of sounds. `patience` is how long to wait for the first of them.
    pub(super) fn collect_outcomes(&mut self, patience: Duration) {
        for outcome in self.sound.outcomes(patience) {
            self.take_outcome(&outcome);
        }
    }

    fn take_outcome(&mut self, Outcome { request, result }: &Outcome) {
        if let (Ok(played), Some(ears)) = (result, self.session.finder.ears_mut()) {
            tell_own(
                ears,
                request,
                played,
                self.cue_latency.heard_at(request, played),
            );
        }
        let pitcher = self.session.training.pitcher.as_mut();
        match (&request.sound, result) {
            (Sound::Delivery(_), Ok(played)) => {
                let start = self.cue_latency.heard_at(request, played);
                let times = pitcher.and_then(|pitcher| pitcher.heard(start));
                if times.is_some() {
                    self.session.finder.set_pitch(times);
                }
            }
            (Sound::Delivery(_), Err(_)) => {
                if let Some(pitcher) = pitcher {
                    pitcher.unheard();
                }
            }
            (
                Sound::Cue(_) | Sound::Instruction(_) | Sound::Sentence(_) | Sound::Answer(_),
                Ok(played),
            ) => {
                self.cue_latency.played(request, played);
            }
            (
                Sound::Cue(_) | Sound::Instruction(_) | Sound::Sentence(_) | Sound::Answer(_),
                Err(_),
            ) => {
                self.cue_latency.not_played(request.ticket);
            }
        }
    }
}
