//! `cagehand bench`: how fast each part is on this machine.

use std::path::PathBuf;
use std::time::Instant;

use clap::Args;

use super::watch::time_landmarks;
use super::{Failure, places, show};
use crate::capture::{ClipSource, Frame};
use crate::daemon::Times;
use crate::pose::Model;

/// Frames of the clip that are timed.
const FRAMES: usize = 300;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub struct Bench {
    /// The clip to run; the bundled recording where not told.
    clip: Option<PathBuf>,
}

impl Bench {
    pub fn run(self) -> Result<(), Failure> {
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
        Ok(())
    }
}

fn row(what: &str, times: &Times) {
    let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| times.quantile_ms(q).unwrap_or(f64::NAN));
    show::line(&format!(
        "  {what:<22} p50 {p50:6.2} ms   p95 {p95:6.2} ms   p99 {p99:6.2} ms"
    ));
}
