//! Bad input: each kind gets a clear error with the right exit status, and nothing already kept is lost.

use std::fs;
use std::time::{Duration, Instant};

use super::program::{Place, project, recording};

/// Runs, and insists on this exit status and on each of these words on standard error.
fn refused(place: &Place, arguments: &[&str], status: i32, words: &[&str]) {
    let output = place.run(arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(status), "{arguments:?}: {said}");
    for word in words {
        assert!(
            said.contains(word),
            "{arguments:?} should say {word:?}: {said}"
        );
    }
    assert!(!said.contains("panicked"), "{said}");
}

fn replay(source: &str) -> Vec<&str> {
    vec!["replay", source, "--pace", "fast", "--no-journal"]
}

#[test]
fn sources_that_are_no_recording_are_told_apart() {
    let place = Place::new();
    let at = |name: &str| place.path(name).to_string_lossy().into_owned();
    fs::write(place.path("empty.mp4"), b"").unwrap();
    fs::write(
        place.path("words.mp4"),
        "this is a shopping list\n".repeat(50),
    )
    .unwrap();
    fs::create_dir(place.path("folder.mp4")).unwrap();
    fs::copy(
        project("tests/data/clips/typical_tables.jpg"),
        place.path("still.mp4"),
    )
    .unwrap();
    fs::write(
        place.path("odd.track.jsonl"),
        "{\"format\":\"pose-track\"}\n",
    )
    .unwrap();
    refused(
        &place,
        &replay(&at("missing.mp4")),
        1,
        &["missing.mp4", "no such file"],
    );
    refused(
        &place,
        &replay(&at("empty.mp4")),
        1,
        &["empty.mp4", "empty"],
    );
    refused(
        &place,
        &replay(&at("words.mp4")),
        1,
        &["words.mp4", "not a video"],
    );
    refused(
        &place,
        &replay(&at("folder.mp4")),
        1,
        &["folder.mp4", "folder"],
    );
    refused(
        &place,
        &replay(&at("still.mp4")),
        1,
        &["still.mp4", "still picture"],
    );
    refused(
        &place,
        &replay(&at("odd.track.jsonl")),
        1,
        &["odd.track.jsonl", "line 1"],
    );
    refused(
        &place,
        &replay(&at("gone.track.jsonl")),
        1,
        &["gone.track.jsonl"],
    );
}

#[test]
fn a_clip_without_a_person_says_so() {
    let place = Place::new();
    let clip = project("tests/data/clips/h264_b_frames.mp4");
    refused(
        &place,
        &replay(clip.to_str().unwrap()),
        1,
        &["no hitter was found"],
    );
}

#[test]
fn a_clip_that_was_cut_short_gives_the_reps_it_holds_and_then_says_what_is_wrong() {
    let place = Place::new();
    let whole = fs::read(recording("left_60fps_faults")).unwrap();
    let cut = place.path("cut.mp4");
    // Where the index is at the front, half of the pictures still give two of the four swings.
    fs::write(&cut, &whole[..whole.len() / 2]).unwrap();
    let log = place.path("reps.jsonl");
    let mut arguments = replay(cut.to_str().unwrap());
    arguments.extend(["--height-cm", "168", "--reps", log.to_str().unwrap()]);
    let output = place.run(&arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("cut.mp4"), "{said}");
    let index_at_front =
        whole.windows(4).position(|w| w == b"moov") < whole.windows(4).position(|w| w == b"mdat");
    if index_at_front {
        assert!(super::program::json_lines(&log).len() >= 2, "{said}");
    } else {
        assert!(said.contains("index"), "{said}");
    }
}

#[test]
fn wrong_requests_and_settings_are_refused_before_anything_runs() {
    let place = Place::new();
    let settings = place.path("s.toml");
    let path = settings.to_str().unwrap();
    let clip = recording("right_60fps");
    for (text, words) in [
        ("[hitter]\nheight_cm = 500\n", ["line 2", "80 to 230"]),
        (
            "[bands]\nhead_to_plant_cm = { low = 9, high = 1 }\n",
            ["line 2", "above high"],
        ),
        ("[cues]\nvolumen = 1\n", ["line 2", "unknown field"]),
        ("[cues\n", ["line 1", "s.toml"]),
    ] {
        fs::write(&settings, text).unwrap();
        refused(&place, &["replay", &clip, "--settings", path], 2, &words);
    }
    refused(
        &place,
        &["check", "--settings", "nowhere.toml"],
        2,
        &["nowhere.toml"],
    );
    refused(&place, &["replay", &clip, "--pace", "slow"], 2, &["slow"]);
    refused(&place, &["replay", &clip, "--height-cm", "17"], 2, &["17"]);
    refused(
        &place,
        &["replay", &clip, "--sound", "loud"],
        2,
        &["loud", ".wav"],
    );
    refused(
        &place,
        &["replay", &clip, "--pace", "fast", "--sound", "device"],
        2,
        &["--pace real"],
    );
    refused(&place, &["replay"], 2, &["SOURCE"]);
    refused(&place, &["dance"], 2, &["dance"]);
}

#[test]
fn outputs_that_cannot_be_written_are_named() {
    let place = Place::new();
    let clip = recording("right_60fps");
    let mut arguments = replay(&clip);
    for option in ["--reps", "--track", "--sound"] {
        arguments.truncate(5);
        arguments.extend([option, "nowhere/x.wav"]);
        refused(&place, &arguments, 1, &["nowhere/x.wav"]);
    }
    fs::write(place.path("file"), b"x").unwrap();
    refused(
        &place,
        &[
            "replay",
            &clip,
            "--pace",
            "fast",
            "--journal",
            "file/journal.db",
        ],
        1,
        &["file"],
    );
    fs::create_dir(place.path("folder")).unwrap();
    refused(
        &place,
        &["replay", &clip, "--pace", "fast", "--journal", "folder"],
        1,
        &["folder"],
    );
    fs::write(
        place.path("words.db"),
        "not a database at all, not in the least\n".repeat(40),
    )
    .unwrap();
    let before = fs::read(place.path("words.db")).unwrap();
    refused(
        &place,
        &["replay", &clip, "--pace", "fast", "--journal", "words.db"],
        1,
        &["words.db"],
    );
    assert_eq!(
        fs::read(place.path("words.db")).unwrap(),
        before,
        "a foreign file is left alone"
    );
    refused(&place, &["export", "--journal", "none.db"], 1, &["none.db"]);
}

#[test]
fn a_second_daemon_on_the_same_journal_is_refused_and_the_first_goes_on() {
    let place = Place::new();
    let clip = recording("left_60fps_faults");
    let mut first = place
        .command(&[
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            "j.db",
        ])
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let started = Instant::now();
    while !place.path("j.db").exists() {
        assert!(
            started.elapsed() < Duration::from_secs(30),
            "the first daemon opens its journal"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
    std::thread::sleep(Duration::from_millis(300));
    refused(
        &place,
        &[
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            "j.db",
        ],
        1,
        &["j.db", "another cagehand"],
    );
    assert!(
        first.try_wait().unwrap().is_none(),
        "the first daemon goes on"
    );
    first.kill().unwrap();
    first.wait().unwrap();
    // The lock goes with the process, and what was kept can be read.
    place.run_well(&["export", "--journal", "j.db"]);
}
