//! `cagehand health`: how the running daemon is.

use std::time::Duration;

use clap::Args;

use super::{Failure, terminal};
use crate::page::health_lines;
use crate::settings::Settings;
use crate::status::HealthFigures;

/// Arguments of `health`.
#[derive(Debug, Args)]
pub(super) struct HealthArgs {
    /// Print one JSON object instead of lines.
    #[arg(long)]
    json: bool,
}

impl HealthArgs {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let Some(address) = settings.page.listen else {
            return Err(Failure::Request(
                "the page is turned off ([page] listen is empty), so health cannot be read".into(),
            ));
        };
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(3)))
            .build()
            .into();
        let text = agent
            .get(format!("http://{address}/health"))
            .call()
            .and_then(|mut answer| answer.body_mut().read_to_string())
            .map_err(|error| {
                Failure::Finding(format!(
                    "no cagehand answers at {address}: {error}; start it with cagehand watch"
                ))
            })?;
        if self.json {
            terminal::println(text.trim());
            return Ok(());
        }
        let figures: HealthFigures = serde_json::from_str(&text).map_err(|error| {
            Failure::Finding(format!("{address} is not a cagehand server: {error}"))
        })?;
        for (what, how) in health_lines(&figures) {
            terminal::println(&format!("{what:<20} {how}"));
        }
        Ok(())
    }
}
