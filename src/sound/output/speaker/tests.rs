//! The player on the real audio library, heard through an ALSA device that keeps what it is given
//! (`tests/data/alsa_capture`). Each test starts its own binary again with the configuration in the
//! environment, because the library reads it once a process.

#![cfg(target_os = "linux")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output as Finished};
use std::time::{Instant, SystemTime, UNIX_EPOCH};
use std::{env, fs, thread};

use super::*;
use crate::coach::CueId;
use crate::pitch::{Mark, MarkKind};
use crate::sound::output::latency::{LatencyReport, measure_latency};
use crate::sound::output::player::Player;
use crate::sound::output::{Output, OutputState, Sink, SoundOutput};
use crate::sound::request::{NotPlayed, Played, Sound, SoundRequest, Ticket};
use crate::sound::test_support::memory_device::QUICK;
use crate::sound::{CueLibrary, SAMPLE_RATE_HZ};
use crate::time::CaptureTime;

/// Set in the process that plays.
const PLAYS: &str = "CAGEHAND_TEST_PLAYS";

/// The pipe before the stand-in for the card holds this much, see its README.
const PIPE_MILLIS: f64 = 21.3;

fn capture_data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/alsa_capture")
}

/// Runs the test `name` of this binary once more, as the process that plays.
fn run_again(name: &str, alsa_conf: &Path) -> Finished {
    let name = format!(
        "{}::{name}",
        module_path!().split_once("::").expect("inside a crate").1
    );
    let finished = Command::new(env::current_exe().expect("this binary"))
        .args(["--exact", &name, "--nocapture"])
        .env(PLAYS, "1")
        .env("ALSA_CONFIG_PATH", alsa_conf)
        .output()
        .expect("the binary runs");
    assert!(
        finished.status.success(),
        "the playing process failed: {}",
        String::from_utf8_lossy(&finished.stderr)
    );
    finished
}

fn library() -> CueLibrary {
    CueLibrary::load(None).expect("the built-in cues load")
}

/// The system's device, once it is open and the stand-in keeps pace.
fn open_device() -> SoundOutput {
    let output = SoundOutput::open(&Output::Device, || Ok(library()), 1.0).expect("a thread");
    let began = Instant::now();
    while output.health().state != OutputState::Open {
        assert!(
            began.elapsed() < Duration::from_secs(5),
            "the device is {:?}",
            output.health().state
        );
        thread::sleep(Duration::from_millis(5));
    }
    thread::sleep(STAND_IN_STARTS);
    output
}

fn play(output: &mut SoundOutput, sound: Sound) -> Played {
    output.play(sound, CaptureTime::default());
    let outcomes = output.outcomes(Duration::from_secs(2));
    assert_eq!(outcomes.len(), 1, "{outcomes:?}");
    outcomes[0].result.expect("played")
}

/// What the stand-in for the card was given.
struct Capture {
    samples: Vec<f32>,
    log: String,
    /// What the playing process printed.
    printed: String,
}

impl Capture {
    /// Runs a test of this binary as the process that plays, and keeps what is heard.
    fn of(name: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let raw = folder.path().join("heard.raw");
        let pace = capture_data().join("pace.py");
        let conf = Command::new(&pace).arg("--conf").arg(&raw).output();
        let conf = conf.expect("python3 stands in for a sound card; install it, as make test does");
        let conf_path = folder.path().join("asound.conf");
        fs::write(&conf_path, conf.stdout).expect("a configuration");
        let finished = run_again(name, &conf_path);
        let samples = fs::read(&raw)
            .expect("the captured sound")
            .chunks_exact(4)
            .map(|frame| {
                assert_eq!(frame[..2], frame[2..], "both channels carry the same");
                f32::from(i16::from_le_bytes([frame[0], frame[1]])) / 32768.0
            })
            .collect();
        Self {
            samples,
            log: fs::read_to_string(raw.with_extension("raw.log")).expect("the log"),
            printed: String::from_utf8(finished.stdout).expect("text"),
        }
    }

    /// The numbers of each line that begins with this word, in order.
    fn numbers_of(&self, word: &str) -> Vec<Vec<f64>> {
        let rest = self
            .printed
            .lines()
            .filter_map(|line| line.strip_prefix(word));
        rest.map(|numbers| {
            let numbers = numbers.split_whitespace();
            numbers.map(|n| n.parse().expect("a number")).collect()
        })
        .collect()
    }

