//! Swings are found and measured on recordings whose truth is known exactly.
//!
//! The recordings are rendered, so their truth is the renderer's; bounds are those promised in `docs/accuracy.md`.

use super::program::{Place, json_lines, recording};
use super::truth::{Errors, Truth};

fn replayed(names: &[&str], model: &str) -> Errors {
    let mut errors = Errors::default();
    for name in names {
        let truth = Truth::of(name);
        let place = Place::new();
        let (log, height) = (place.path("reps.jsonl"), truth.height_cm().to_string());
        place.run_well(&[
            "replay",
            &recording(name),
            "--reps",
            log.to_str().unwrap(),
            "--height-cm",
            &height,
            "--pace",
            "fast",
            "--model",
            model,
        ]);
        let reps = json_lines(&log);
        assert!(
            reps.iter().all(|r| r["bats"] == truth.bats()),
            "{name}: the side was not found"
        );
        let takes = reps.iter().filter(|r| r["kind"] == "take").count();
        assert_eq!(takes, truth.segments("take").len(), "{name}: takes");
        let (swings, found, wrong) = (errors.swings, errors.found, errors.false_swings);
        truth.compare(&reps, &mut errors);
        assert_eq!(
            errors.found - found,
            errors.swings - swings,
            "{name}: every swing must be found"
        );
        assert_eq!(
            errors.false_swings, wrong,
            "{name}: nothing else is a swing"
        );
    }
    errors
}

fn hold(errors: &Errors, name: &str, median: f64, worst: f64) {
    let (m, w) = errors.median_and_worst(name);
    assert!(
        m <= median && w <= worst,
        "{name}: median {m:.1} (at most {median}), worst {w:.1} (at most {worst})"
    );
}

#[test]
fn swings_at_60_frames_a_second_are_found_and_measured() {
    let errors = replayed(
        &["right_60fps", "left_60fps_faults", "r01", "r02", "r03"],
        "full",
    );
    hold(&errors, "plant", 33.0, 66.0);
    hold(&errors, "contact", 40.0, 80.0);
    hold(&errors, "gather", 80.0, f64::INFINITY);
    hold(&errors, "lift_off", 80.0, f64::INFINITY);
    hold(&errors, "head_to_plant_cm", 2.5, f64::INFINITY);
    hold(&errors, "stride_length_cm", 4.0, f64::INFINITY);
    hold(&errors, "head_between_feet_pct", 6.0, f64::INFINITY);
}

#[test]
fn swings_at_30_frames_a_second_in_dim_light_are_found_and_timed() {
    let errors = replayed(&["right_30fps_dim"], "full");
    hold(&errors, "plant", 50.0, 100.0);
    hold(&errors, "contact", 50.0, 100.0);
    hold(&errors, "head_to_plant_cm", 2.5, f64::INFINITY);
}

#[test]
fn the_lite_model_finds_the_same_swings() {
    let errors = replayed(&["right_60fps"], "lite");
    hold(&errors, "plant", 33.0, 66.0);
    hold(&errors, "contact", 40.0, 80.0);
}
