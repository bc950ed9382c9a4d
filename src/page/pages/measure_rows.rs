//! The measures of a rep in tables: those that are worked on, and the others by fundamental.

use super::rep::Found;
use super::sessions::shown_measures;
use crate::coach::Verdict;
use crate::journal::StoredRep;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::rep::{Fundamental, Measure, MeasureName};
use crate::stats::{median, quantile};

/// Fewer values show no habit.
const MIN_USUAL: usize = 5;

/// A measure in the table.
pub(super) struct MeasureRow {
    pub(super) name: &'static str,
    pub(super) label: &'static str,
    pub(super) value: String,
    pub(super) band: String,
    pub(super) usual: String,
    pub(super) other: String,
    pub(super) sign: &'static str,
    pub(super) verdict: Option<Verdict>,
}

/// The measures of a fundamental, which are folded.
pub(super) struct Group {
    pub(super) label: &'static str,
    pub(super) rows: Vec<MeasureRow>,
    /// How many of them are out of range.
    pub(super) out: usize,
}

/// The measures that were made: those that are worked on, and the others by fundamental.
pub(super) fn measure_rows(
    found: &Found,
    i18n: &'static Messages,
) -> (Vec<MeasureRow>, Vec<Group>) {
    let focus = shown_measures(found.plan.clone(), &found.session);
    let measures = &found.rep.judged.rep.measures;
    let is_made = |name: &MeasureName| measures.get(name).is_some_and(|m| m.value().is_some());
    let rows_of = |names: Vec<MeasureName>| -> Vec<MeasureRow> {
        let rows = names.into_iter().filter_map(|name| row(found, name, i18n));
        rows.collect()
    };
    let group = |of: &Fundamental| {
        let others = measures.keys().copied().filter(is_made);
        let names = others.filter(|name| name.fundamental() == *of && !focus.contains(name));
        let rows = rows_of(names.collect());
        let is_out = |row: &&MeasureRow| row.verdict.is_some_and(|v| v != Verdict::In);
        (!rows.is_empty()).then(|| Group {
            label: i18n.named("fundamental.", of.as_str()),
            out: rows.iter().filter(is_out).count(),
            rows,
        })
    };
    let groups = Fundamental::ALL.iter().filter_map(group).collect();
    (rows_of(focus.clone()), groups)
}

/// `front foot open (front heel hidden); …`: in one line, as there is nothing to compare.
pub(super) fn not_made(rep: &StoredRep, i18n: &'static Messages) -> String {
    let why = rep
        .judged
        .rep
        .measures
        .iter()
        .filter_map(|(name, measure)| match measure {
            Measure::Made { .. } => None,
            Measure::NotMade { why } => Some(format!(
                "{} ({})",
                i18n.measure(*name),
                i18n.not_measured(why)
            )),
        });
    why.collect::<Vec<_>>().join("; ")
}

fn row(found: &Found, name: MeasureName, i18n: &'static Messages) -> Option<MeasureRow> {
    let judged = &found.rep.judged;
    let measure = judged.rep.measures.get(&name)?;
    let verdict = judged.verdicts.get(&name).copied();
    let other = found.other.as_ref();
    Some(MeasureRow {
        name: name.name(),
        label: i18n.measure(name),
        value: format::measure(i18n, name, measure),
        band: judged
            .bands
            .get(&name)
            .map(|band| format::band(i18n, name, band))
            .unwrap_or_default(),
        usual: found
            .usual
            .get(&name)
            .map(|values| usual_text(i18n, name, values))
            .unwrap_or_default(),
        other: other
            .and_then(|other| other.judged.rep.measures.get(&name))
            .map(|measure| format::measure(i18n, name, measure))
            .unwrap_or_default(),
        sign: format::sign(verdict),
        verdict,
    })
}

/// The median of the usual values, and the range of their middle half.
pub(in crate::page) fn usual_text(i18n: &Messages, name: MeasureName, values: &[f64]) -> String {
    if values.len() < MIN_USUAL || !name.unit().is_quantity() {
        return String::new();
    }
    match (
        median(values),
        quantile(values, 0.25),
        quantile(values, 0.75),
    ) {
        (Some(middle), Some(low), Some(high)) => format!(
            "{} ({} … {})",
            format::with_unit(i18n, name, middle),
            format::plain(i18n, name, low),
            format::plain(i18n, name, high)
        ),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usual_values_show_their_middle_half_once_they_are_a_habit() {
        let i18n = Messages::of(crate::sound::Language::English, crate::rep::Lengths::Metric);
        let values = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(
            usual_text(i18n, MeasureName::HeadToPlant, &values),
            "3.0 cm (2.0 … 4.0)"
        );
        assert_eq!(usual_text(i18n, MeasureName::HeadToPlant, &values[..4]), "");
        assert_eq!(
            usual_text(i18n, MeasureName::BackBeforeForward, &values),
            ""
        );
    }
}
