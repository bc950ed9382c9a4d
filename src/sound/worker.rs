//! What runs on the thread `sound`: the queue's other end, the schedule and the output together.
//!
//! In: messages of the [`Player`](super::Player). Out: voices on the device or samples in the file, and
//! one [`Outcome`] a request. It decides neither which sound may begin (`schedule`) nor how a device is
//! kept (`device`), and nothing it meets ends it: without an output it goes on silent.

use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, never, select};

use crate::time::CaptureTime;

use super::device::{Begun, Device, Tended};
use super::duration_of;
use super::head_tone::HeadTone;
use super::library::CueLibrary;
use super::outcome::UnheardReason;
use super::player::DeviceState;
use super::render::WavRender;
use super::reports::{Reports, Request};
use super::schedule::{CUT_FADE, Candidate, Schedule, Start, Step};
use super::voice::Voice;

/// How often the device is looked after when nothing comes.
const TEND_EVERY: Duration = Duration::from_millis(250);

/// How often it is asked whether the device has taken a voice's first sample yet.
const SETTLE_EVERY: Duration = Duration::from_millis(2);

/// A voice that was not taken up by then is reported by the estimate.
const SETTLE_PATIENCE: Duration = Duration::from_millis(150);

/// What the player tells its thread.
pub(super) enum Message {
    /// Make this heard.
    Play(Request),
    /// No more requests will come: let the last cue be heard, close a file at this time.
    Finish(CaptureTime),
}

/// News of the head, for a file; for a device they are in the tone's state already.
pub(super) type ToneNews = (Option<HeadTone>, CaptureTime);

/// How what comes is to be played from now on. Not a message: when the queue is full, its oldest is thrown away.
pub(super) struct Revised {
    pub volume: f32,
    /// `None` leaves the one there is.
    pub library: Option<Arc<CueLibrary>>,
}

/// Where the sound goes.
pub(super) enum Outlet {
    Device(Box<Device>),
    File(Box<WavRender>),
    None,
}

impl Outlet {
    pub(super) fn state(&self) -> DeviceState {
        match self {
            Self::Device(device) if device.is_open() => DeviceState::Open,
            Self::Device(_) => DeviceState::Absent,
            Self::File(_) => DeviceState::File,
            Self::None => DeviceState::Off,
        }
    }
}

/// A request whose samples are at hand.
type Prepared = (Request, Arc<[f32]>);

/// A voice that was handed over and has not begun yet, as far as is known.
struct HandedOver {
    request: Request,
    begun: Begun,
    at: Instant,
}

/// What the thread owns.
pub(super) struct Worker {
    outlet: Outlet,
    library: Arc<CueLibrary>,
    volume: f32,
    schedule: Schedule<Prepared>,
    handed_over: Vec<HandedOver>,
    reports: Reports,
    began: Instant,
    revised: Arc<Mutex<Option<Revised>>>,
}

impl Worker {
    pub(super) fn new(
        outlet: Outlet,
        library: Arc<CueLibrary>,
        volume: f32,
        reports: Reports,
    ) -> Self {
        Self {
            outlet,
            library,
            volume,
            schedule: Schedule::new(),
            handed_over: Vec::new(),
            reports,
            began: Instant::now(),
            revised: Arc::default(),
        }
    }

    /// Where the player puts what is to be played otherwise.
    pub(super) fn revised(&self) -> Arc<Mutex<Option<Revised>>> {
        Arc::clone(&self.revised)
    }

    fn take_up_revision(&mut self) {
        let revised = {
            let mut revised = self.revised.lock().unwrap_or_else(PoisonError::into_inner);
            revised.take()
        };
        let Some(Revised { volume, library }) = revised else {
            return;
        };
        self.volume = volume;
        if let Some(library) = &library {
            self.library = Arc::clone(library);
        }
        if let Outlet::File(render) = &mut self.outlet {
            render.revise(volume, library);
        }
    }

    /// Runs until the player is dropped or finishes.
    pub(super) fn run(mut self, requests: &Receiver<Message>, tones: &Receiver<ToneNews>) {
        let mut tones = tones.clone();
        loop {
            self.tend();
            select! {
                recv(requests) -> message => match message {
                    Ok(Message::Play(request)) => self.play(request),
                    Ok(Message::Finish(end)) => return self.finish(end),
                    Err(_) => return self.hush(),
                },
                recv(tones) -> news => match news {
                    Ok(news) => self.tone(news),
                    Err(_) => tones = never(),
                },
                default(self.wait()) => {}
            }
        }
    }

    /// Time since the thread began; the schedule's clock.
    fn now(&self) -> Duration {
        self.began.elapsed()
    }

    fn wait(&self) -> Duration {
        let longest = if self.handed_over.is_empty() {
            TEND_EVERY
        } else {
            SETTLE_EVERY
        };
        let due = self
            .schedule
            .wake_at()
            .map(|due| due.saturating_sub(self.now()));
        due.map_or(longest, |due| due.min(longest))
    }