    /// Where this sound stands, at or after `from`, as the next thing that is heard.
    fn find(&self, from: usize, sound: &[f32]) -> usize {
        let first = from + onset(&self.samples[from..]) - onset(sound);
        let worst = self.samples[first..]
            .iter()
            .zip(sound)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f32::max);
        assert!(
            worst < 0.001,
            "it differs by {worst} from what was to be played"
        );
        first
    }

    /// Wall-clock time at which the stand-in gave out this sample.
    fn heard_at(&self, sample: usize) -> f64 {
        let number = |text: &str| text.parse::<f64>().expect("a number");
        let mut at = sample as f64 / f64::from(SAMPLE_RATE_HZ);
        for line in self.log.lines() {
            let fields: Vec<&str> = line.split(' ').collect();
            match fields.as_slice() {
                ["start", time, _] => at += number(time),
                ["gap", late, from] if number(from) <= sample as f64 => at += number(late),
                _ => {}
            }
        }
        at
    }
}

fn wall_secs() -> f64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.expect("after 1970").as_secs_f64()
}

/// Until the stand-in keeps pace, which it does only once it has started, samples are taken in a burst
/// and their times mean nothing.
const STAND_IN_STARTS: Duration = Duration::from_secs(2);

const CUES: usize = 40;

/// A cue should begin within this time of its decision, 95 of 100 times. That share is for `cagehand bench` to check on a
/// machine that does nothing else; beside other tests only the middle one is held to it.
const MOST_MILLIS: f64 = 120.0;

#[test]
fn cues_come_out_of_the_device_whole_and_soon() {
    const NAME: &str = "cues_come_out_of_the_device_whole_and_soon";
    if env::var_os(PLAYS).is_some() {
        return play_cues();
    }
    let capture = Capture::of(NAME);
    let library = library();
    let cue = library.cue(CueId::InBand).expect("a cue");
    let (mut rest, mut real, mut errors) = (0, Vec::new(), Vec::new());
    for numbers in capture.numbers_of("cue ") {
        let first = capture.find(rest, &cue);
        rest = first + cue.len();
        let millis = (capture.heard_at(first) - numbers[0]) * 1e3;
        real.push(millis);
        errors.push(millis - PIPE_MILLIS - numbers[1]);
    }
    assert_eq!(real.len(), CUES);
    let sorted = |mut values: Vec<f64>| {
        values.sort_unstable_by(f64::total_cmp);
        LatencyReport {
            millis: values,
            unheard: 0,
        }
    };
    let (real, errors) = (sorted(real), sorted(errors));
    let three = |report: &LatencyReport| [0.5, 0.95, 0.99].map(|q| report.quantile_millis(q));
    println!(
        "heard after (p50, p95, p99) {:.1?} ms, of which {PIPE_MILLIS} ms in the pipe; reported wrongly by {:.1?} ms",
        three(&real),
        [0.0, 0.05, 0.5, 0.95, 1.0].map(|q| errors.quantile_millis(q)),
    );
    // The stand-in has no ring in front of its pipe, and the pipe holds less than it could: the time reported
    // is off by the same few milliseconds for every cue. What matters is that it does not wander.
    let wander = errors.quantile_millis(0.75) - errors.quantile_millis(0.25);
    assert!(wander < 5.0, "the reported time wanders by {wander:.1} ms");
    assert!(errors.quantile_millis(0.5).abs() < 15.0);
    assert!(real.millis[0] > 0.0, "before it was asked for: {real:?}");
    assert!(real.quantile_millis(0.5) < MOST_MILLIS);
    assert!(
        capture.samples[rest..].iter().all(|s| *s == 0.0),
        "nothing else is heard"
    );
}

#[test]
fn a_delivery_and_the_head_tone_come_when_they_are_reported() {
    const NAME: &str = "a_delivery_and_the_head_tone_come_when_they_are_reported";
    if env::var_os(PLAYS).is_some() {
        return play_delivery_and_tone();
    }
    let capture = Capture::of(NAME);
    let (samples, _) = library().samples(&delivery()).expect("a delivery");
    let first = capture.find(0, &samples);
    let reported = capture.numbers_of("delivery ")[0][0];
    let late_millis = (capture.heard_at(first) - reported) * 1e3 - PIPE_MILLIS;
    println!("the delivery was heard {late_millis:.1} ms after the time that was reported");

    assert!(
        late_millis.abs() < 15.0,
        "it begins at sample {first}; the stand-in's log: {}",
        capture.log
    );

    let rest = first + samples.len();
    let asked = capture.numbers_of("tone ")[0][0];
    let begins = rest + onset(&capture.samples[rest..]);
    let millis = (capture.heard_at(begins) - asked) * 1e3;
    println!("the head tone was heard after {millis:.1} ms, {PIPE_MILLIS} of them in the pipe");
    assert!((0.0..80.0).contains(&millis));
}

fn delivery() -> Sound {
    let marks = [
        (0.0, MarkKind::Beat),
        (0.7, MarkKind::Release),
        (1.13, MarkKind::Plate),
    ];
    let marks = marks.map(|(at_secs, kind)| Mark { at_secs, kind });
    Sound::Delivery(marks.to_vec())
}

