//! The health figures in the Prometheus text format, version 0.0.4.

use std::fmt::Write as _;

use super::health_page::{HealthFigures, RESTARTED};

/// One document with every figure that is known.
pub(super) fn text(f: &HealthFigures) -> String {
    let mut out = String::new();
    let mut one = |name: &str, kind: &str, help: &str, values: &[(String, f64)]| {
        // Writing into a string cannot fail.
        let _ = writeln!(
            out,
            "# HELP cagehand_{name} {help}\n# TYPE cagehand_{name} {kind}"
        );
        for (labels, value) in values {
            let _ = writeln!(out, "cagehand_{name}{labels} {value}");
        }
    };
    let plain = |value: f64| [(String::new(), value)];
    one(
        "up_seconds",
        "gauge",
        "Time since the start.",
        &plain(f.up_secs as f64),
    );
    one(
        "frames_total",
        "counter",
        "Frames that the camera gave.",
        &plain(f.frames as f64),
    );
    one(
        "frames_dropped_total",
        "counter",
        "Frames that nobody looked at.",
        &plain(f.dropped as f64),
    );
    one(
        "frames_with_body_total",
        "counter",
        "Frames with a body.",
        &plain(f.bodies as f64),
    );
    let quantiles = |ms: [f64; 3]| {
        [("0.5", ms[0]), ("0.95", ms[1]), ("0.99", ms[2])]
            .map(|(q, ms)| (format!("{{quantile=\"{q}\"}}"), ms / 1000.0))
    };
    for (name, help, times) in [
        (
            "pose_seconds",
            "Time of the pose model for a frame.",
            f.pose_ms,
        ),
        (
            "analysis_seconds",
            "From capture to the end of the analysis.",
            f.seen_ms,
        ),
        (
            "cue_seconds",
            "From the deciding frame's capture to a cue's first sample.",
            f.cue_ms,
        ),
        (
            "finish_to_cue_seconds",
            "From a swing's finish to its cue's first sample.",
            f.finish_to_cue_ms,
        ),
        (
            "head_tone_seconds",
            "From a frame's capture to the first sample of the tone that follows the head.",
            f.tone_ms,
        ),
    ] {
        if let Some(ms) = times {
            one(name, "summary", help, &quantiles(ms));
        }
    }
    one(
        "reps_total",
        "counter",
        "Reps by kind.",
        &[
            ("{kind=\"swing\"}".to_owned(), f64::from(f.swings)),
            ("{kind=\"take\"}".to_owned(), f64::from(f.takes)),
        ],
    );
    one(
        "cues_heard_total",
        "counter",
        "Cues heard.",
        &plain(f.cues_heard as f64),
    );
    one(
        "reps_stored_total",
        "counter",
        "Reps stored in the journal.",
        &plain(f.reps_stored as f64),
    );
    one(
        "reps_waiting",
        "gauge",
        "Entries that wait for the disk.",
        &plain(f.reps_waiting as f64),
    );
    let restarts: Vec<(String, f64)> = RESTARTED
        .iter()
        .zip(f.restarts)
        .map(|(stage, times)| (format!("{{stage=\"{stage}\"}}"), times as f64))
        .collect();
    one(
        "restarts_total",
        "counter",
        "How often a stage was started again.",
        &restarts,
    );
    one(
        "settings_wrong",
        "gauge",
        "1 while the settings file is wrong and the settings before it are in force.",
        &plain(f64::from(u8::from(f.settings_trouble.is_some()))),
    );
    one(
        "picture_shown",
        "gauge",
        "1 while the cage's screen may show the camera's picture.",
        &plain(f64::from(u8::from(f.picture_shown))),
    );
    one(
        "pictures_made_total",
        "counter",
        "Pictures made for screens.",
        &plain(f.pictures_made as f64),
    );
    one(
        "video_kept",
        "gauge",
        "1 while a film of each rep is kept.",
        &plain(f64::from(u8::from(f.video_kept))),
    );
    one(
        "video_films",
        "gauge",
        "Films of reps on the disk.",
        &plain(f.video_films as f64),
    );
    one(
        "video_bytes",
        "gauge",
        "Their size.",
        &plain(f.video_bytes as f64),
    );
    one(
        "video_given_up_total",
        "counter",
        "Films of logged reps that were given up.",
        &plain(f.video_given_up as f64),
    );
    one(
        "video_frames_dropped_total",
        "counter",
        "Frames missing in films because packing did not keep up.",
        &plain(f.video_frames_dropped as f64),
    );
    if let Some(bytes) = f.disk_free_bytes {
        one(
            "disk_free_bytes",
            "gauge",
            "Room for the journal.",
            &plain(bytes as f64),
        );
    }
    if let Some(bytes) = f.memory_bytes {
        one(
            "memory_bytes",
            "gauge",
            "Memory held.",
            &plain(bytes as f64),
        );
    }
    if let Some(celsius) = f.temperature_c {
        one(
            "temperature_celsius",
            "gauge",
            "The hottest sensor.",
            &plain(celsius),
        );
    }
    if let Some(times) = f.throttled {
        one(
            "throttled_total",
            "counter",
            "How often the processor was slowed down for heat.",
            &plain(times as f64),
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The format's own grammar: comment lines, and `name{labels} value` with a name declared before.
    #[test]
    fn every_line_is_of_the_format() {
        let figures = HealthFigures {
            pose_ms: Some([9.0, 12.0, 15.0]),
            temperature_c: Some(51.5),
            ..HealthFigures::default()
        };
        let text = text(&figures);
        let mut declared = Vec::new();
        for line in text.lines() {
            if let Some(rest) = line.strip_prefix("# TYPE ") {
                let (name, kind) = rest.split_once(' ').unwrap();
                assert!(["counter", "gauge", "summary"].contains(&kind), "{line}");
                declared.push(name.to_owned());
            } else if !line.starts_with("# HELP ") {
                let (name, value) = line.rsplit_once(' ').unwrap();
                let name = name.split('{').next().unwrap();
                assert!(declared.iter().any(|d| d == name), "{line}");
                assert!(value.parse::<f64>().unwrap().is_finite(), "{line}");
            }
        }
        assert!(text.contains("cagehand_pose_seconds{quantile=\"0.95\"} 0.012"));
        assert!(text.ends_with('\n'));
    }
}