    /// Looks after the device and begins a waiting sound whose turn has come.
    fn tend(&mut self) {
        self.take_up_revision();
        let now = self.now();
        let busy = self.schedule.busy_until(now).is_some();
        let Outlet::Device(device) = &mut self.outlet else {
            return;
        };
        let tended = device.tend(Instant::now(), !busy);
        device.tend_tone(busy, self.volume);
        if tended != Tended::Unchanged {
            self.reports.health().device = self.outlet.state();
        }
        if tended == Tended::Lost {
            self.reports.health().device_losses += 1;
            let handed_over = self.handed_over.drain(..).map(|voice| voice.request);
            for request in handed_over.chain(self.schedule.clear().into_iter().map(|(r, _)| r)) {
                self.reports.unheard(&request, UnheardReason::NoDevice);
            }
        }
        self.settle();
        let step = self.schedule.wake(now);
        self.follow(step);
    }

    /// Reports the voices that have begun, and those that were cut before they could.
    fn settle(&mut self) {
        let reports = &self.reports;
        self.handed_over.retain(|voice| {
            let begun = &voice.begun;
            let heard_at = match begun.state.began_at() {
                Some(began_at) => began_at + begun.queue,
                None if begun.state.has_ended() => {
                    reports.unheard(&voice.request, UnheardReason::Replaced);
                    return false;
                }
                None if voice.at.elapsed() > SETTLE_PATIENCE => voice.at + begun.latency,
                None => return true,
            };
            reports.heard(&voice.request, heard_at);
            false
        });
    }

    fn play(&mut self, request: Request) {
        self.take_up_revision();
        match &mut self.outlet {
            Outlet::None => return self.reports.unheard(&request, UnheardReason::Off),
            Outlet::File(_) => return self.write(request),
            Outlet::Device(device) if !device.is_open() => {
                return self.reports.unheard(&request, UnheardReason::NoDevice);
            }
            Outlet::Device(_) => {}
        }
        match self.library.ready(&request.sound) {
            Ok(ready) => {
                let decided_at = request.decided_at.saturating_duration_since(self.began);
                let lasts = duration_of(ready.samples.len());
                let candidate = Candidate {
                    cue: (request, ready.samples),
                    rank: ready.rank,
                    lasts,
                    decided_at,
                };
                let step = self.schedule.request(self.now(), candidate);
                self.follow(step);
            }
            Err(error) => {
                tracing::error!("{error}");
                self.reports.unheard(&request, UnheardReason::UnknownCue);
            }
        }
    }

    /// Does what the schedule decided.
    fn follow(&mut self, step: Step<Prepared>) {
        for ((request, _), why) in step.dropped {
            self.reports.unheard(&request, why);
        }
        let Some(Start { cue, cut }) = step.start else {
            return;
        };
        let (request, samples) = cue;
        let Outlet::Device(device) = &mut self.outlet else {
            return;
        };
        match device.play(Voice::new(samples, self.volume), cut) {
            Some(begun) => self.handed_over.push(HandedOver {
                request,
                begun,
                at: Instant::now(),
            }),
            None => self.reports.unheard(&request, UnheardReason::NoDevice),
        }
    }

    /// The head moved, or the tone is to end.
    fn tone(&mut self, (tone, at): ToneNews) {
        let Outlet::File(render) = &mut self.outlet else {
            return;
        };
        match render.head_tone_at(tone, at) {
            Ok(settled) => self.reports.settled(settled),
            Err(error) => self.give_up_file(&error),
        }
    }

    /// Puts a sound into the file.
    fn write(&mut self, request: Request) {
        let Outlet::File(render) = &mut self.outlet else {
            return;
        };
        match self.library.ready(&request.sound) {
            Ok(ready) => match render.request(request.clone(), ready) {
                Ok(settled) => self.reports.settled(settled),
                Err(error) => {
                    self.give_up_file(&error);
                    self.reports.unheard(&request, UnheardReason::NotWritten);
                }
            },
            Err(error) => {
                tracing::error!("{error}");
                self.reports.unheard(&request, UnheardReason::UnknownCue);
            }
        }
    }

    /// After a failure the rest of the session is silent: a file with a hole in it would lie about when
    /// cues came.
    fn give_up_file(&mut self, error: &super::SoundError) {
        tracing::error!("{error}; no more cues are written");
        self.outlet = Outlet::None;
        self.reports.health().device = DeviceState::Off;
    }

    /// Fades out what is heard, because the program is closing.
    fn hush(mut self) {
        self.settle();
        let busy = self.schedule.busy_until(self.now()).is_some();
        if let Outlet::Device(device) = &self.outlet {
            device.hush();
            if busy {
                thread::sleep(CUT_FADE * 5);
            }
        }
    }

    /// Lets what is heard, and what waits for it, come to its end.
    fn finish(mut self, end: CaptureTime) {
        match self.outlet {
            Outlet::File(render) => match render.finish(end) {
                Ok(settled) => self.reports.settled(settled),
                Err(error) => tracing::error!("{error}; its last part is missing"),
            },
            Outlet::None => {}
            Outlet::Device(_) => {
                while let Some(until) = self.schedule.busy_until(self.now()) {
                    thread::sleep(until.saturating_sub(self.now()).min(self.wait()));
                    self.tend();
                }
                // What the device holds in its own buffer is still to be heard; no buffer is larger.
                thread::sleep(TEND_EVERY);
                self.settle();
            }
        }
    }
}
