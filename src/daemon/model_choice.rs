//! The choice of the pose model: the best one that keeps up on this machine, found by a short benchmark.
//!
//! In: the camera's rate. Out: the trackers, and the reason. The model is timed on pictures that another thread
//! decodes at that rate, as in a real run: the two share caches, memory and often a core's arithmetic, a processor that
//! waits between frames may slow down, and a model that is timed alone over and over looks up to a third faster than it
//! then is. Takes a few tenths of a second.

use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use super::DaemonError;
use super::pose_stage::TrackerSet;
use crate::capture::{Frame, MjpegDecoder};
use crate::pose::{Model, Tracker};
use crate::settings::ModelChoice;
use crate::status::ModelReason;
use crate::thread::spawn;
use crate::video::{JpegEncoder, SizeLimit};

/// Runs that time a model, of which the first quarter warms it up: more where a camera is fast.
const LEAST_RUNS: usize = 8;
const MOST_RUNS: usize = 24;
const LONG_ENOUGH: Duration = Duration::from_millis(200);
/// A model keeps up where a frame takes at most this share of the time between frames.
const KEEPS_UP: f64 = 1.0 / 1.3;
/// Frames a second where a camera does not say.
const USUAL_FPS: f64 = 60.0;
/// A slower camera would only make the benchmark longer.
const LEAST_FPS: f64 = 30.0;
/// The size of the benchmark's picture: what most cage-side cameras send.
const SIZE: [usize; 2] = [1280, 720];

/// What else the machine does while a model is timed.
#[derive(Clone, Copy, Debug)]
pub(crate) enum BenchmarkLoad {
    /// Nothing of ours: the model runs alone, or beside a camera that is being read already.
    ModelOnly,
    /// Another thread decodes the pictures, at this rate.
    Decoding { fps: f64 },
}

/// The models to use, and why.
pub(crate) struct ModelChosen {
    pub trackers: TrackerSet,
    /// The reason, for the terminal and the health figures.
    pub reason: ModelReason,
}

/// Chooses the model for a source of `fps` frames a second, unless the settings fix it. Where the full model is chosen, the
/// lite one takes over if the machine slows down.
///
/// # Errors
/// Where a model cannot be loaded or run.
pub(crate) fn choose_model(
    choice: ModelChoice,
    fps: f64,
    load: BenchmarkLoad,
) -> Result<ModelChosen, DaemonError> {
    if let ModelChoice::Fixed(model) = choice {
        return Ok(ModelChosen {
            trackers: TrackerSet::supervised(model.tracker()?, model, None),
            reason: ModelReason::Configured(model),
        });
    }
    let fps = known_or_usual(fps);
    let free_ms = 1000.0 / fps * KEEPS_UP;
    let mut full = Model::Full.tracker()?;
    let mut lite = Model::Lite.tracker()?;
    let mut benchmark = ModelBenchmark::new(load);
    let full_ms = benchmark.time(&mut full, LONG_ENOUGH)?;
    if full_ms <= free_ms {
        return Ok(ModelChosen {
            trackers: TrackerSet::supervised(full, Model::Full, Some(lite)),
            reason: ModelReason::FullKeepsUp {
                full_ms,
                free_ms,
                fps,
            },
        });
    }
    // Only reported, the choice is made: the shortest run will do, so that the start does not wait.
    let lite_ms = benchmark.time(&mut lite, Duration::ZERO)?;
    Ok(ModelChosen {
        trackers: TrackerSet::supervised(lite, Model::Lite, None),
        reason: ModelReason::FullTooSlow {
            lite_ms,
            full_ms,
            free_ms,
            fps,
        },
    })
}

fn known_or_usual(fps: f64) -> f64 {
    if fps > 1.0 { fps } else { USUAL_FPS }
}

/// Mean time of the landmark model on a 720p picture, milliseconds.
///
/// # Errors
/// Where the model fails.
pub(crate) fn time_landmarks(
    tracker: &mut Tracker,
    load: BenchmarkLoad,
) -> Result<f64, DaemonError> {
    ModelBenchmark::new(load).time(tracker, LONG_ENOUGH)
}

/// Times models on the same pictures.
struct ModelBenchmark {
    frame: Frame,
    camera: Option<SimulatedCamera>,
}

impl ModelBenchmark {
    fn new(load: BenchmarkLoad) -> Self {
        let frame = grainy_frame();
        let camera = match load {
            BenchmarkLoad::Decoding { fps } => SimulatedCamera::start(&frame, fps),
            BenchmarkLoad::ModelOnly => None,
        };
        Self { frame, camera }
    }

    /// The mean, because it decides whether frames pile up: beside a decoder some runs meet its work and some do not.
    fn time(&mut self, tracker: &mut Tracker, long_enough: Duration) -> Result<f64, DaemonError> {
        let began = Instant::now();
        let mut times = Vec::with_capacity(MOST_RUNS);
        while times.len() < LEAST_RUNS || (times.len() < MOST_RUNS && began.elapsed() < long_enough)
        {
            let ended = |camera: &SimulatedCamera| !camera.next(&mut self.frame);
            if self.camera.as_ref().is_some_and(ended) {
                self.camera = None;
            }
            let started = Instant::now();
            tracker.run_landmarker(&self.frame)?;
            times.push(started.elapsed().as_secs_f64() * 1e3);
        }
        let warm = &times[times.len() / 4..];
        Ok(warm.iter().sum::<f64>() / warm.len() as f64)
    }
}

