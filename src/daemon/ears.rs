//! Where sound goes: to the player's thread, into a file on the recording's time line, or nowhere.
//!
//! In: cues, sentences, deliveries and the head tone, as they are decided. Out: what became of them, fetched without
//! waiting. One face for the live player and the file, so that the rep stage does not ask which it has.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::coach::{CueId, Said};
use crate::pitch::{Delivery, MarkKind};
use crate::sound::{
    self, CueLibrary, DeliveryMark, DeliveryMarkKind, DeliverySound, DeviceState, HeadTone,
    Outcome, Output, PlayRequest, Player, PlayerHealth, SayRequest, SoundError, Ticket, WavRender,
};
use crate::time::CaptureTime;

/// Where sound goes.
pub enum Ears {
    /// To the player's thread, as it is decided.
    Player(Box<LivePlayer>),
    /// Into a file on the recording's time line.
    Render(Box<Render>),
    /// Nowhere.
    None,
}

/// A player, and what it takes to start it again.
pub struct LivePlayer {
    player: Player,
    library: Arc<CueLibrary>,
    volume: f32,
    restarts: u64,
}

/// A file and what became of the sounds in it.
pub struct Render {
    wav: WavRender,
    settled: Vec<Outcome>,
}

impl Ears {
    /// Ears at the default output device. A player that dies by a fault is started again.
    ///
    /// # Errors
    /// Where the system has no thread left.
    pub fn device(library: Arc<CueLibrary>, volume: f32) -> Result<Self, SoundError> {
        Ok(Self::Player(Box::new(LivePlayer {
            player: Player::start(Output::Device, Arc::clone(&library), volume)?,
            library,
            volume,
            restarts: 0,
        })))
    }

    /// Ears that write a file in real time.
    ///
    /// # Errors
    /// Where the file cannot be created.
    pub fn wav_file(
        path: &Path,
        library: Arc<CueLibrary>,
        volume: f32,
    ) -> Result<Self, SoundError> {
        Ok(Self::Player(Box::new(LivePlayer {
            player: Player::start(Output::WavFile(path.into()), Arc::clone(&library), volume)?,
            library,
            volume,
            restarts: 0,
        })))
    }

    /// Starts a player again that died, and tells how it is. To be called about once a second.
    pub fn tend(&mut self) {
        let Ears::Player(live) = self else { return };
        if live.player.is_alive() || live.player.health().device == DeviceState::File {
            return;
        }
        match Player::start(Output::Device, Arc::clone(&live.library), live.volume) {
            Ok(player) => {
                tracing::error!("the sound thread had failed and was started again");
                live.player = player;
                live.restarts += 1;
            }
            Err(error) => tracing::error!(%error, "the sound thread cannot be started again"),
        }
    }

    /// How the player is, and how often it was started again; `None` without one.
    pub fn health(&self) -> Option<(PlayerHealth, u64)> {
        match self {
            Ears::Player(live) => Some((live.player.health(), live.restarts)),
            Ears::Render(_) | Ears::None => None,
        }
    }

    /// Ears that write a file.
    pub fn render(wav: WavRender) -> Self {
        Self::Render(Box::new(Render {
            wav,
            settled: Vec::new(),
        }))
    }

