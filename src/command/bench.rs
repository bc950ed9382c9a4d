//! `cagehand bench`: how fast each part is on this machine, and all of them together as from a camera.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use clap::Args;

use super::replay::ModelArg;
use super::{Failure, terminal};
use crate::capture::{ClipSource, Frame};
use crate::daemon::{
    BenchmarkLoad, LiveBenchmark, LiveBenchmarkReport, cue_library, time_landmarks,
};
use crate::paths;
use crate::picture_size::PictureSize;
use crate::pose::{Model, default_threads, machine_cores};
use crate::settings::Settings;
use crate::sound::measure_latency;
use crate::status::DurationWindow;

/// Frames of the clip that are timed.
const FRAMES: usize = 300;
/// Threads on a network that are tried at most.
const MOST_THREADS: usize = 6;
/// Cues that are played to time the sound; each lasts about half a second.
const CUES: usize = 20;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub(super) struct Bench {
    /// The clip to run; the bundled recording where not told.
    clip: Option<PathBuf>,
    /// How long the clip runs as if a camera sent it, seconds; 0 leaves that out.
    #[arg(long, value_name = "N", default_value = "30", value_parser = clap::value_parser!(u32).range(0..=3600))]
    live_secs: u32,
    /// The model of the live run, at the clip's own rate; rate and model that would be chosen here where not told.
    #[arg(long)]
    model: Option<ModelArg>,
    /// How many threads work on a network in the JSON's times; as many as in a run where not told.
    #[arg(long, value_name = "N", requires = "json", value_parser = clap::value_parser!(u8).range(1..=8))]
    threads: Option<u8>,
    /// Print the times of the pose models only, as JSON: milliseconds at the quantiles 0.1, 0.5 and 0.95.
    #[arg(long)]
    json: bool,
}

/// Times of one landmark model on a clip.
#[derive(Default)]
struct ModelTimes {
    /// A whole frame: crop, network, reading.
    frame: DurationWindow,
    crop: DurationWindow,
    network: DurationWindow,
    reading: DurationWindow,
}

impl ModelTimes {
    fn measure(model: Model, threads: usize, path: &Path) -> Result<Self, Failure> {
        let mut clip = ClipSource::open(path)?;
        let mut tracker = model.tracker_on(threads)?;
        let times = Self::default();
        let mut frame = Frame::default();
        for _ in 0..FRAMES {
            if !clip.next_frame(&mut frame)? {
                break;
            }
            let started = Instant::now();
            let found = tracker.next(&frame)?;
            times.frame.add(started.elapsed());
            if found.body.is_some() {
                let stages = tracker.stage_times();
                times.crop.add(stages.crop);
                times.network.add(stages.network);
                times.reading.add(stages.reading);
            }
        }
        Ok(times)
    }

    fn parts(&self) -> [(&'static str, &DurationWindow); 4] {
        [
            ("frame", &self.frame),
            ("crop", &self.crop),
            ("network", &self.network),
            ("reading", &self.reading),
        ]
    }
}

impl Bench {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        if self.json {
            return self.json();
        }
        for model in [Model::Lite, Model::Full] {
            let started = Instant::now();
            let mut tracker = model.tracker()?;
            let loaded = started.elapsed().as_secs_f64() * 1e3;
            let load = BenchmarkLoad::ModelOnly;
            let took = time_landmarks(&mut tracker, load, f64::INFINITY)?.mean_ms;
            terminal::println(&format!(
                "{:<4} landmark model: {took:6.2} ms a frame, loaded in {loaded:.0} ms",
                model.name()
            ));
        }
        let path = self.clip()?;
        terminal::println(&format!("{}:", path.display()));
        let decode = DurationWindow::default();
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
        let counts: Vec<usize> = (1..=machine_cores().min(MOST_THREADS)).collect();
        for model in [Model::Lite, Model::Full] {
            for threads in counts.iter().copied() {
                let times = ModelTimes::measure(model, threads, &path)?;
                let on = match threads {
                    1 => "one thread".to_owned(),
                    _ => format!("{threads} threads"),
                };
                terminal::println(&format!("  {} model, {on}", model.name()));
                for (part, times) in times.parts() {
                    row(&format!("  {part}"), times);
                }
            }
        }
        sound(settings)?;
        if self.live_secs > 0 {
            let model = self.model.map(Model::from);
            live(settings, &path, model, self.live_secs)?;
        }
        Ok(())
    }

