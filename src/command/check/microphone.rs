//! What `check` says of the microphone: off, or what it hears.

use std::time::{Duration, Instant};

use super::finding::{Finding, Grade};
use crate::command::Failure;
use crate::daemon::DaemonError;
use crate::hearing::{Listener, MicrophoneState, microphones};
use crate::settings::Settings;

/// How long it is listened to: longer than it takes to notice that it is muted.
const LISTEN: Duration = Duration::from_secs(5);
/// How long a slow machine may take to open it.
const OPENS: Duration = Duration::from_secs(15);
/// A room louder than this above 1 kHz leaves little between it and full scale for a bat on a ball, decibels.
const LOUD_DB: f64 = -25.0;

pub(super) fn microphone(settings: &Settings) -> Result<Finding, Failure> {
    let finding = |grade, says: String| Finding {
        what: "microphone",
        grade,
        says,
    };
    let asked = &settings.microphone;
    if !asked.on {
        return Ok(finding(
            Grade::Good,
            "off, nothing is heard; contact is estimated from the hands".to_owned(),
        ));
    }
    let listener = Listener::start(asked.choice()).map_err(DaemonError::from)?;
    let (began, mut sharp) = (Instant::now(), 0);
    let opens = |state: &MicrophoneState| *state == MicrophoneState::Opens;
    while began.elapsed() < LISTEN || opens(&listener.state()) && began.elapsed() < OPENS {
        let piece = listener.wait(Duration::from_millis(200));
        sharp += piece.map_or(0, |piece| piece.onsets.len());
        if listener.state() == MicrophoneState::Missing {
            break;
        }
    }
    Ok(match listener.state() {
        MicrophoneState::Listens { name, room_db } => {
            let loud = match room_db > LOUD_DB {
                true => "; turn it down or move it: a bat on a ball is much louder than this room",
                false => "",
            };
            let lag = match asked.lag_plus_minus_ms > 10.0 {
                true => {
                    "; cagehand calibrate --clap finds how late sound is, and contact is timed to a few milliseconds"
                }
                false => "",
            };
            finding(
                Grade::note_unless(loud.is_empty() && lag.is_empty()),
                format!(
                    "LISTENS: {name}, room at {room_db:.0} dB, {sharp} sharp sounds in {} s; no sound is kept{loud}{lag}",
                    LISTEN.as_secs()
                ),
            )
        }
        MicrophoneState::Muted { name } => finding(
            Grade::Mend,
            format!(
                "{name} gives nothing but silence: it is muted, or not the one that is meant{}",
                found()
            ),
        ),
        MicrophoneState::Opens => finding(
            Grade::Mend,
            "it does not open: another program may have it".to_owned(),
        ),
        MicrophoneState::Missing | MicrophoneState::Off => finding(
            Grade::Mend,
            match &asked.device {
                Some(name) => format!("none is called {name:?}{}", found()),
                None => "none is plugged in".to_owned(),
            },
        ),
    })
}

/// The microphones that are there.
fn found() -> String {
    let names = microphones();
    match names.is_empty() {
        true => String::new(),
        false => format!(". Found: {}", names.join("; ")),
    }
}
