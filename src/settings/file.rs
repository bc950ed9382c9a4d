//! The settings file as it is written: every key optional, unknown keys refused, positions kept so that a wrong value
//! can be shown with its line.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use crate::coach::BandEnds;

/// Declares a section whose keys are all optional, and how one file's section lies over another's.
macro_rules! section {
    ($Section:ident { $($key:ident: $Type:ty),+ $(,)? }) => {
        #[derive(Debug, Default, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub(super) struct $Section { $(pub(super) $key: Option<$Type>,)+ }

        impl $Section {
            /// This section; what it leaves out is as in `default`.
            fn or(self, default: Self) -> Self {
                Self { $($key: self.$key.or(default.$key),)+ }
            }
        }
    };
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct SettingsFile {
    pub(super) hitter: Hitter,
    pub(super) camera: Camera,
    pub(super) pose: Pose,
    pub(super) microphone: Microphone,
    pub(super) cues: Cues,
    pub(super) signs: Signs,
    pub(super) keys: Keys,
    pub(super) journal: Journal,
    pub(super) facility: Facility,
    pub(super) page: Page,
    pub(super) video: Video,
    pub(super) log: Log,
    pub(super) baseline: Baseline,
    /// Given as a whole or left out as a whole.
    pub(super) bands: Option<BTreeMap<Spanned<String>, Spanned<BandEnds>>>,
}

impl SettingsFile {
    /// This file; what it leaves out is as in `default`.
    pub(super) fn or(self, default: Self) -> Self {
        Self {
            hitter: self.hitter.or(default.hitter),
            camera: self.camera.or(default.camera),
            pose: self.pose.or(default.pose),
            microphone: self.microphone.or(default.microphone),
            cues: self.cues.or(default.cues),
            signs: self.signs.or(default.signs),
            keys: self.keys.or(default.keys),
            journal: self.journal.or(default.journal),
            facility: self.facility.or(default.facility),
            page: self.page.or(default.page),
            video: self.video.or(default.video),
            log: self.log.or(default.log),
            baseline: self.baseline.or(default.baseline),
            bands: self.bands.or(default.bands),
        }
    }
}

section!(Hitter {
    name: Spanned<String>,
    height_cm: Spanned<f64>,
    bats: Spanned<String>,
    idle_minutes: Spanned<u32>,
    ask_consent: bool,
});

section!(Camera {
    device: Spanned<String>,
    backend: Spanned<String>,
    width: Spanned<u32>,
    height: Spanned<u32>,
    fps: Spanned<NumberOrWord>,
    view: Spanned<String>,
    known_length_cm: Spanned<f64>,
    known_length_px: Spanned<f64>,
    roll_deg: Spanned<NumberOrWord>,
    exposure_ms: Spanned<NumberOrWord>,
    gain_pct: Spanned<NumberOrWord>,
    power_line_hz: Spanned<NumberOrWord>,
    focus_pct: Spanned<NumberOrWord>,
});

section!(Pose {
    model: Spanned<String>,
    bat: bool,
});

section!(Microphone {
    on: bool,
    device: Spanned<String>,
    distance_m: Spanned<f64>,
    lag_ms: Spanned<f64>,
    lag_plus_minus_ms: Spanned<f64>,
});

section!(Cues {
    volume: Spanned<f64>,
    order: Vec<Spanned<String>>,
    phrases: Spanned<String>,
    language: Spanned<String>,
    units: Spanned<String>,
    remarks: bool,
});

section!(Signs { read: bool });

section!(Keys {
    device: Spanned<String>,
    again: Spanned<String>,
    pause: Spanned<String>,
    next_hitter: Spanned<String>,
});

section!(Journal {
    path: Spanned<String>,
    keep_months: Spanned<u32>,
    exports: Spanned<String>,
    keep_exports_days: Spanned<u32>,
});

section!(Facility {
    store: Spanned<String>,
    cage: Spanned<String>,
    password_file: Spanned<String>,
    authority: Spanned<String>,
    films: bool,
    live: bool,
});

section!(Page {
    listen: Spanned<String>,
    picture: bool,
    names: Vec<Spanned<String>>,
    behind_proxy: Vec<Spanned<String>>,
    certificate: Spanned<String>,
    certificate_key: Spanned<String>,
    unencrypted: bool,
    trial: bool,
    audit_days: Spanned<u32>,
});

section!(Baseline {
    swings: Spanned<u32>,
});

section!(Video {
    keep: bool,
    keep_days: Spanned<u32>,
    keep_gb: Spanned<f64>,
});

section!(Log {
    folder: Spanned<String>,
    level: Spanned<String>,
    file_mb: Spanned<u32>,
    keep_files: Spanned<u32>,
    keep_days: Spanned<u32>,
});

/// A number, or a word such as `auto`.
#[derive(Debug, Deserialize)]
#[serde(untagged, expecting = "it must be \"auto\" or a number")]
pub(super) enum NumberOrWord {
    Number(f64),
    Word(String),
}

impl std::fmt::Display for NumberOrWord {
    /// As it stands in the file.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Number(number) => number.fmt(f),
            Self::Word(word) => write!(f, "{word:?}"),
        }
    }
}
