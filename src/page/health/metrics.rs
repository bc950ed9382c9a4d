//! The health figures in the Prometheus text format, version 0.0.4.

use std::fmt::Write as _;

use super::RESTARTED;
use crate::journal::CageRow;
use crate::page::pages::cages::AWAY_SECS;
use crate::status::{HealthFigures, MicrophoneState};

/// The value of a metric without labels; `None` where the figure is not known.
type Value = fn(&HealthFigures) -> Option<f64>;

const fn one(flag: bool) -> Option<f64> {
    Some(if flag { 1.0 } else { 0.0 })
}

/// Metrics of one value: name, type, help text, value.
const SINGLE: [(&str, &str, &str, Value); 25] = [
    ("up_seconds", "gauge", "Time since the start.", |f| {
        Some(f.up_secs as f64)
    }),
    (
        "frames_total",
        "counter",
        "Frames that the camera gave.",
        |f| Some(f.frames as f64),
    ),
    (
        "frames_dropped_total",
        "counter",
        "Frames that nobody looked at.",
        |f| Some(f.dropped as f64),
    ),
    (
        "frames_with_body_total",
        "counter",
        "Frames with a body.",
        |f| Some(f.bodies as f64),
    ),
    ("cues_heard_total", "counter", "Cues heard.", |f| {
        Some(f.stage.cues_heard as f64)
    }),
    (
        "microphone_listens",
        "gauge",
        "1 while a microphone is heard.",
        |f| one(f.stage.microphone == MicrophoneState::Listens),
    ),
    (
        "contacts_heard_total",
        "counter",
        "Swings whose contact was heard.",
        |f| Some(f64::from(f.stage.contacts_heard)),
    ),
    (
        "swings_and_misses_total",
        "counter",
        "Swings and misses, told by the microphone.",
        |f| Some(f64::from(f.stage.swings_and_misses)),
    ),
    (
        "reps_stored_total",
        "counter",
        "Reps stored in the journal.",
        |f| Some(f.stage.reps_stored as f64),
    ),
    (
        "reps_waiting",
        "gauge",
        "Entries that wait for the disk.",
        |f| Some(f.stage.reps_waiting as f64),
    ),
    (
        "reps_lost_total",
        "counter",
        "Reps that the journal refused for good; 0 unless cagehand has a fault.",
        |f| Some(f.stage.reps_lost as f64),
    ),
    (
        "facility_connected",
        "gauge",
        "1 while the facility's store answers; absent for a cage by itself.",
        |f| one(f.facility.as_ref()?.connected),
    ),
    (
        "facility_reps_behind",
        "gauge",
        "Reps that are not in the facility's store yet; absent for a cage by itself.",
        |f| Some(f64::from(f.facility.as_ref()?.reps_behind)),
    ),
    (
        "settings_wrong",
        "gauge",
        "1 while the settings file is wrong and the settings before it are in force.",
        |f| one(f.stage.settings_trouble.is_some()),
    ),
    (
        "picture_shown",
        "gauge",
        "1 while the cage's screen may show the camera's picture.",
        |f| one(f.picture_shown),
    ),
    (
        "pictures_made_total",
        "counter",
        "Pictures made for screens.",
        |f| Some(f.pictures_made as f64),
    ),
    (
        "video_kept",
        "gauge",
        "1 while a film of each rep is kept.",
        |f| one(f.stage.video_kept),
    ),
    ("video_films", "gauge", "Films of reps on the disk.", |f| {
        Some(f.stage.video_films as f64)
    }),
    ("video_bytes", "gauge", "Their size.", |f| {
        Some(f.stage.video_bytes as f64)
    }),
    (
        "video_given_up_total",
        "counter",
        "Films of logged reps that were given up.",
        |f| Some(f.stage.video_given_up as f64),
    ),
    (
        "video_frames_dropped_total",
        "counter",
        "Frames missing in films because packing did not keep up.",
        |f| Some(f.stage.video_frames_dropped as f64),
    ),
    ("disk_free_bytes", "gauge", "Room for the journal.", |f| {
        f.disk_free_bytes.map(|b| b as f64)
    }),
    ("memory_bytes", "gauge", "Memory held.", |f| {
        f.machine.memory_bytes.map(|b| b as f64)
    }),
    ("temperature_celsius", "gauge", "The hottest sensor.", |f| {
        f.machine.temperature_c
    }),
    (
        "throttled_total",
        "counter",
        "How often the processor was slowed down for heat.",
        |f| f.machine.throttled.map(|times| times as f64),
    ),
];

/// Durations: name, help text, the median and the 95th and 99th percentiles in milliseconds.
type Quantiles = fn(&HealthFigures) -> Option<[f64; 3]>;

