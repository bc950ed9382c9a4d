//! How long a cue takes from its decision to the speaker, measured on this machine's own device.
//!
//! In: the sounds and how many cues to play. Out: a [`LatencyReport`]. Runs on the caller's thread for
//! about half a second per cue, heard by whoever is near.

use std::thread;
use std::time::{Duration, Instant};

use super::{Output, OutputState, SoundOutput};
use crate::coach::CueId;
use crate::sound::request::{NotPlayed, Outcome, Sound, Ticket};
use crate::sound::{CueLibrary, SoundError};
use crate::time::CaptureTime;

/// How long the device may take to open, and to begin a cue.
const PATIENCE: Duration = Duration::from_secs(5);

/// Latencies of cues that were heard, in milliseconds; meaning as in [`Played`](crate::sound::Played).
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LatencyReport {
    /// All of them, smallest first; never empty.
    pub millis: Vec<f64>,
    /// Cues that were asked for and not heard.
    pub unheard: usize,
}

impl LatencyReport {
    /// The latency that this share of the cues, 0 to 1, did not exceed: 0.95 for p95.
    pub(crate) fn quantile_millis(&self, share: f64) -> f64 {
        let rank = (share.clamp(0.0, 1.0) * self.millis.len() as f64).ceil() as usize;
        let index = rank.saturating_sub(1);
        self.millis.get(index).copied().unwrap_or(f64::NAN)
    }
}

/// Plays `cues` in-band tones on the default output device, at `volume` from 0 to 1, and measures how
/// long each took. Every third comes into the one before, which has to be cut for it.
///
/// # Errors
/// [`SoundError::NothingHeard`] where not one cue was heard, else where the player cannot start.
pub(crate) fn measure_latency(
    library: CueLibrary,
    cues: usize,
    volume: f32,
) -> Result<LatencyReport, SoundError> {
    let mut output = SoundOutput::open(&Output::Device, || Ok(library), volume)?;
    let began = Instant::now();
    while output.health().state != OutputState::Open {
        if began.elapsed() > PATIENCE {
            return Err(SoundError::NothingHeard(NotPlayed::NoDevice));
        }
        thread::sleep(Duration::from_millis(10));
    }
    let (mut millis, mut unheard, mut why) = (Vec::with_capacity(cues), 0, NotPlayed::NoDevice);
    for index in 0..cues {
        let ticket = output.play(Sound::Cue(CueId::InBand), CaptureTime::default());
        match ticket.and_then(|ticket| outcome_of(&mut output, ticket)) {
            Some(Outcome {
                result: Ok(played), ..
            }) => millis.push(played.latency_millis),
            Some(Outcome {
                result: Err(reason),
                ..
            }) => {
                unheard += 1;
                why = reason;
            }
            None => unheard += 1,
        }
        // Odd distances, so that requests fall on all places within the device's period.
        let apart = if index % 3 == 1 { 150 } else { 420 };
        thread::sleep(Duration::from_micros(
            apart * 1000 + index as u64 * 1370 % 11_000,
        ));
    }
    output.finish(CaptureTime::default())?;
    if millis.is_empty() {
        return Err(SoundError::NothingHeard(why));
    }
    millis.sort_unstable_by(f64::total_cmp);
    Ok(LatencyReport { millis, unheard })
}

/// What became of this request; `None` where the device does not say in time.
fn outcome_of(output: &mut SoundOutput, ticket: Ticket) -> Option<Outcome> {
    loop {
        let outcomes = output.outcomes(PATIENCE);
        if outcomes.is_empty() {
            return None;
        }
        let of_it = |outcome: &Outcome| outcome.request.ticket == ticket;
        if let Some(outcome) = outcomes.into_iter().find(of_it) {
            return Some(outcome);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_values_that_were_measured() {
        let report = LatencyReport {
            millis: (1..=40).map(f64::from).collect(),
            unheard: 0,
        };
        let quantiles = [0.0, 0.5, 0.95, 0.99, 1.0].map(|share| report.quantile_millis(share));
        assert_eq!(quantiles, [1.0, 20.0, 38.0, 40.0, 40.0]);
    }
}