    /// Plays a cue. The ticket finds its outcome; `None` where nothing is ever heard, or where the file took it at
    /// once.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn cue(&mut self, id: CueId, at: CaptureTime) -> Result<Option<Ticket>, SoundError> {
        match self {
            Ears::None => Ok(None),
            Ears::Player(live) => Ok(Some(live.player.play(PlayRequest {
                cue_id: id.as_str().into(),
                decided_at: Instant::now(),
                at,
            }))),
            Ears::Render(render) => {
                let settled = render.wav.cue_at(id.as_str(), at)?;
                render.keep(settled);
                Ok(None)
            }
        }
    }

    /// Says a sentence when its turn comes.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn say(&mut self, said: &[Said], at: CaptureTime) -> Result<(), SoundError> {
        let said: Vec<sound::Said> = said.iter().map(spoken).collect();
        match self {
            Ears::None => {}
            Ears::Player(live) => {
                live.player.say(SayRequest {
                    said,
                    decided_at: Instant::now(),
                    at,
                });
            }
            Ears::Render(render) => {
                let settled = render.wav.say_at(&said, at)?;
                render.keep(settled);
            }
        }
        Ok(())
    }

    /// Plays a delivery. In a file it may have been settled at once: [`Self::outcomes`] tells.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn deliver(&mut self, delivery: &Delivery, at: CaptureTime) -> Result<(), SoundError> {
        let marks: Vec<DeliveryMark> = delivery
            .marks
            .iter()
            .map(|mark| DeliveryMark {
                at_secs: mark.at_secs,
                kind: match mark.kind {
                    MarkKind::Beat => DeliveryMarkKind::Beat,
                    MarkKind::Release => DeliveryMarkKind::Release,
                    MarkKind::Plate => DeliveryMarkKind::Plate,
                },
            })
            .collect();
        match self {
            Ears::None => {}
            Ears::Player(live) => {
                live.player.deliver(DeliverySound {
                    marks,
                    decided_at: Instant::now(),
                    at,
                });
            }
            Ears::Render(render) => {
                let settled = render.wav.deliver_at(&marks, at)?;
                render.keep(settled);
            }
        }
        Ok(())
    }

    /// Lets the tone follow the head at this share of its band, or fade out.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn head_tone(&mut self, share: Option<f32>, at: CaptureTime) -> Result<(), SoundError> {
        let tone = share.map(|share| HeadTone { share });
        match self {
            Ears::None => {}
            Ears::Player(live) => live.player.head_tone(tone, at),
            Ears::Render(render) => {
                let settled = render.wav.head_tone_at(tone, at)?;
                render.keep(settled);
            }
        }
        Ok(())
    }

    /// How long the device took to the first sample of the tone's last news, once; `None` where it has taken none since.
    pub fn tone_lag(&self) -> Option<Duration> {
        match self {
            Ears::Player(live) => live.player.tone_lag(),
            Ears::Render(_) | Ears::None => None,
        }
    }

    /// Lets a file's time go on to `at`. A player goes by the clock.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn go_on(&mut self, at: CaptureTime) -> Result<(), SoundError> {
        if let Ears::Render(render) = self {
            let settled = render.wav.advance_to(at)?;
            render.keep(settled);
        }
        Ok(())
    }

    /// Plays what comes at this volume and, where it is given, from this library; what is heard now goes on as it began.
    pub fn revise(&mut self, volume: f32, library: Option<Arc<CueLibrary>>) {
        match self {
            Ears::None => {}
            Ears::Player(live) => {
                live.volume = volume;
                if let Some(library) = &library {
                    live.library = Arc::clone(library);
                }
                live.player.revise(volume, library);
            }
            Ears::Render(render) => render.wav.revise(volume, library),
        }
    }

    /// What became of sounds since the last call; never waits.
    pub fn outcomes(&mut self) -> Vec<Outcome> {
        match self {
            Ears::None => Vec::new(),
            Ears::Player(live) => live.player.outcomes().try_iter().collect(),
            Ears::Render(render) => std::mem::take(&mut render.settled),
        }
    }

    /// As [`Self::outcomes`], but where there is none yet waits for one.
    pub fn outcomes_within(&mut self, patience: Duration) -> Vec<Outcome> {
        let mut settled = self.outcomes();
        if settled.is_empty()
            && let Ears::Player(live) = self
        {
            settled.extend(live.player.outcomes().recv_timeout(patience).ok());
        }
        settled
    }

    /// Lets the last sounds be heard to their end and closes a file at `end`.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn finish(self, end: CaptureTime) -> Result<(), SoundError> {
        match self {
            Ears::None => {}
            Ears::Player(live) => live.player.finish(end),
            Ears::Render(render) => drop(render.wav.finish(end)?),
        }
        Ok(())
    }
}

impl Render {
    fn keep(&mut self, settled: Vec<Outcome>) {
        self.settled.extend(settled);
    }
}

fn spoken(said: &Said) -> sound::Said {
    match *said {
        Said::Phrase(id) => sound::Said::phrase(id.as_str()),
        Said::Cue(id) => sound::Said::phrase(id.as_str()),
        Said::Number(number) => sound::Said::Number(number),
        Said::Count(number, noun) => sound::Said::count(number, noun.as_str()),
        Said::Pause => sound::Said::Pause,
    }
}
