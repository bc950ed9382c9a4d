//! What a hitter asks with the hands full: the count and the last rep again, a pause, the next hitter.
//!
//! In: signs of the arms, and requests of keys and the terminal. Out: an answer that is heard at once, and what it says.

use crate::coach::{CueId, CueWords, PhraseId, Said};
use crate::daemon::rep_text::announcement_text;
use crate::daemon::requests::{Request, RequestReceiver};
use crate::pose::PoseFrame;
use crate::signs::SignWatch;
use crate::sound::Sound;
use crate::status::Ask;
use crate::time::CaptureTime;

use super::RepStage;

/// What is asked, and whether the session is paused by it.
#[derive(Default)]
pub(super) struct Asked {
    /// Absent where signs are not read.
    signs: Option<SignWatch>,
    /// Absent where nothing but signs can ask.
    requests: Option<RequestReceiver>,
    /// The keys that ask for something.
    keys: Vec<(Request, String)>,
    /// Whether reps are not counted now.
    pub paused: bool,
    /// What was last heard of a rep.
    pub last_cue: Option<CueId>,
}

impl Asked {
    /// What screens say can be asked for; the next hitter only where one `waits`.
    pub(super) fn shown(&self, waits: bool) -> Vec<Ask> {
        let asks = Request::ALL.iter().map(|request| Ask {
            what: request.as_str(),
            sign: self.signs.is_some(),
            key: self
                .keys
                .iter()
                .find(|(asked, _)| asked == request)
                .map(|(_, key)| key.clone()),
        });
        asks.filter(|ask| ask.sign || ask.key.is_some())
            .filter(|ask| waits || ask.what != Request::NextHitter.as_str())
            .collect()
    }

    /// Another hitter begins: nothing is paused and nothing was heard.
    pub(super) fn begin_session(&mut self) {
        self.paused = false;
        self.last_cue = None;
    }
}

impl RepStage {
    /// Takes requests from there; `keys` ask for some of them.
    #[must_use]
    pub(in crate::daemon) fn with_requests(
        mut self,
        requests: RequestReceiver,
        keys: Vec<(Request, String)>,
    ) -> Self {
        self.asked.requests = Some(requests);
        self.asked.keys = keys;
        self
    }

    /// Reads signs of the hitter's arms, where that is turned on.
    #[must_use]
    pub(in crate::daemon) fn with_signs(mut self, on: bool) -> Self {
        self.asked.signs = on.then(|| SignWatch::new(self.session.setup.roll_deg));
        self
    }

    /// Answers a sign that is complete with this frame.
    pub(super) fn watch_signs(&mut self, pose: &PoseFrame) {
        let sign = self.asked.signs.as_mut().and_then(|signs| signs.step(pose));
        if let Some(sign) = sign {
            self.terminal.println(&format!("sign: {sign}"));
            self.answer(sign.into(), pose.captured_at);
        }
    }

    /// Answers what was asked by keys and at the terminal since the last frame.
    pub(super) fn answer_requests(&mut self, now: CaptureTime) {
        while let Some(request) = self
            .asked
            .requests
            .as_ref()
            .and_then(|asked| asked.try_recv().ok())
        {
            self.answer(request, now);
        }
    }

    fn answer(&mut self, request: Request, now: CaptureTime) {
        tracing::debug!(%request, "asked");
        match request {
            Request::Again => self.say_again(now),
            Request::Pause => self.pause_or_go_on(now),
            Request::NextHitter => self.ask_for_next_hitter(now),
        }
    }

    /// The count, and what was heard of the last rep.
    fn say_again(&mut self, now: CaptureTime) {
        let training = &self.session.training;
        let count = training.trainer.count();
        let mut said = count.said(training.units);
        if let Some(cue) = self.asked.last_cue {
            // A rep in range was heard as a tone, which has no words of its own.
            let heard = match (cue, training.cue_words) {
                (CueId::InBand, _) => Said::Phrase(PhraseId::InRange),
                (cue, CueWords::Happened) => Said::Cue(cue),
                (cue, CueWords::ToDo) => Said::Instruction(cue),
            };
            said.extend([Said::Pause, heard]);
        }
        self.terminal
            .println(&announcement_text(&count, training.messages()));
        self.sound.play(Sound::Answer(said), now);
        if let Some(last) = &self.session.last_rep {
            self.terminal.println(last);
        }
    }

    fn pause_or_go_on(&mut self, now: CaptureTime) {
        self.asked.paused = !self.asked.paused;
        if self.asked.paused {
            self.say(PhraseId::Paused, now);
            self.terminal
                .println("paused: reps are not counted until somebody asks to go on");
        } else {
            self.say(PhraseId::GoingOn, now);
            self.terminal.println("reps are counted again");
        }
        self.publish(None);
    }

    /// The next hitter's session begins as soon as it is prepared, which is not this thread's work.
    fn ask_for_next_hitter(&mut self, now: CaptureTime) {
        let waits = self.changes.ask_for_next_hitter();
        self.say(
            if waits {
                PhraseId::NextHitter
            } else {
                PhraseId::NobodyWaits
            },
            now,
        );
        self.terminal.println(match waits {
            true => "the next hitter steps in",
            false => "no one is waiting for a turn",
        });
    }

    pub(super) fn say(&mut self, phrase: PhraseId, now: CaptureTime) {
        self.sound
            .play(Sound::Answer(vec![Said::Phrase(phrase)]), now);
    }

    /// Whether a rep is not counted because of a pause; whoever swings all the same hears that it is one.
    pub(super) fn is_paused_for(&mut self, known_at: CaptureTime) -> bool {
        if self.asked.paused {
            self.say(PhraseId::Paused, known_at);
            self.terminal.println("a rep is not counted: paused");
        }
        self.asked.paused
    }
}