const DURATIONS: [(&str, &str, Quantiles); 6] = [
    ("pose_seconds", "Time of the pose model for a frame.", |f| {
        f.pose_ms
    }),
    (
        "bat_seconds",
        "Time of the bat network for a frame, beside the pose.",
        |f| f.bat_ms,
    ),
    (
        "analysis_seconds",
        "From capture to the end of the analysis.",
        |f| f.seen_ms,
    ),
    (
        "cue_seconds",
        "From the deciding frame's capture to a cue's first sample.",
        |f| f.cue_ms,
    ),
    (
        "finish_to_cue_seconds",
        "From a swing's finish to its cue's first sample.",
        |f| f.finish_to_cue_ms,
    ),
    (
        "head_tone_seconds",
        "From a frame's capture to the first sample of the tone that follows the head.",
        |f| f.tone_ms,
    ),
];

/// One document with every figure that is known.
pub(in crate::page) fn text(f: &HealthFigures) -> String {
    let mut out = String::new();
    for (name, kind, help, value) in SINGLE {
        if let Some(value) = value(f) {
            metric(&mut out, name, kind, help, &[(String::new(), value)]);
        }
    }
    for (name, help, quantiles) in DURATIONS {
        if let Some(ms) = quantiles(f) {
            let samples = ["0.5", "0.95", "0.99"]
                .iter()
                .zip(ms)
                .map(|(q, ms)| (format!("{{quantile=\"{q}\"}}"), ms / 1000.0));
            metric(
                &mut out,
                name,
                "summary",
                help,
                &samples.collect::<Vec<_>>(),
            );
        }
    }
    let reps = [("swing", f.stage.swings), ("take", f.stage.takes)]
        .map(|(kind, count)| (format!("{{kind=\"{kind}\"}}"), f64::from(count)));
    metric(&mut out, "reps_total", "counter", "Reps by kind.", &reps);
    let restarts = RESTARTED
        .iter()
        .zip(f.restarts)
        .map(|(stage, times)| (format!("{{stage=\"{stage}\"}}"), times as f64));
    metric(
        &mut out,
        "restarts_total",
        "counter",
        "How often a stage was started again.",
        &restarts.collect::<Vec<_>>(),
    );
    out
}

/// How the cages of a facility are, each under its name; of a cage whose machine was replaced the newest one.
pub(in crate::page) fn cages_text(cages: &[CageRow]) -> String {
    type CageValue = fn(&CageRow) -> Option<f64>;
    let metrics: [(&str, &str, CageValue); 6] = [
        ("cage_up", "1 while the cage says how it is.", |cage| {
            one(cage.silent_secs < AWAY_SECS)
        }),
        (
            "cage_silent_seconds",
            "Time since the cage was heard from.",
            |cage| Some(cage.silent_secs),
        ),
        (
            "cage_last_rep_timestamp_seconds",
            "When the cage's last rep in the store was logged.",
            |cage| Some(cage.last_rep_at?.as_millisecond() as f64 / 1e3),
        ),
        (
            "cage_reps_behind",
            "Reps that the cage had not sent when it was heard from last.",
            |cage| cage.state.get("reps_behind")?.as_f64(),
        ),
        (
            "cage_reps_lost",
            "Reps that the cage's journal refused for good.",
            |cage| cage.state.get("reps_lost")?.as_f64(),
        ),
        (
            "cage_deletions_left",
            "Deletions that the cage has not heard of.",
            |cage| Some(f64::from(cage.deletions_left)),
        ),
    ];
    let mut out = String::new();
    for (name, help, value) in metrics {
        let samples: Vec<(String, f64)> = cages
            .iter()
            .filter(|cage| !cage.is_replaced)
            .filter_map(|cage| Some((cage_label(&cage.cage), value(cage)?)))
            .collect();
        metric(&mut out, name, "gauge", help, &samples);
    }
    out
}

/// A cage's name as a label's value.
fn cage_label(cage: &str) -> String {
    let escaped = cage.replace('\\', "\\\\").replace('"', "\\\"");
    format!("{{cage=\"{escaped}\"}}")
}

/// One metric with its samples: labels in braces, and a value.
fn metric(out: &mut String, name: &str, kind: &str, help: &str, samples: &[(String, f64)]) {
    // Writing into a string cannot fail.
    let _ = writeln!(
        out,
        "# HELP cagehand_{name} {help}\n# TYPE cagehand_{name} {kind}"
    );
    for (labels, value) in samples {
        let _ = writeln!(out, "cagehand_{name}{labels} {value}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::MachineFigures;

    /// The format's own grammar: comment lines, and `name{labels} value` with a name declared before.
    #[test]
    fn every_line_is_of_the_format() {
        let figures = HealthFigures {
            pose_ms: Some([9.0, 12.0, 15.0]),
            machine: MachineFigures {
                temperature_c: Some(51.5),
                ..MachineFigures::default()
            },
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
