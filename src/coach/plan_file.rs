//! A plan as it is written: unknown keys refused, places remembered so that a wrong value can be shown with its line.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use super::band::BandEnds;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct File {
    pub name: Spanned<String>,
    pub focus: Spanned<Vec<Spanned<String>>>,
    #[serde(default)]
    pub head_tone: bool,
    #[serde(default)]
    pub bands: BTreeMap<Spanned<String>, Spanned<BandEnds>>,
    pub cues: Spanned<FileCues>,
    pub set: Option<Spanned<FileSet>>,
    pub pitch: Option<Spanned<FilePitch>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileCues {
    pub when: Spanned<String>,
    pub every: Option<Spanned<u32>>,
    pub after: Option<Spanned<u32>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileSet {
    pub reps: Option<Spanned<u32>>,
    pub rest_after_reps: Option<Spanned<u32>>,
    pub rest_secs: Option<Spanned<u32>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FilePitch {
    pub level: Spanned<String>,
    pub speeds_mph: Option<Spanned<Vec<f64>>>,
    pub speeds_kmh: Option<Spanned<Vec<f64>>>,
    #[serde(default)]
    pub mixed: bool,
}
