//! A recording that plays slower than life gives the reps that happened: same times, same durations, every frame used.

use std::path::Path;

use serde_json::{Value, json};

use cagehand::capture::{ClipSource, Frame};

use super::program::{Place, json_lines, project, recording, replayed};
use super::truth::Truth;

/// Its index is the last box of the file.
const NAME: &str = "right_30fps_dim";
const FPS: f32 = 30.0;
const TIMES: u32 = 4;
/// A small clip, which plays 60 frames a second.
const PATTERN: &str = "tests/data/clips/h264_variable_rate.mp4";

fn height_cm() -> u32 {
    Truth::of(NAME).height_cm()
}

fn boxed(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let size = (content.len() as u32 + 8).to_be_bytes();
    [&size[..], name, content].concat()
}

/// The `meta` box in which a phone says at how many frames a second it filmed; see `src/capture/clip/mp4/capture_rate.rs`.
fn capture_rate(fps: f32) -> Vec<u8> {
    let hdlr = boxed(b"hdlr", &[&[0; 8], &b"mdta"[..], &[0; 13]].concat());
    let key = boxed(b"mdta", b"com.android.capture.fps");
    let keys = boxed(b"keys", &[&[0, 0, 0, 0, 0, 0, 0, 1], &key[..]].concat());
    // Type 23 is a 32-bit float.
    let value = boxed(
        b"data",
        &[&[0, 0, 0, 23, 0, 0, 0, 0], &fps.to_be_bytes()[..]].concat(),
    );
    let ilst = boxed(b"ilst", &boxed(&[0, 0, 0, 1], &value));
    boxed(b"meta", &[vec![0; 4], hdlr, keys, ilst].concat())
}

/// The bundled recording as a phone saves slow motion: all frames, stamped to play `TIMES` times slower.
fn slowed_clip(into: &Path, meta: &[u8]) {
    let mut bytes = std::fs::read(recording(NAME)).unwrap();
    // Fewer ticks a second, in the movie's header and in the track's.
    for name in [b"mvhd", b"mdhd"] {
        let at = find(&bytes, name) + 16;
        let ticks = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
        assert_eq!(ticks % TIMES, 0, "{ticks}");
        bytes[at..at + 4].copy_from_slice(&(ticks / TIMES).to_be_bytes());
    }
    std::fs::write(into, with_index(bytes, meta)).unwrap();
}

/// The clip with this box in its index.
fn with_index(mut bytes: Vec<u8>, meta: &[u8]) -> Vec<u8> {
    // The index is the last box, so nothing moves when it grows.
    let at = find(&bytes, b"moov") - 4;
    let size = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    assert_eq!(at + size as usize, bytes.len());
    bytes[at..at + 4].copy_from_slice(&(size + meta.len() as u32).to_be_bytes());
    bytes.extend_from_slice(meta);
    bytes
}

/// Where the last box of this name has its name.
fn find(bytes: &[u8], name: &[u8; 4]) -> usize {
    bytes.windows(4).rposition(|at| at == name).unwrap()
}

/// The bundled recording's track, its times stretched.
fn slowed_track(from: &Path, into: &Path) {
    let mut lines = json_lines(from);
    lines[0]["fps"] = json!(lines[0]["fps"].as_f64().unwrap() / f64::from(TIMES));
    for line in &mut lines[1..] {
        line["t"] = json!(line["t"].as_f64().unwrap() * f64::from(TIMES));
    }
    let text: Vec<String> = lines.iter().map(Value::to_string).collect();
    std::fs::write(into, text.join("\n")).unwrap();
}

/// Replays and gives the rep log, what was printed, and what was said on standard error.
fn replay(place: &Place, source: &Path, more: &[&str]) -> (Vec<Value>, String, String) {
    let log = place.path("reps.jsonl");
    // Of the replay before; none is written over.
    let _ = std::fs::remove_file(&log);
    let height = height_cm().to_string();
    let (source, log_text) = (source.to_str().unwrap(), log.to_str().unwrap());
    let mut arguments = vec!["replay", source, "--reps", log_text, "--height-cm", &height];
    arguments.extend(["--no-journal", "--model", "full"]);
    arguments.extend(more);
    let output = place.run(&arguments);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (printed, said) = (text(&output.stdout), text(&output.stderr));
    assert!(output.status.success(), "{arguments:?}: {said}");
    (json_lines(&log), printed, said)
}

/// Every number the same to its last place (events have a millisecond there, measures a hundredth); all else the same.
fn hold_same(ours: &Value, life: &Value, place: &str) {
    match (ours, life) {
        (Value::Object(a), Value::Object(b)) => {
            assert!(a.keys().eq(b.keys()), "{place}");
            for (key, value) in a {
                hold_same(value, &b[key], &format!("{place}.{key}"));
            }
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (index, (a, b)) in a.iter().zip(b).enumerate() {
                hold_same(a, b, &format!("{place}[{index}]"));
            }
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            let last_place = match place.contains(".measures.") {
                true => 0.01,
                false => 0.001,
            };
            assert!((a - b).abs() <= 1.01 * last_place, "{place}: {a}, {b}");
        }
        (a, b) => assert_eq!(a, b, "{place}"),
    }
}

fn hold_same_reps(ours: &[Value], life: &[Value]) {
    assert!(life.iter().any(|rep| rep["kind"] == "swing"));
    hold_same(&json!(ours), &json!(life), "reps");
}

