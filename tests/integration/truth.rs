//! The known truth of a recording, and how far a rep log is from it.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::Value;

use super::program::clip;

/// A swing may be this far from its truth in time and still be that swing, seconds.
const SAME_SWING_SECS: f64 = 0.35;

/// The truth beside a recording.
pub(crate) struct Truth {
    value: Value,
}

/// Errors of a rep log, by what was compared: event errors in milliseconds, measures in their own unit.
#[derive(Default)]
pub(crate) struct Errors {
    pub swings: usize,
    pub found: usize,
    pub false_swings: usize,
    pub by_name: BTreeMap<String, Vec<f64>>,
    /// The same errors as shares of the rep log's own `plus_minus`.
    in_spreads: BTreeMap<String, Vec<f64>>,
}

impl Truth {
    pub(crate) fn of(name: &str) -> Self {
        Self::read(&clip(name).with_extension("truth.json"))
    }

    pub(crate) fn read(path: &Path) -> Self {
        Self {
            value: serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap(),
        }
    }

    pub(crate) fn height_cm(&self) -> u32 {
        (self.value["hitter_height_m"].as_f64().unwrap() * 100.0).round() as u32
    }

    pub(crate) fn bats(&self) -> &str {
        self.value["bats"].as_str().unwrap()
    }

    pub(crate) fn segments(&self, kind: &str) -> Vec<&Value> {
        self.value["segments"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|s| s["segment"] == kind)
            .collect()
    }

    /// Compares a rep log with the truth and adds what it finds to `errors`.
    pub(crate) fn compare(&self, reps: &[Value], errors: &mut Errors) {
        let mut swings: Vec<&Value> = reps.iter().filter(|r| r["kind"] == "swing").collect();
        for truth in self.segments("rep") {
            errors.swings += 1;
            let contact = truth["events"]["contact"].as_f64().unwrap();
            let near = |r: &Value| {
                let at = r["events"]["contact"]
                    .as_f64()
                    .or(r["events"]["plant"].as_f64());
                at.map_or(f64::INFINITY, |at| (at - contact).abs())
            };
            let Some(best) = (0..swings.len())
                .filter(|&i| near(swings[i]) < SAME_SWING_SECS)
                .min_by(|&a, &b| near(swings[a]).total_cmp(&near(swings[b])))
            else {
                continue;
            };
            errors.found += 1;
            let rep = swings.swap_remove(best);
            for (event, truth_name) in [
                ("gather", "gather"),
                ("lift_off", "lift"),
                ("plant", "plant"),
                ("contact", "contact"),
            ] {
                if let (Some(ours), Some(known)) = (
                    rep["events"][event].as_f64(),
                    truth["events"][truth_name].as_f64(),
                ) {
                    errors
                        .by_name
                        .entry(event.into())
                        .or_default()
                        .push(1000.0 * (ours - known));
                }
            }
            for (measure, truth_name, scale) in [
                ("head_to_plant_cm", "head_set_to_plant_m", 100.0),
                ("stride_length_cm", "stride_m", 100.0),
                ("head_between_feet_pct", "head_between_feet_at_plant", 100.0),
                ("hands_back_cm", "hands_back_lift_to_plant_m", 100.0),
                ("plant_to_contact_ms", "plant_to_contact_s", 1000.0),
                ("lift_to_plant_ms", "lift_to_plant_s", 1000.0),
                ("gather_to_plant_ms", "gather_to_plant_s", 1000.0),
            ] {
                if let (Some(ours), Some(known)) = (
                    rep["measures"][measure]["value"].as_f64(),
                    truth["measures"][truth_name].as_f64(),
                ) {
                    let error = ours - scale * known;
                    let plus_minus = rep["measures"][measure]["plus_minus"].as_f64().unwrap();
                    errors
                        .by_name
                        .entry(measure.into())
                        .or_default()
                        .push(error);
                    errors
                        .in_spreads
                        .entry(measure.into())
                        .or_default()
                        .push(error / plus_minus);
                }
            }
        }
        errors.false_swings += swings.len();
    }
}

impl Errors {
    /// The share of errors that lie within so many `plus_minus`.
    pub(crate) fn share_within(&self, name: &str, times: f64) -> f64 {
        let spreads = &self.in_spreads[name];
        spreads.iter().filter(|s| s.abs() < times).count() as f64 / spreads.len() as f64
    }

    /// The largest error, in its own `plus_minus`.
    pub(crate) fn worst_in_spreads(&self, name: &str) -> f64 {
        self.in_spreads[name]
            .iter()
            .map(|s| s.abs())
            .fold(0.0, f64::max)
    }

    /// The median and the largest of the absolute errors.
    pub(crate) fn median_and_worst(&self, name: &str) -> (f64, f64) {
        let mut errors: Vec<f64> = self.by_name[name].iter().map(|e| e.abs()).collect();
        errors.sort_by(f64::total_cmp);
        let middle = errors.len() / 2;
        let median = if errors.len() % 2 == 1 {
            errors[middle]
        } else {
            0.5 * (errors[middle - 1] + errors[middle])
        };
        (median, errors[errors.len() - 1])
    }
}
