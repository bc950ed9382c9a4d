//! Files that a run or an export is told to write: where they fail the journal has the rep all the same, and what lies there
//! already stays.

use std::fs;

use super::program::{Place, json_lines, project};

fn track() -> String {
    project("tests/data/tracks/right_60fps_swing_2.track.jsonl")
        .to_str()
        .unwrap()
        .to_owned()
}

fn stored_reps(place: &Place) -> usize {
    let out = place.path("stored.jsonl");
    let _ = fs::remove_file(&out);
    let out_text = out.to_str().unwrap().to_owned();
    place.run_well(&["export", "--journal", "j.db", "--out", &out_text]);
    json_lines(&out).len()
}

#[test]
fn a_full_disk_beside_the_journal_costs_no_rep() {
    // Linux's own stand-in for a full disk (full(4)).
    for option in ["--reps", "--track"] {
        let place = Place::new();
        let output = place.run(&[
            "replay",
            &track(),
            "--pace",
            "fast",
            "--journal",
            "j.db",
            option,
            "/dev/full",
        ]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            !output.status.success(),
            "{option}: it is not hidden: {said}"
        );
        assert!(said.contains("/dev/full"), "{option}: {said}");
        assert_eq!(stored_reps(&place), 1, "{option}");
    }
}

#[test]
fn an_output_never_takes_the_place_of_a_journal_or_of_earlier_reps() {
    let place = Place::new();
    let replay = |more: &[&str]| {
        let track = track();
        let mut arguments = vec!["replay", &track, "--pace", "fast", "--journal", "j.db"];
        arguments.extend(more);
        place.run(&arguments)
    };
    assert!(replay(&["--reps", "reps.jsonl"]).status.success());
    let (journal, log) = (
        fs::read(place.path("j.db")).unwrap(),
        fs::read(place.path("reps.jsonl")).unwrap(),
    );
    assert!(!log.is_empty());
    for target in ["j.db", "reps.jsonl"] {
        for arguments in [
            vec!["export", "--journal", "j.db", "--out", target],
            vec![
                "export",
                "--journal",
                "j.db",
                "--format",
                "csv",
                "--out",
                target,
            ],
            vec![
                "export",
                "--journal",
                "j.db",
                "--session",
                "1",
                "--timeline",
                "1",
                "--out",
                target,
            ],
        ] {
            let output = place.run(&arguments);
            assert!(!output.status.success(), "{arguments:?}");
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(said.contains(target), "{said}");
        }
    }
    for option in ["--reps", "--track", "--sound"] {
        assert!(!replay(&[option, "j.db"]).status.success(), "{option}");
    }
    assert!(!replay(&["--reps", "reps.jsonl"]).status.success());
    assert_eq!(fs::read(place.path("j.db")).unwrap(), journal);
    assert_eq!(fs::read(place.path("reps.jsonl")).unwrap(), log);
    assert_eq!(stored_reps(&place), 1);
}
