//! What runs on the thread `sound`: the queue's other end, the schedule and the output together.
//!
//! In: messages of the [`Player`](super::Player). Out: voices on the device or samples in the file, and
//! one [`Outcome`] a request. It decides neither which cue may begin (`schedule`) nor how a device is
//! kept (`device`), and nothing it meets ends it: without an output it goes on silent.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender};

use crate::time::CaptureTime;

use super::device::{Device, Tended};
use super::library::CueLibrary;
use super::outcome::{Heard, Outcome, Unheard, UnheardReason};
use super::player::{DeviceState, PlayRequest, PlayerHealth};
use super::render::WavRender;
use super::schedule::{CUT_FADE, Candidate, Schedule, Start, Step};
use super::voice::Voice;
use super::{CUE_DEADLINE, duration_of};

/// How often the device is looked after when no cue comes.
const TEND_EVERY: Duration = Duration::from_millis(250);

/// What the player tells its thread.
pub(super) enum Message {
    /// Make this heard.
    Play(PlayRequest),
    /// No more requests will come: let the last cue be heard, close a file at this time.
    Finish(CaptureTime),
}

/// Hands outcomes back and keeps count of them.
#[derive(Clone)]
pub(super) struct Reports {
    outcomes: Sender<Outcome>,
    health: Arc<Mutex<PlayerHealth>>,
}

impl Reports {
    pub(super) fn new(outcomes: Sender<Outcome>) -> Self {
        Self {
            outcomes,
            health: Arc::default(),
        }
    }

    pub(super) fn health(&self) -> MutexGuard<'_, PlayerHealth> {
        self.health.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn heard(&self, request: &PlayRequest, latency: Duration) {
        self.settled([Outcome::Heard(Heard {
            cue_id: Arc::clone(&request.cue_id),
            at: request.at,
            latency_millis: latency.as_secs_f64() * 1e3,
        })]);
    }

    pub(super) fn unheard(&self, request: &PlayRequest, why: UnheardReason) {
        self.settled([Outcome::Unheard(Unheard {
            cue_id: Arc::clone(&request.cue_id),
            at: request.at,
            why,
        })]);
    }

    fn settled(&self, outcomes: impl IntoIterator<Item = Outcome>) {
        for outcome in outcomes {
            tracing::debug!("{outcome}");
            let mut health = self.health();
            match &outcome {
                Outcome::Heard(heard) => {
                    health.heard += 1;
                    health.last_latency_millis = Some(heard.latency_millis);
                }
                Outcome::Unheard(unheard) => match unheard.why {
                    UnheardReason::Replaced => health.replaced += 1,
                    UnheardReason::Stale => health.stale += 1,
                    _ => health.silent += 1,
                },
            }
            if self.outcomes.try_send(outcome).is_err() {
                health.outcomes_dropped += 1;
            }
        }
    }
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

/// What the thread owns.
pub(super) struct Worker {
    outlet: Outlet,
    library: Arc<CueLibrary>,
    volume: f32,
    schedule: Schedule<PlayRequest>,
    reports: Reports,
    began: Instant,
}

impl Worker {
    pub(super) fn new(
        outlet: Outlet,
        library: Arc<CueLibrary>,
        volume: f32,
        reports: Reports,
    ) -> Self {
        let schedule = Schedule::new(CUE_DEADLINE);
        Self {
            outlet,
            library,
            volume,
            schedule,
            reports,
            began: Instant::now(),
        }
    }

    /// Runs until the player is dropped or finishes.
    pub(super) fn run(mut self, requests: &Receiver<Message>) {
        loop {
            self.tend();
            match requests.recv_timeout(self.wait()) {
                Ok(Message::Play(request)) => self.play(request),
                Ok(Message::Finish(end)) => return self.finish(end),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.hush(),
            }
        }
    }

    /// Time since the thread began; the schedule's clock.
    fn now(&self) -> Duration {
        self.began.elapsed()
    }