#[test]
fn a_slowed_clip_gives_the_reps_of_life_by_what_its_file_says() {
    let run = replayed(NAME, "full", height_cm());
    let life = run.get().unwrap();
    let place = Place::new();
    let clip = place.path("phone.mp4");
    slowed_clip(&clip, &capture_rate(FPS));
    let (reps, printed, _) = replay(&place, &clip, &["--slowed", "auto"]);
    assert!(
        printed.contains("30.000 frames a second (plays 7.500, 4 times slower than life)"),
        "{printed}"
    );
    let frames = json_lines(&life.track).len() - 1;
    assert!(
        printed.contains(&format!("{frames} frames, 0 dropped")),
        "{printed}"
    );
    hold_same_reps(&reps, &life.reps);
}

#[test]
fn a_slowed_track_gives_the_reps_of_life_by_what_is_said() {
    let run = replayed(NAME, "full", height_cm());
    let life = run.get().unwrap();
    let place = Place::new();
    let (track, again) = (
        place.path("slow.track.jsonl"),
        place.path("life.track.jsonl"),
    );
    slowed_track(&life.track, &track);
    // The track itself, not the clip: its points are rounded.
    let (as_it_happened, ..) = replay(&place, &life.track, &["--pace", "fast"]);
    let told = ["--slowed", "4", "--track", again.to_str().unwrap()];
    let (reps, ..) = replay(&place, &track, &told);
    hold_same_reps(&reps, &as_it_happened);
    // A track that is written has the times of life.
    hold_same(
        &json!(json_lines(&again)),
        &json!(json_lines(&life.track)),
        "track",
    );
    // Run twice, the second run follows the first one frame later, in life's time.
    let (twice, ..) = replay(&place, &track, &["--slowed", "4", "--loops", "2"]);
    assert_eq!(twice.len(), 2 * reps.len());
}

#[test]
fn what_the_file_says_and_what_is_said_are_told_apart() {
    let run = replayed(NAME, "full", height_cm());
    let life = run.get().unwrap();
    let place = Place::new();
    let track = place.path("slow.track.jsonl");
    slowed_track(&life.track, &track);
    // A track says nothing of its own pace.
    let (_, printed, said) = replay(&place, &track, &["--slowed", "auto"]);
    assert!(
        said.contains("nothing in the file says") && said.contains("--slowed 8"),
        "{said}"
    );
    assert!(!printed.contains("slower than life"), "{printed}");
    let refused = |source: &Path, times: &str, words: &[&str]| {
        let source = source.to_str().unwrap();
        let output = place.run(&["replay", source, "--no-journal", "--slowed", times]);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{times}: {said}");
        for word in words {
            assert!(said.contains(word), "{times}: {said}");
        }
    };
    for times in ["0", "-4", "0.25", "100", "NaN", "fast", ""] {
        refused(&track, times, &["a number from 1 to 40", "auto"]);
    }
    refused(&life.track, "40", &["1200", "divided by 30"]);
    let lapse = place.path("lapse.mp4");
    slowed_clip(&lapse, &capture_rate(1.0));
    refused(&lapse, "auto", &["time lapse", "--slowed 1"]);
}

#[test]
fn a_clip_that_says_it_is_slowed_is_hinted_at() {
    let place = Place::new();
    let clip = place.path("phone.mp4");
    // A test pattern: it ends with "no hitter was found", after the hint.
    let said = |capture_fps: f32, more: &[&str]| {
        let bytes = std::fs::read(project(PATTERN)).unwrap();
        std::fs::write(&clip, with_index(bytes, &capture_rate(capture_fps))).unwrap();
        let mut arguments = vec![
            "replay",
            clip.to_str().unwrap(),
            "--no-journal",
            "--pace",
            "fast",
        ];
        arguments.extend(more);
        String::from_utf8_lossy(&place.run(&arguments).stderr).into_owned()
    };
    // 60 frames a second, as the pattern plays.
    let hint = said(240.0, &[]);
    assert!(
        hint.contains("4.000 times slower") && hint.contains("--slowed auto"),
        "{hint}"
    );
    let other = said(240.0, &["--slowed", "2"]);
    assert!(
        other.contains("taken to play 2 times") && other.contains("4.000"),
        "{other}"
    );
    for (capture_fps, more) in [(60.0, &[][..]), (240.0, &["--slowed", "4"])] {
        let quiet = said(capture_fps, more);
        assert!(!quiet.contains("slower than life"), "{quiet}");
    }
}

#[test]
fn broken_words_about_the_rate_break_nothing_else() {
    let place = Place::new();
    let clip = place.path("broken.mp4");
    let bytes = std::fs::read(project(PATTERN)).unwrap();
    let good = capture_rate(240.0);
    let frames = |meta: &[u8]| {
        std::fs::write(&clip, with_index(bytes.clone(), meta)).unwrap();
        let mut source = ClipSource::open(&clip).ok()?;
        let mut frame = Frame::default();
        let mut frames = 0;
        while source.next_frame(&mut frame).unwrap() {
            frames += 1;
        }
        Some(frames)
    };
    let all = frames(&good).unwrap();
    // The content of keys and values; a box whose own length is wrong is a damaged index, which other tests hold.
    let keys = good.windows(4).position(|at| at == b"keys").unwrap() + 4;
    for at in (keys..good.len()).step_by(3) {
        for byte in [0, 0x7F, 0xFF] {
            let mut meta = good.clone();
            meta[at] = byte;
            let read = frames(&meta);
            assert!(
                read.is_none_or(|frames| frames == all),
                "byte {at}: {read:?}"
            );
        }
    }
}