/// A picture with as much grain as a dim cage gives: what a JPEG decoder takes depends on it.
fn grainy_frame() -> Frame {
    let [width, height] = SIZE;
    let mut frame = Frame::default();
    let mut state = 1u32;
    for (i, value) in frame.resized(width, height).iter_mut().enumerate() {
        // Numerical Recipes' linear congruential generator: any grain will do.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let shade = 64 + i / 3 % width * 96 / width;
        *value = (shade + (state >> 24) as usize % GRAIN) as u8;
    }
    frame
}

/// Shades between the darkest and the lightest grain: with these a picture takes about as many bytes as one of the
/// bundled recording.
const GRAIN: usize = 32;

/// Stands in for a camera while a model is timed: decodes one picture again and again at a camera's rate, in a thread of
/// its own, and hands it over. It ends when it is dropped.
struct SimulatedCamera {
    pictures: Option<Receiver<Frame>>,
    used: Sender<Frame>,
    thread: Option<JoinHandle<()>>,
}

impl SimulatedCamera {
    /// `None` where there can be no thread or no picture; then the model is timed alone.
    fn start(frame: &Frame, fps: f64) -> Option<Self> {
        let jpeg = JpegEncoder::new(SizeLimit::ANY).encode(frame)?.ok()?.bytes;
        let between = Duration::from_secs_f64(1.0 / known_or_usual(fps).max(LEAST_FPS));
        let (give, pictures) = bounded(1);
        let (used, take) = bounded(2);
        let thread = spawn("bench-camera", move || {
            let mut decoder = MjpegDecoder::default();
            let mut frame = Frame::default();
            let mut next = Instant::now();
            while decoder.decode(&jpeg, &mut frame).is_ok() {
                match give.try_send(frame) {
                    Ok(()) => frame = take.try_recv().unwrap_or_default(),
                    // The model is slower than the camera; as in a real run the older picture goes.
                    Err(TrySendError::Full(unused)) => frame = unused,
                    Err(TrySendError::Disconnected(_)) => break,
                }
                next += between;
                std::thread::sleep(next.saturating_duration_since(Instant::now()));
            }
        })
        .ok()?;
        Some(Self {
            pictures: Some(pictures),
            used,
            thread: Some(thread),
        })
    }

    /// Waits for a picture; false where none comes any more.
    fn next(&self, frame: &mut Frame) -> bool {
        let picture = self.pictures.as_ref().and_then(|these| these.recv().ok());
        let came = picture.is_some();
        if let Some(picture) = picture {
            // A full channel only means that the camera allocates one picture more.
            let _ = self.used.try_send(std::mem::replace(frame, picture));
        }
        came
    }
}

impl Drop for SimulatedCamera {
    fn drop(&mut self) {
        // Nobody takes pictures any more: the thread ends at its next one.
        self.pictures = None;
        if let Some(thread) = self.thread.take() {
            // A camera that failed has only made the benchmark's load lighter.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_benchmark_decodes_what_a_camera_sends() {
        let jpeg = JpegEncoder::new(SizeLimit::ANY)
            .encode(&grainy_frame())
            .unwrap()
            .unwrap()
            .bytes;
        // A 720p picture of the bundled recording has 194 kB at this quality.
        assert!(
            (120_000..300_000).contains(&jpeg.len()),
            "{} bytes",
            jpeg.len()
        );
        let mut into = Frame::default();
        MjpegDecoder::default().decode(&jpeg, &mut into).unwrap();
        assert_eq!([into.width, into.height], SIZE);
    }

    #[test]
    fn the_simulated_camera_sends_pictures_at_its_rate_until_it_is_dropped() {
        let camera = SimulatedCamera::start(&grainy_frame(), 40.0).unwrap();
        let mut frame = Frame::default();
        assert!(camera.next(&mut frame));
        let began = Instant::now();
        for _ in 0..4 {
            frame.width = 0;
            assert!(camera.next(&mut frame));
            assert_eq!(frame.width, SIZE[0]);
        }
        // Pictures are 25 ms apart. One may lie ready, and what was late is caught up.
        assert!(began.elapsed() > Duration::from_millis(50));
        // Returns only once the thread has ended.
        drop(camera);
    }

    #[test]
    fn no_model_holds_a_rate_that_leaves_no_time_and_that_is_said() {
        let words = choose_model(ModelChoice::Auto, 10_000.0, BenchmarkLoad::ModelOnly)
            .unwrap()
            .reason
            .to_string();
        assert!(words.starts_with("lite model: it takes "), "{words}");
        assert!(words.contains("Neither has time to spare"), "{words}");
        let words = choose_model(ModelChoice::Auto, 1.5, BenchmarkLoad::ModelOnly)
            .unwrap()
            .reason
            .to_string();
        assert!(words.starts_with("full model: it takes "), "{words}");
    }
}
