//! Requests on their way in, outcomes on their way back, and the counts of both.
//!
//! Shared by the player's handle and its thread. Nothing here waits: a reader that does not fetch its
//! outcomes loses them, counted.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use crossbeam_channel::Sender;

use crate::time::CaptureTime;

use super::library::Sound;
use super::outcome::{DELIVERY, Heard, Outcome, SENTENCE, Ticket, Unheard, UnheardReason};
use super::player::PlayerHealth;

/// Any sound that was asked for.
#[derive(Clone, Debug)]
pub(super) struct Request {
    pub(super) ticket: Ticket,
    pub(super) sound: Sound,
    pub(super) decided_at: Instant,
    pub(super) at: CaptureTime,
}

impl Request {
    /// What stands for the sound in an [`Outcome`].
    pub(super) fn name(&self) -> Arc<str> {
        match &self.sound {
            Sound::Cue(id) => Arc::clone(id),
            Sound::Sentence(_) => SENTENCE.into(),
            Sound::Delivery(_) => DELIVERY.into(),
        }
    }

    pub(super) fn as_unheard(&self, why: UnheardReason) -> Outcome {
        Outcome::Unheard(Unheard {
            ticket: self.ticket,
            cue_id: self.name(),
            at: self.at,
            why,
        })
    }
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

    /// `heard_at`: when the first sample is at the output.
    pub(super) fn heard(&self, request: &Request, heard_at: Instant) {
        let latency = heard_at.saturating_duration_since(request.decided_at);
        self.settled([Outcome::Heard(Heard {
            ticket: request.ticket,
            cue_id: request.name(),
            at: request.at,
            latency_millis: latency.as_secs_f64() * 1e3,
            heard_at: Some(heard_at),
        })]);
    }

    pub(super) fn unheard(&self, request: &Request, why: UnheardReason) {
        self.settled([request.as_unheard(why)]);
    }

    pub(super) fn settled(&self, outcomes: impl IntoIterator<Item = Outcome>) {
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
