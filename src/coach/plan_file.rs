//! The format of a plan's text: unknown keys refused, positions kept so that a wrong value can be shown with its line.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use super::band::BandEnds;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanFile {
    pub(crate) name: Spanned<String>,
    pub(crate) focus: Spanned<Vec<Spanned<String>>>,
    #[serde(default)]
    pub(crate) head_tone: bool,
    #[serde(default)]
    pub(crate) bands: BTreeMap<Spanned<String>, Spanned<BandEnds>>,
    pub(crate) cues: Spanned<CuesSection>,
    pub(crate) set: Option<Spanned<SetSection>>,
    pub(crate) pitch: Option<Spanned<PitchSection>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CuesSection {
    pub(crate) when: Spanned<String>,
    pub(crate) every: Option<Spanned<u32>>,
    pub(crate) after: Option<Spanned<u32>>,
    pub(crate) words: Option<Spanned<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SetSection {
    pub(crate) reps: Option<Spanned<u32>>,
    pub(crate) rest_after_reps: Option<Spanned<u32>>,
    pub(crate) rest_secs: Option<Spanned<u32>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PitchSection {
    pub(crate) level: Spanned<String>,
    pub(crate) speeds_mph: Option<Spanned<Vec<f64>>>,
    pub(crate) speeds_kmh: Option<Spanned<Vec<f64>>>,
    #[serde(default)]
    pub(crate) mixed: bool,
}