    fn clip(&self) -> Result<PathBuf, Failure> {
        self.clip
            .clone()
            .or_else(paths::bundled_recording)
            .ok_or_else(|| {
                Failure::Request("the bundled recording was not found; name a clip".into())
            })
    }

    fn json(&self) -> Result<(), Failure> {
        let path = self.clip()?;
        let threads = self.threads.map_or_else(default_threads, usize::from);
        let mut models = serde_json::Map::new();
        for model in [Model::Lite, Model::Full] {
            let times = ModelTimes::measure(model, threads, &path)?;
            let parts = times.parts().map(|(part, times)| {
                let ms = [0.1, 0.5, 0.95].map(|q| times.quantile_ms(q));
                (part.to_owned(), serde_json::json!(ms))
            });
            models.insert(model.name().to_owned(), parts.into_iter().collect());
        }
        terminal::println(&serde_json::Value::Object(models).to_string());
        Ok(())
    }
}

/// How long a cue takes from its decision to the first sample at the device.
fn sound(settings: &Settings) -> Result<(), Failure> {
    let library = cue_library(settings, None)?;
    match measure_latency(library, CUES, settings.cues.volume) {
        Ok(report) => {
            let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| report.quantile_millis(q));
            terminal::println(&format!(
                "sound, decision to first sample, {} cues:\n  {:<22} p50 {p50:6.2} ms   p95 {p95:6.2} ms   p99 {p99:6.2} ms",
                report.millis.len(),
                "cue"
            ));
            if report.unheard > 0 {
                terminal::println(&format!("  {} cues were not heard", report.unheard));
            }
        }
        Err(error) => terminal::println(&format!("sound was not measured: {error}")),
    }
    Ok(())
}

/// The pipeline as from a camera.
fn live(settings: &Settings, path: &Path, model: Option<Model>, secs: u32) -> Result<(), Failure> {
    let benchmark = LiveBenchmark::prepare(path, model)?;
    let PictureSize {
        width_px,
        height_px,
    } = benchmark.size;
    terminal::println(&format!(
        "as from a camera: {width_px} x {height_px} Motion-JPEG, {:.0} frames a second, {secs} s; {}",
        benchmark.fps, benchmark.reason
    ));
    let LiveBenchmarkReport {
        counts,
        health,
        decode,
    } = benchmark.run(settings, secs)?;
    let count = |figure: &AtomicU64| figure.load(Ordering::Relaxed);
    let (frames, dropped) = (count(&health.frames), count(&health.dropped));
    terminal::println(&format!(
        "  {frames} frames, {dropped} dropped ({:.2} %), hitter in {}, {} swings",
        100.0 * dropped as f64 / frames.max(1) as f64,
        count(&health.bodies),
        counts.swings
    ));
    row("decode", &decode);
    row("crop, model, landmarks", &health.pose);
    match health.bat.quantiles_ms() {
        Some(_) => row("bat, beside it", &health.bat),
        None => terminal::println("  bat, beside it         not looked for"),
    }
    row("capture to analysis", &health.capture_to_analysis);
    for (what, times) in [
        ("frame to cue", &health.cue),
        ("finish to cue", &health.finish_to_cue),
        ("frame to head tone", &health.tone),
    ] {
        match times.quantiles_ms() {
            Some(_) => row(what, times),
            None => {
                terminal::println(&format!("  {what:<22} not measured: nothing was heard"));
            }
        }
    }
    Ok(())
}

fn row(what: &str, times: &DurationWindow) {
    let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| times.quantile_ms(q).unwrap_or(f64::NAN));
    terminal::println(&format!(
        "  {what:<22} p50 {p50:6.2} ms   p95 {p95:6.2} ms   p99 {p99:6.2} ms"
    ));
}
