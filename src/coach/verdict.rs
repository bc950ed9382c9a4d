//! How a measure stands against its band.

use serde::{Deserialize, Serialize};

/// How a measure stands against its band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the band, its ends included.
    In,
    /// Below the band.
    Low,
    /// Above the band.
    High,
}

impl Verdict {
    /// The word used in logs.
    pub const fn name(self) -> &'static str {
        match self {
            Verdict::In => "in",
            Verdict::Low => "low",
            Verdict::High => "high",
        }
    }

    /// The verdict of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Verdict::In, Verdict::Low, Verdict::High]
            .into_iter()
            .find(|v| v.name() == name)
    }
}
