//! Times a pose model on pictures that another thread decodes at a camera's rate, as in a real run: the two share caches,
//! memory and often a core's arithmetic, a processor that waits between frames may slow down, and a model that is timed
//! alone over and over looks up to a third faster than it then is.

use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use super::DaemonError;
use crate::capture::{Frame, MjpegDecoder};
use crate::pose::Tracker;
use crate::thread::spawn;
use crate::video::{JpegEncoder, SizeLimit};

/// Runs that time a model, of which the first quarter warms it up: more where a camera is fast.
const LEAST_RUNS: usize = 8;
const MOST_RUNS: usize = 48;
/// After so many runs a model is given up of which each took this many times what is free.
const RUNS_OF_A_HOPELESS_ONE: usize = 3;
const HOPELESS: f64 = 1.5;
const LONG_ENOUGH: Duration = Duration::from_millis(200);
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

/// What the landmark model takes for a 720p picture, milliseconds.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LandmarkTimes {
    /// It decides whether frames pile up: beside a decoder some runs meet its work and some do not.
    pub mean_ms: f64,
    pub fastest_ms: f64,
}

/// Times the landmark model; takes a few tenths of a second. Where a frame may take `free_ms` and all of the first runs take
/// far longer, the rest is left out.
///
/// # Errors
/// Where the model fails.
pub(crate) fn time_landmarks(
    tracker: &mut Tracker,
    load: BenchmarkLoad,
    free_ms: f64,
) -> Result<LandmarkTimes, DaemonError> {
    let mut frame = grainy_frame();
    let mut camera = match load {
        BenchmarkLoad::Decoding { fps } => SimulatedCamera::start(&frame, fps),
        BenchmarkLoad::ModelOnly => None,
    };
    let began = Instant::now();
    let mut times = Vec::with_capacity(MOST_RUNS);
    let mut fastest_ms = f64::INFINITY;
    while times.len() < LEAST_RUNS || (times.len() < MOST_RUNS && began.elapsed() < LONG_ENOUGH) {
        let ended = |camera: &SimulatedCamera| !camera.next(&mut frame);
        if camera.as_ref().is_some_and(ended) {
            camera = None;
        }
        let started = Instant::now();
        tracker.run_landmarker(&frame)?;
        let ms = started.elapsed().as_secs_f64() * 1e3;
        times.push(ms);
        fastest_ms = fastest_ms.min(ms);
        if times.len() >= RUNS_OF_A_HOPELESS_ONE && fastest_ms > HOPELESS * free_ms {
            break;
        }
    }
    let warm = &times[times.len() / 4..];
    Ok(LandmarkTimes {
        mean_ms: warm.iter().sum::<f64>() / warm.len() as f64,
        fastest_ms,
    })
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
        let between = Duration::from_secs_f64(1.0 / fps.max(LEAST_FPS));
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
}
