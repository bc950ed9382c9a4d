//! The player on the real audio library, heard through an ALSA device that keeps what it is given
//! (`tests/data/alsa_capture`). Each test starts its own binary again with the configuration in the
//! environment, because the library reads it once a process.

#![cfg(target_os = "linux")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output as Finished};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use std::{env, fs, thread};

use crate::time::CaptureTime;

use super::library::CueLibrary;
use super::outcome::{Outcome, UnheardReason};
use super::player::{DeviceState, Output, PlayRequest, Player};
use super::{SAMPLE_RATE_HZ, SoundError};

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
    let told = String::from_utf8_lossy(&finished.stderr);
    assert!(
        finished.status.success(),
        "the playing process failed: {told}"
    );
    finished
}

fn library() -> Arc<CueLibrary> {
    Arc::new(CueLibrary::load(None).expect("the built-in cues load"))
}

fn request(id: &str) -> PlayRequest {
    PlayRequest {
        cue_id: id.into(),
        decided_at: Instant::now(),
        at: CaptureTime::default(),
    }
}

const CUES: [&str; 2] = ["in_band", "head_forward"];

#[test]
fn cues_come_out_of_the_device_whole_and_soon() {
    if env::var_os(PLAYS).is_some() {
        return play_cues();
    }
    let pace = capture_data().join("pace.py");
    let folder = tempfile::tempdir().expect("a folder");
    let raw = folder.path().join("heard.raw");
    let Ok(conf) = Command::new(&pace).arg("--conf").arg(&raw).output() else {
        eprintln!("not tested: python3 is needed to stand in for a sound card");
        return;
    };
    let conf_path = folder.path().join("asound.conf");
    fs::write(&conf_path, conf.stdout).expect("a configuration");
    let finished = run_again("cues_come_out_of_the_device_whole_and_soon", &conf_path);
    let told = String::from_utf8(finished.stdout).expect("text");

    let heard: Vec<f32> = fs::read(&raw)
        .expect("the captured sound")
        .chunks_exact(4)
        .map(|frame| {
            assert_eq!(frame[..2], frame[2..], "both channels carry the same");
            f32::from(i16::from_le_bytes([frame[0], frame[1]])) / 32768.0
        })
        .collect();
    let log = fs::read_to_string(raw.with_extension("raw.log")).expect("the log");
    let library = library();
    let mut rest = 0;
    for id in CUES {
        let mut fields = told
            .lines()
            .find_map(|line| line.split_once(&format!("{id} asked ")))
            .expect("asked")
            .1
            .split(' ');
        let asked_at: f64 = fields.next().expect("a time").parse().expect("a number");
        let reported: f64 = fields.next().expect("a latency").parse().expect("a number");
        let cue = library.samples_for(id).expect("a cue");
        let first = rest + onset(&heard[rest..]) - onset(&cue);
        let worst = heard[first..]
            .iter()
            .zip(&*cue)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f32::max);
        assert!(
            worst < 0.001,
            "{id} differs by {worst} from what was to be played"
        );
        rest = first + cue.len();
        let millis = (heard_at(&log, first) - asked_at) * 1e3;
        println!(
            "{id}: heard after {millis:.1} ms, of which {PIPE_MILLIS} ms in the pipe; reported {reported:.1} ms"
        );
        assert!(
            millis > 0.0 && millis < 100.0,
            "{id} was heard after {millis:.1} ms"
        );
    }
    assert!(
        heard[rest..].iter().all(|s| *s == 0.0),
        "nothing else is heard"
    );
}

/// Index of the first sample that is not quiet.
fn onset(samples: &[f32]) -> usize {
    samples
        .iter()
        .position(|s| s.abs() > 0.002)
        .expect("something is heard")
}

/// Wall-clock time at which the stand-in gave out this sample.
fn heard_at(log: &str, sample: usize) -> f64 {
    let number = |text: &str| text.parse::<f64>().expect("a number");
    let mut at = sample as f64 / f64::from(SAMPLE_RATE_HZ);
    for line in log.lines() {
        let fields: Vec<&str> = line.split(' ').collect();
        match fields.as_slice() {
            ["start", time, _] => at += number(time),
            ["gap", late, from] if number(from) <= sample as f64 => at += number(late),
            _ => {}
        }
    }
    at
}

fn play_cues() {
    let player = Player::start(Output::Device, library(), 1.0).expect("a thread");
    wait_for(&player, DeviceState::Open);
    for id in CUES {
        thread::sleep(Duration::from_millis(400));
        let asked = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .expect("after 1970")
            .as_secs_f64();
        player.play(request(id));
        let outcome = player
            .outcomes()
            .recv_timeout(Duration::from_secs(2))
            .expect("an outcome");
        let Outcome::Heard(heard) = outcome else {
            panic!("{outcome}")
        };
        println!("\n{id} asked {asked:.6} {:.3}", heard.latency_millis);
        thread::sleep(Duration::from_millis(1200));
    }
    player.finish(CaptureTime::default());
}

fn wait_for(player: &Player, state: DeviceState) {
    let began = Instant::now();
    while player.health().device != state {
        assert!(
            began.elapsed() < Duration::from_secs(5),
            "the device is {:?}",
            player.health().device
        );
        thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn without_a_device_it_warns_once_and_goes_on() {
    if env::var_os(PLAYS).is_some() {
        tracing_subscriber::fmt()
            .with_ansi(false)
            .with_writer(std::io::stdout)
            .init();
        let player = Player::start(Output::Device, library(), 1.0).expect("a thread");
        thread::sleep(Duration::from_millis(5500));
        player.play(request("in_band"));
        let outcome = player
            .outcomes()
            .recv_timeout(Duration::from_secs(2))
            .expect("an outcome");
        assert!(
            matches!(outcome, Outcome::Unheard(ref unheard) if unheard.why == UnheardReason::NoDevice),
            "{outcome}"
        );
        return;
    }
    let finished = run_again(
        "without_a_device_it_warns_once_and_goes_on",
        &capture_data().join("none.conf"),
    );
    let told = String::from_utf8(finished.stdout).expect("text");
    let warnings: Vec<&str> = told.lines().filter(|line| line.contains("WARN")).collect();
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
