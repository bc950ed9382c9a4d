//! `cagehand bench`: how fast each part is on this machine, and all of them together as from a camera.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use clap::Args;

use super::replay::ModelArg;
use super::watch::time_landmarks;
use super::{Failure, bench_live, places, session, show};
use crate::capture::{ClipSource, Frame};
use crate::daemon::Times;
use crate::pose::Model;
use crate::settings::Settings;
use crate::sound::measure_latency;

/// Frames of the clip that are timed.
const FRAMES: usize = 300;
/// Cues that are played to time the sound; each lasts about half a second.
const CUES: usize = 20;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub struct Bench {
    /// The clip to run; the bundled recording where not told.
    clip: Option<PathBuf>,
    /// How long the clip runs as if a camera sent it, seconds; 0 leaves that out.
    #[arg(long, value_name = "N", default_value = "30", value_parser = clap::value_parser!(u32).range(0..=3600))]
    live_secs: u32,
    /// The model of the live run; the one that would be chosen here where not told.
    #[arg(long)]
    model: Option<ModelArg>,
}

impl Bench {
    pub fn run(self, settings: &Settings) -> Result<(), Failure> {
        for model in [Model::Lite, Model::Full] {
            let started = Instant::now();
            let mut tracker = model.tracker()?;
            let loaded = started.elapsed().as_secs_f64() * 1e3;
            let took = time_landmarks(&mut tracker)?;
            show::line(&format!(
                "{:<4} landmark model: {took:6.2} ms a frame, loaded in {loaded:.0} ms",
                model.name()
            ));
        }
        let path = self.clip.or_else(places::stand_in).ok_or_else(|| {
            Failure::Request("the bundled recording was not found; name a clip".into())
        })?;
        show::line(&format!("{}, one thread:", path.display()));
        let decode = Times::default();
        let mut clip = ClipSource::open(&path)?;
        let mut frame = Frame::default();
        for _ in 0..FRAMES {
            let started = Instant::now();
            if !clip.next_frame(&mut frame)? {
                break;
            }
            decode.add(started.elapsed());
        }
        row("decode", &decode);
        for model in [Model::Lite, Model::Full] {
            let mut clip = ClipSource::open(&path)?;
            let mut tracker = model.tracker()?;
            let pose = Times::default();
            for _ in 0..FRAMES {
                if !clip.next_frame(&mut frame)? {
                    break;
                }
                let started = Instant::now();
                tracker.next(&frame)?;
                pose.add(started.elapsed());
            }
            row(&format!("crop and {} model", model.name()), &pose);
        }
        sound(settings)?;
        if self.live_secs > 0 {
            let model = self.model.map(Model::from);
            bench_live::run(settings, &path, model, self.live_secs)?;
        }
        Ok(())
    }
}

/// How long a cue takes from its decision to the first sample at the device.
fn sound(settings: &Settings) -> Result<(), Failure> {
    let library = Arc::new(session::library(settings)?);
    match measure_latency(library, CUES, settings.cues.volume) {
        Ok(report) => {
            let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| report.quantile_millis(q));
            show::line(&format!(
                "sound, decision to first sample, {} cues:\n  {:<22} p50 {p50:6.2} ms   p95 {p95:6.2} ms   p99 {p99:6.2} ms",
                report.millis.len(),
                "cue"
            ));
            if report.unheard > 0 {
                show::line(&format!("  {} cues were not heard", report.unheard));
            }
        }
        Err(error) => show::line(&format!("sound was not measured: {error}")),
    }
    Ok(())
}

pub(super) fn row(what: &str, times: &Times) {
    let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| times.quantile_ms(q).unwrap_or(f64::NAN));
    show::line(&format!(
        "  {what:<22} p50 {p50:6.2} ms   p95 {p95:6.2} ms   p99 {p99:6.2} ms"
    ));
}