    fn wait(&self) -> Duration {
        let due = self
            .schedule
            .wake_at()
            .map(|due| due.saturating_sub(self.now()));
        due.map_or(TEND_EVERY, |due| due.min(TEND_EVERY))
    }

    /// Looks after the device and begins a waiting cue whose turn has come.
    fn tend(&mut self) {
        let now = self.now();
        let Outlet::Device(device) = &mut self.outlet else {
            return;
        };
        let tended = device.tend(Instant::now(), self.schedule.busy_until(now).is_none());
        if tended != Tended::Unchanged {
            self.reports.health().device = self.outlet.state();
        }
        if tended == Tended::Lost {
            self.reports.health().device_losses += 1;
            if let Some(waiting) = self.schedule.clear() {
                self.reports.unheard(&waiting, UnheardReason::NoDevice);
            }
        }
        let step = self.schedule.wake(now);
        self.follow(step);
    }

    fn play(&mut self, request: PlayRequest) {
        let Some(cue) = self.library.cue(&request.cue_id) else {
            tracing::error!(cue = %request.cue_id, "there is no such cue");
            return self.reports.unheard(&request, UnheardReason::UnknownCue);
        };
        let (rank, lasts) = (cue.rank, duration_of(cue.samples.len()));
        match &mut self.outlet {
            Outlet::None => self.reports.unheard(&request, UnheardReason::Off),
            Outlet::File(_) => self.write(&request),
            Outlet::Device(device) if !device.is_open() => {
                self.reports.unheard(&request, UnheardReason::NoDevice)
            }
            Outlet::Device(_) => {
                let now = self.now();
                let decided_at = request.decided_at.saturating_duration_since(self.began);
                let step = self.schedule.request(
                    now,
                    Candidate {
                        cue: request,
                        rank,
                        lasts,
                        decided_at,
                    },
                );
                self.follow(step);
            }
        }
    }

    /// Does what the schedule decided.
    fn follow(&mut self, step: Step<PlayRequest>) {
        if let Some((request, why)) = step.dropped {
            self.reports.unheard(&request, why);
        }
        let Some(Start { cue: request, cut }) = step.start else {
            return;
        };
        let Outlet::Device(device) = &mut self.outlet else {
            return;
        };
        let Some(samples) = self.library.samples_for(&request.cue_id) else {
            return;
        };
        match device.play(Voice::new(samples, self.volume), cut) {
            Some(to_output) => self
                .reports
                .heard(&request, request.decided_at.elapsed() + to_output),
            None => self.reports.unheard(&request, UnheardReason::NoDevice),
        }
    }

    /// Puts a cue into the file. After a failure the rest of the session is silent: a file with a
    /// hole in it would lie about when cues came.
    fn write(&mut self, request: &PlayRequest) {
        let Outlet::File(render) = &mut self.outlet else {
            return;
        };
        match render.cue_at(&request.cue_id, request.at) {
            Ok(settled) => self.reports.settled(settled),
            Err(error) => {
                tracing::error!("{error}; no more cues are written");
                self.outlet = Outlet::None;
                self.reports.health().device = DeviceState::Off;
                self.reports.unheard(request, UnheardReason::NotWritten);
            }
        }
    }

    /// Fades out what is heard, because the program is closing.
    fn hush(self) {
        let busy = self.schedule.busy_until(self.now()).is_some();
        if let Outlet::Device(device) = &self.outlet
            && busy
        {
            device.hush();
            thread::sleep(CUT_FADE * 5);
        }
    }

    /// Lets what is heard, and what waits for it, come to its end.
    fn finish(mut self, end: CaptureTime) {
        if let Outlet::File(render) = self.outlet {
            match render.finish(end) {
                Ok(settled) => self.reports.settled(settled),
                Err(error) => tracing::error!("{error}; its last part is missing"),
            }
            return;
        }
        while let Some(until) = self.schedule.busy_until(self.now()) {
            thread::sleep(until.saturating_sub(self.now()).min(TEND_EVERY));
            self.tend();
        }
        // What the device holds in its own buffer is still to be heard; no buffer is larger than this.
        thread::sleep(TEND_EVERY);
    }
}
