//! The wall clock of a cage-side machine is set by the network while it runs; reps go by the monotonic one.

use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use super::program::{Place, json_lines, recording};

/// Debian's library that gives a program another wall clock, by a file that may change while it runs.
const OTHER_CLOCK: &str = "/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1";

fn lines(path: &Path) -> usize {
    std::fs::read_to_string(path).map_or(0, |text| text.lines().count())
}

#[test]
fn a_clock_that_is_set_back_and_forth_costs_no_rep_and_moves_none() {
    assert!(
        Path::new(OTHER_CLOCK).exists(),
        "install Debian's package faketime, as `make test` does"
    );
    let place = Place::new();
    // A seventh as fast as life leaves a busy machine time for each frame, so that the two runs see the same ones.
    let clip = recording("right_30fps_dim");
    std::fs::write(
        place.path("here.toml"),
        "[page]\nlisten = \"\"\n[pose]\nmodel = \"lite\"\n",
    )
    .unwrap();
    // Both at once: each takes two minutes.
    let mut undisturbed = watch(&place, &clip, "still");
    let moved = watch(&place, &clip, "moved");
    set_the_clock_after_reps(&place, moved, &["-40d", "+400d"]);
    assert!(undisturbed.wait().unwrap().success());
    let reps = |run: &str| json_lines(&place.path(&format!("{run}.jsonl")));
    let (still, moved) = (reps("still"), reps("moved"));
    assert!(still.len() >= 3 && still.len() == moved.len());
    for (a, b) in still.iter().zip(&moved) {
        for event in ["plant", "contact"] {
            let (a, b) = (&a["events"][event], &b["events"][event]);
            // A take has no contact.
            let (Some(at), Some(moved_at)) = (a.as_f64(), b.as_f64()) else {
                assert_eq!(a, b);
                continue;
            };
            let apart = (at - moved_at).abs();
            assert!(apart < 0.1, "{event} at {a} and {b}");
        }
    }
    let told = place.run_well(&["journal", "check", "--journal", "moved.db"]);
    assert!(told.contains("structure and references  good"), "{told}");
    let exported = place.run_well(&["export", "--journal", "moved.db"]);
    assert_eq!(exported.lines().count(), moved.len());
}

/// Runs the clip to its end, by a wall clock of its own.
fn watch(place: &Place, clip: &str, run: &str) -> Child {
    let named = |ending: &str| format!("{run}.{ending}");
    std::fs::write(place.path(&named("clock")), "+0").unwrap();
    place
        .command(&[
            "watch",
            "--end-with-recording",
            "--stand-in",
            clip,
            "--pace",
            "0.15",
            "--sound",
            "none",
            "--settings",
            "here.toml",
            "--journal",
            &named("db"),
            "--reps",
            &named("jsonl"),
        ])
        .env("LD_PRELOAD", OTHER_CLOCK)
        .env("FAKETIME_TIMESTAMP_FILE", place.path(&named("clock")))
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Sets the clock by the next step after each rep, until the clip is over.
fn set_the_clock_after_reps(place: &Place, mut moved: Child, steps: &[&str]) {
    let began = Instant::now();
    let mut steps = steps.iter().enumerate();
    let mut next = steps.next();
    while moved.try_wait().unwrap().is_none() {
        assert!(began.elapsed() < Duration::from_secs(300), "it hangs");
        if let Some((after, offset)) = next
            && lines(&place.path("moved.jsonl")) > after
        {
            std::fs::write(place.path("moved.clock"), offset).unwrap();
            next = steps.next();
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(moved.wait().unwrap().success());
    assert!(next.is_none(), "the clip ended before every step was made");
}
