//! Contact that a microphone hears: a recording with a sound made for it, in which each bat meets its ball when it truly does.
//!
//! What the sounds are made after is in `cagehand_stage::sound_scene`, with its sources.

use std::path::Path;

use cagehand_stage::sound_scene::{Noise, SoundOf, SoundScene, noise_rms};
use serde_json::Value;

use super::program::{Place, json_lines, replayed};
use super::truth::Truth;

const NAME: &str = "right_60fps";
/// The recording runs so many times, with three swings in each.
const LOOPS: usize = 3;
const SWINGS: usize = 3 * LOOPS;
const METERS: f64 = 2.0;
const LAG_SECS: f64 = 0.025;
const RATE_HZ: u32 = 44_100;
/// The swings, from 0, without a sound, and with the neighbor's bat instead of their own.
const SILENT: usize = 7;
const NEIGHBOR: usize = 8;

fn secs(rep: &Value, event: &str) -> f64 {
    rep["events"][event].as_f64().unwrap()
}

fn swings(reps: Vec<Value>) -> Vec<Value> {
    reps.into_iter()
        .filter(|rep| rep["kind"] == "swing")
        .collect()
}

/// The recording run three times, with these further arguments.
fn run(place: &Place, more: &[&str]) -> (Vec<Value>, String) {
    let height_cm = Truth::of(NAME).height_cm();
    let poses = replayed(NAME, "full", height_cm);
    let poses = poses.get().unwrap();
    let log = place.path("reps.jsonl");
    let _ = std::fs::remove_file(&log);
    let height = height_cm.to_string();
    let mut arguments = vec![
        "replay",
        poses.track(),
        "--height-cm",
        &height,
        "--pace",
        "fast",
        "--loops",
        "3",
        "--reps",
        log.to_str().unwrap(),
    ];
    arguments.extend(more);
    let told = place.run_well(&arguments);
    (swings(json_lines(&log)), told)
}

/// When each swing truly meets its ball, seconds on the clock of the run; a loop lasts what lies between its reps and the next.
fn truths(reps: &[Value]) -> Vec<f64> {
    let truth = Truth::of(NAME);
    let of_one: Vec<f64> = truth
        .segments("rep")
        .iter()
        .map(|rep| rep["events"]["contact"].as_f64().unwrap())
        .collect();
    let lasts = secs(&reps[3], "contact") - secs(&reps[0], "contact");
    (0..SWINGS)
        .map(|k| of_one[k % 3] + lasts * (k / 3) as f64)
        .collect()
}

/// What the microphone hears of these swings, as a WAV file.
fn scene(truths: &[f64], into: &Path) {
    let mut scene = SoundScene::new(f64::from(RATE_HZ), truths[SWINGS - 1] + 3.0, 0.4, 11);
    for (k, at) in truths.iter().enumerate() {
        let at = at + LAG_SECS;
        match k {
            SILENT => {}
            NEIGHBOR => {
                scene.add(SoundOf::Aluminum, at - 0.01, 12.0, 0.8);
            }
            _ => {
                scene.add(SoundOf::Aluminum, at, METERS, 0.8);
                scene.add(SoundOf::Net, at + 0.12, METERS + 2.0, 0.4);
            }
        }
        // Somebody slams a door, shouts, drops balls.
        scene.add(SoundOf::Door, at + 1.0, 6.0, 0.8);
        scene.add(SoundOf::Shout, at - 1.1, 3.0, 0.4);
        scene.add(SoundOf::DroppedBall, at - 0.6, 2.0, 0.2);
    }
    scene.noise(Noise::Hall, noise_rms(SoundOf::Aluminum, 0.8, METERS, 20.0));
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = hound::WavWriter::create(into, spec).unwrap();
    for sample in scene.stereo() {
        file.write_sample((sample * 32_767.0) as i16).unwrap();
    }
    file.finalize().unwrap();
}

#[test]
fn contact_is_timed_by_the_ear_and_a_swing_and_miss_is_told() {
    let place = Place::new();
    let (seen, _) = run(&place, &["--no-journal"]);
    assert_eq!(seen.len(), SWINGS);
    // Without a microphone nothing in the log speaks of one.
    assert!(seen.iter().all(|rep| rep.get("heard").is_none()));
    let truths = truths(&seen);
    let (wav, settings) = (place.path("cage.wav"), place.path("s.toml"));
    scene(&truths, &wav);
    std::fs::write(
        &settings,
        format!("[microphone]\ndistance_m = {METERS}\nlag_ms = 25\nlag_plus_minus_ms = 3\n"),
    )
    .unwrap();
    let journal = place.path("heard.db");
    let (heard, told) = run(
        &place,
        &[
            "--hear",
            wav.to_str().unwrap(),
            "--settings",
            settings.to_str().unwrap(),
            "--journal",
            journal.to_str().unwrap(),
        ],
    );
    assert_eq!(heard.len(), SWINGS);
    for (k, rep) in heard.iter().enumerate() {
        let (ear, error) = (&rep["heard"], secs(rep, "contact") - truths[k]);
        if k == SILENT || k == NEIGHBOR {
            assert_eq!(ear["contact"], "nothing", "{k}: {ear}");
            // Contact is where the hands show it.
            assert_eq!(rep["events"]["contact"], seen[k]["events"]["contact"]);
            continue;
        }
        assert_eq!(ear["contact"], "heard", "{k}: {ear}");
        assert!(ear["plus_minus_ms"].as_f64().unwrap() <= 4.0, "{ear}");
        assert!(error.abs() <= 0.002, "{k}: {error} {ear}");
        let spread = |rep: &Value| rep["measures"]["plant_to_contact_ms"]["plus_minus"].as_f64();
        assert!(spread(rep).unwrap() < spread(&seen[k]).unwrap(), "{k}");
    }
    assert!(
        told.contains("contact heard ± ") && told.contains("(2 swing and miss)"),
        "{told}"
    );
    // The journal has the same, and an export of it.
    let out = place.path("export.jsonl");
    place.run_well(&[
        "export",
        "--journal",
        journal.to_str().unwrap(),
        "--format",
        "jsonl",
        "--out",
        out.to_str().unwrap(),
    ]);
    let exported = swings(json_lines(&out));
    let ears = |reps: &[Value]| {
        reps.iter()
            .map(|rep| rep["heard"].clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(ears(&exported), ears(&heard));
}

#[test]
fn a_file_that_is_no_sound_is_refused() {
    let place = Place::new();
    let (bad, track) = (
        place.path("bad.wav"),
        replayed(NAME, "full", Truth::of(NAME).height_cm()),
    );
    std::fs::write(&bad, b"RIFF nothing").unwrap();
    let output = place.run(&[
        "replay",
        track.get().unwrap().track(),
        "--no-journal",
        "--hear",
        bad.to_str().unwrap(),
    ]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("bad.wav"));
}