fn play_delivery_and_tone() {
    let mut output = open_device();
    let heard_at = play(&mut output, delivery()).heard_at;
    let heard_at = heard_at.expect("a device has a time");
    println!(
        "\ndelivery {:.6}",
        wall_secs() - heard_at.elapsed().as_secs_f64()
    );
    thread::sleep(Duration::from_millis(2000));
    println!("tone {:.6}", wall_secs());
    let at = CaptureTime::default();
    for frame in 0..30_u8 {
        output.set_head_tone(Some(f32::from(frame) / 20.0), at);
        thread::sleep(Duration::from_millis(16));
    }
    output.set_head_tone(None, at);
    thread::sleep(Duration::from_millis(200));
    output.finish(at).expect("a device has no file");
}

/// Index of the first sample that is not quiet.
fn onset(samples: &[f32]) -> usize {
    samples
        .iter()
        .position(|s| s.abs() > 0.002)
        .expect("something is heard")
}

fn play_cues() {
    let mut output = open_device();
    println!();
    for index in 0..CUES as u64 {
        thread::sleep(Duration::from_micros(420_000 + index * 1370 % 11_000));
        let asked = wall_secs();
        let played = play(&mut output, Sound::Cue(CueId::InBand));
        println!("cue {asked:.6} {:.3}", played.latency_millis);
    }
    thread::sleep(Duration::from_millis(500));
    let end = CaptureTime::default();
    output.finish(end).expect("a device has no file");
}

#[test]
fn latency_is_measured_where_there_is_a_device() {
    const NAME: &str = "latency_is_measured_where_there_is_a_device";
    if env::var_os(PLAYS).is_some() {
        let report = measure_latency(library(), 9, 0.5).expect("a device");
        assert_eq!((report.millis.len(), report.unheard), (9, 0));
        let quantiles = [0.5, 0.95].map(|q| report.quantile_millis(q));
        println!("\nlatency {:.3} {:.3}", quantiles[0], quantiles[1]);
        return;
    }
    let capture = Capture::of(NAME);
    let quantiles = &capture.numbers_of("latency ")[0];
    println!("measured {quantiles:?} ms for p50 and p95");
    assert!(quantiles[0] > 5.0 && quantiles[0] < MOST_MILLIS);
    // Every third is cut by the next, so that six of them are heard whole.
    let cue = library().cue(CueId::InBand).expect("a cue");
    let half: Vec<f32> = cue.iter().map(|s| s * 0.5).collect();
    let heard = capture
        .samples
        .windows(half.len())
        .filter(|window| {
            let (first, middle) = (half.len() / 10, half.len() / 2);
            (window[first] - half[first]).abs() < 0.001
                && (window[middle] - half[middle]).abs() < 0.001
                && window.iter().zip(&half).all(|(a, b)| (a - b).abs() < 0.001)
        })
        .count();
    assert_eq!(heard, 6);
}

#[test]
fn without_a_device_it_warns_once_and_goes_on() {
    if env::var_os(PLAYS).is_some() {
        tracing_subscriber::fmt()
            .with_ansi(false)
            .with_writer(std::io::stdout)
            .init();
        let tries = Arc::new(AtomicU64::new(0));
        let counted = Arc::clone(&tries);
        let open = move |index| {
            counted.fetch_add(1, Ordering::SeqCst);
            DeviceSpeaker::open(index).map(|speaker| Box::new(speaker) as Box<dyn Speaker>)
        };
        let library = Arc::new(library());
        let mut player = Player::start_with(library, 1.0, Arc::new(open), QUICK).expect("a thread");
        let began = Instant::now();
        while tries.load(Ordering::SeqCst) < 3 {
            assert!(began.elapsed() < Duration::from_secs(10), "it tries again");
            thread::sleep(Duration::from_millis(5));
        }
        player.play(SoundRequest {
            ticket: Ticket::default(),
            sound: Sound::Cue(CueId::InBand),
            decided_at: Instant::now(),
            at: CaptureTime::default(),
        });
        let outcomes = player.outcomes(Duration::from_secs(2));
        assert_eq!(outcomes[0].result, Err(NotPlayed::NoDevice));
        return;
    }
    let finished = run_again(
        "without_a_device_it_warns_once_and_goes_on",
        &capture_data().join("none.conf"),
    );
    let printed = String::from_utf8(finished.stdout).expect("text");
    let warnings: Vec<&str> = printed
        .lines()
        .filter(|line| line.contains("WARN"))
        .collect();
    let [warning] = warnings.as_slice() else {
        panic!("{warnings:?}")
    };
    assert!(
        warning.contains("cannot open the default sound device"),
        "{warning}"
    );
    assert!(warning.contains("Plug in a speaker"), "{warning}");
}

/// The message of a missing device comes from the library; ours names what was tried.
#[test]
fn the_error_of_a_missing_device_says_what_was_tried() {
    let message = SoundError::OpenDevice(rodio::DeviceSinkError::NoDevice).to_string();
    assert!(
        message.starts_with("cannot open the default sound device: "),
        "{message}"
    );
}
