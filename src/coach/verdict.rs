//! How a measure stands against its band.

use serde::Deserialize;

use crate::text_enum::text_enum;

text_enum! {
    /// How a measure stands against its band.
    #[derive(Deserialize)]
    #[serde(rename_all = "snake_case")]
    pub enum Verdict {
        /// Within the band, its ends included.
        In = "in",
        /// Below the band.
        Low = "low",
        /// Above the band.
        High = "high",
    }
}
