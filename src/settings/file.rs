//! The settings file as it is written: every key optional, unknown keys refused, places remembered so that a
//! wrong value can be shown with its line.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use crate::coach::BandEnds;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct File {
    pub hitter: Hitter,
    pub camera: Camera,
    pub pose: Pose,
    pub cues: Cues,
    pub journal: Journal,
    pub page: Page,
    pub video: Video,
    pub log: Log,
    pub baseline: Baseline,
    pub bands: Option<BTreeMap<Spanned<String>, Spanned<BandEnds>>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Hitter {
    pub name: Option<Spanned<String>>,
    pub height_cm: Option<Spanned<f64>>,
    pub bats: Option<Spanned<String>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Camera {
    pub device: Option<Spanned<String>>,
    pub width: Option<Spanned<u32>>,
    pub height: Option<Spanned<u32>>,
    pub fps: Option<Spanned<u32>>,
    pub view: Option<Spanned<String>>,
    pub known_length_cm: Option<Spanned<f64>>,
    pub known_length_px: Option<Spanned<f64>>,
    pub roll_deg: Option<Spanned<AutoOr>>,
    pub exposure_ms: Option<Spanned<AutoOr>>,
    pub gain_pct: Option<Spanned<AutoOr>>,
    pub power_line_hz: Option<Spanned<AutoOr>>,
    pub focus_pct: Option<Spanned<AutoOr>>,
}

/// A number, or a word that stands for "find it out".
#[derive(Debug, Deserialize)]
#[serde(untagged, expecting = "it must be \"auto\" or a number")]
pub(super) enum AutoOr {
    Number(f64),
    Word(String),
}

impl AutoOr {
    /// As messages show it.
    pub(super) fn told(&self) -> String {
        match self {
            Self::Number(number) => number.to_string(),
            Self::Word(word) => format!("{word:?}"),
        }
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Pose {
    pub model: Option<Spanned<String>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Cues {
    pub volume: Option<Spanned<f64>>,
    pub order: Option<Vec<Spanned<String>>>,
    pub phrases: Option<Spanned<String>>,
    pub language: Option<Spanned<String>>,
    pub remarks: Option<bool>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Journal {
    pub path: Option<Spanned<String>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Page {
    pub listen: Option<Spanned<String>>,
    pub picture: Option<bool>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Baseline {
    pub swings: Option<Spanned<u32>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Video {
    pub keep: Option<bool>,
    pub keep_days: Option<Spanned<u32>>,
    pub keep_gb: Option<Spanned<f64>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Log {
    pub folder: Option<Spanned<String>>,
    pub level: Option<Spanned<String>>,
    pub file_mb: Option<Spanned<u32>>,
    pub keep_files: Option<Spanned<u32>>,
    pub keep_days: Option<Spanned<u32>>,
}
