//! What the landing model is trained on.
//!
//! In: a swing that was found. Out: the values that the model reads at moments about its landing.

use crate::motion::{BodySeries, Signals, Stance};
use crate::time::CaptureTime;

use super::events;
use super::finder::FoundRep;

/// A moment about a swing's landing as the landing model sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct LandingRow {
    /// The moment.
    pub at: CaptureTime,
    /// The values that the model reads, see `events/landing_model.rs`.
    pub values: Vec<f64>,
}

impl FoundRep {
    /// Rows these many seconds from the landing that the fall of a swing's front foot shows; none for a take, or where the
    /// model is not asked.
    pub fn landing_rows(&self, shifts_secs: &[f64]) -> Vec<LandingRow> {
        self.rows(shifts_secs).unwrap_or_default()
    }

    fn rows(&self, shifts_secs: &[f64]) -> Option<Vec<LandingRow>> {
        let rep = &self.rep;
        let contact = rep.events.contact?;
        let ruler = rep.ruler?;
        let body = BodySeries::from_frames(&self.frames, rep.fps)?;
        let roll_rad = ruler.roll_deg.unwrap_or(0.0).to_radians();
        let signals = Signals::new(&body, ruler.scale, roll_rad).ok()?;
        let stance = Stance {
            front: rep.bats.front(),
            pitcher: rep.pitcher_in(&self.frames)?,
        };
        let peak = signals.sample_at(contact) - events::HANDS_FASTEST_BEFORE_SECS * signals.rate_hz;
        let values = events::landing_values(&signals, peak, stance, shifts_secs);
        let rows = values.into_iter().map(|(sample, values)| LandingRow {
            at: signals.time_at(sample),
            values,
        });
        Some(rows.collect())
    }
}
