//! Watches somebody clap and hears it.
//!
//! In: the source's frames, and the microphone or a WAV file. Out: the microphone's settings that follow.

use super::{Calibrate, SETTLE, claps, next_frame};
use crate::capture::Frame;
use crate::command::{Failure, terminal};
use crate::daemon::DaemonError;
use crate::hearing::{Listener, sounds_of_wav};
use crate::pose::{Landmark, Model, PoseFrame};
use crate::settings::Settings;

/// How long claps are watched, seconds.
const CLAP_SECS: f64 = 16.0;
/// A wrist that is less visible is not looked at.
const LEAST_VISIBILITY: f32 = 0.5;

impl Calibrate {
    /// Watches and hears claps; gives the settings of the microphone that follow.
    pub(super) fn watch_claps(
        &self,
        settings: &Settings,
    ) -> Result<[(&'static str, f64); 2], Failure> {
        let mut source = self.open(settings)?;
        let listener = match &self.hear {
            Some(_) => None,
            None if self.source.is_some() => {
                return Err(Failure::Request(
                    "a clip's claps are heard in its sound: name it with --hear FILE.wav".into(),
                ));
            }
            None => Some(Listener::start(settings.microphone.choice()).map_err(DaemonError::from)?),
        };
        if listener.is_some() {
            terminal::println(&format!(
                "Clap a dozen times within {CLAP_SECS:.0} s where the hitter stands, once a second: facing the camera, arms wide, hands at the chest."
            ));
        }
        let mut tracker = Model::Full.tracker()?;
        let mut frame = Frame::default();
        let (mut distances, mut heard) = (Vec::new(), Vec::new());
        let mut first = None;
        while next_frame(&mut source, &mut frame)? {
            let at = frame.captured_at;
            let pose = tracker.next(&frame)?;
            distances.extend(wrists_apart_px(&pose).map(|px| (at.secs(), px)));
            if at.secs_since(*first.get_or_insert(at)) > CLAP_SECS {
                break;
            }
        }
        match (&listener, &self.hear) {
            (Some(listener), _) => {
                let clock = source.clock();
                // What was heard last is on its way still.
                std::thread::sleep(SETTLE);
                if let Some(clock) = clock {
                    let onsets = listener.pieces().flat_map(|piece| piece.onsets);
                    heard.extend(onsets.map(|(instant, _)| clock.at(instant).secs()));
                }
            }
            (None, Some(path)) => {
                let pieces = sounds_of_wav(path).map_err(DaemonError::from)?;
                heard.extend(
                    pieces
                        .iter()
                        .flat_map(|p| p.onsets.iter().map(|(at, _)| *at)),
                );
            }
            (None, None) => {}
        }
        let seen = claps::seen_claps(&distances);
        let Some(found) = claps::lag(&seen, &heard) else {
            return Err(Failure::Finding(format!(
                "{} claps were seen and {} sharp sounds heard, too few that belong together: {} are needed. Clap with the whole \
                 body in the picture, one clap a second, and look at `cagehand check` for the microphone",
                seen.len(),
                heard.len(),
                claps::LEAST_CLAPS
            )));
        };
        let air_secs = settings.microphone.air_secs();
        terminal::println(&format!(
            "sound    {:.1} ms after the picture, give or take {:.1}, by {} claps; {:.1} of it are its way of {} m",
            1e3 * found.secs,
            1e3 * found.spread_secs,
            found.claps,
            1e3 * air_secs,
            settings.microphone.distance_m
        ));
        let to_tenth = |ms: f64| (10.0 * ms).round() / 10.0;
        Ok([
            ("lag_ms", to_tenth(1e3 * (found.secs - air_secs))),
            ("lag_plus_minus_ms", to_tenth(1e3 * found.spread_secs)),
        ])
    }
}

/// How far apart the wrists are in the picture; `None` where they are not seen.
fn wrists_apart_px(pose: &PoseFrame) -> Option<f64> {
    let wrist = |landmark: Landmark| {
        let point = pose.body.as_ref()?.image[landmark.index()]?;
        (point.visibility >= LEAST_VISIBILITY)
            .then_some((f64::from(point.x_px), f64::from(point.y_px)))
    };
    let (left, right) = (wrist(Landmark::LeftWrist)?, wrist(Landmark::RightWrist)?);
    Some((left.0 - right.0).hypot(left.1 - right.1))
}
