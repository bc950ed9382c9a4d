//! Reps as rows of a table for spreadsheets: one row a rep, units in the column names.

use crate::journal::record::{writable, writable_fps};
use crate::journal::rep_json::{is_yes, rounded};
use crate::journal::stamp::stamp_text;
use crate::journal::store::query::StoredRep;
use crate::rep::{
    Events, LoadStyle, Measure, MeasureName, RepKind, Unit, path_shape_word, sequence_words,
};
use crate::time::CaptureTime;

/// A column of the table: its name, and what stands there of a rep; nothing where that is not known.
type CsvColumn = (&'static str, fn(&StoredRep) -> Option<String>);

/// The columns before the events.
const ORIGIN: [CsvColumn; 8] = [
    ("session", |stored| Some(stored.session.to_string())),
    ("hitter", |stored| free_text(stored.hitter_name.as_deref()?)),
    ("logged_at", |stored| Some(stamp_text(stored.logged_at))),
    ("rep", |stored| Some(stored.judged.number.to_string())),
    ("kind", |stored| text(stored.judged.rep.kind.name())),
    ("bats", |stored| text(stored.judged.rep.bats.name())),
    ("view", |stored| text(stored.judged.rep.view.name())),
    ("fps", |stored| {
        number(writable_fps(stored.judged.rep.fps), 3)
    }),
];

/// The columns behind the measures.
const CUE_TO_CORRECTIONS: [CsvColumn; 15] = [
    ("cue", |stored| {
        text(stored.judged.cue.as_ref()?.id.as_str())
    }),
    ("cue_at_secs", |stored| secs(stored.judged.cue.as_ref()?.at)),
    ("cue_latency_ms", |stored| {
        number(stored.judged.cue.as_ref()?.latency_ms?, 1)
    }),
    ("no_cue", |stored| {
        let no_cue = stored.judged.no_cue.as_ref()?;
        text(no_cue.as_str()).filter(|_| stored.judged.cue.is_none())
    }),
    ("pitch_kmh", |stored| {
        number(stored.judged.pitch?.speed_kmh, 1)
    }),
    ("pitch_release_secs", |stored| {
        secs(stored.judged.pitch?.release)
    }),
    ("pitch_arrival_secs", |stored| {
        secs(stored.judged.pitch?.arrival)
    }),
    ("stance_width_cm", |stored| {
        length(stored.judged.rep.style.stance_width_cm)
    }),
    ("hand_height_cm", |stored| {
        length(stored.judged.rep.style.hand_height_cm)
    }),
    ("lift_height_cm", |stored| {
        length(stored.judged.rep.style.lift_height_cm)
    }),
    ("load", |stored| {
        stored
            .judged
            .rep
            .style
            .load
            .map(LoadStyle::name)
            .and_then(text)
    }),
    ("marked", |stored| Some(stored.marked.to_string())),
    ("struck", |stored| free_text(stored.excluded.as_deref()?)),
    ("called", |stored| {
        stored.label_override.map(RepKind::name).and_then(text)
    }),
    ("moved", |stored| Some(stored.moved.to_string())),
];

/// The column names. A measure's own name ends in its unit; so do those of its neighbors.
pub(in crate::journal) fn header() -> Vec<String> {
    let names = |columns: &[CsvColumn]| -> Vec<String> {
        columns.iter().map(|(name, _)| (*name).to_owned()).collect()
    };
    let events = Events::default()
        .named()
        .map(|(name, _)| format!("{name}_secs"));
    let measures = MeasureName::ALL.iter().flat_map(|name| {
        [
            name.name().to_owned(),
            format!("plus_minus_{name}"),
            format!("{name}_confidence"),
            format!("{name}_verdict"),
            format!("{name}_why_not"),
        ]
    });
    let mut header = names(&ORIGIN);
    header.extend(events.into_iter().chain(measures));
    header.extend(names(&CUE_TO_CORRECTIONS));
    header
}

/// The rep's row, as many fields as the header has; what is not known is empty.
pub(in crate::journal) fn row(stored: &StoredRep) -> Vec<String> {
    let fields = |columns: &[CsvColumn]| -> Vec<Option<String>> {
        columns.iter().map(|(_, field)| field(stored)).collect()
    };
    let events = stored.judged.rep.events.named();
    let mut row = fields(&ORIGIN);
    row.extend(events.map(|(_, at)| at.and_then(secs)));
    row.extend(
        MeasureName::ALL
            .iter()
            .flat_map(|name| measure_fields(stored, *name)),
    );
    row.extend(fields(&CUE_TO_CORRECTIONS));
    row.into_iter().map(Option::unwrap_or_default).collect()
}

/// A measure's value, its uncertainty, its confidence, the verdict, and why there is no value.
fn measure_fields(stored: &StoredRep, name: MeasureName) -> [Option<String>; 5] {
    match stored.judged.rep.measures.get(&name).map(writable) {
        Some(Measure::Made {
            value,
            plus_minus,
            confidence,
        }) => [
            Some(value_text(name, value)),
            number(plus_minus, 2),
            number(confidence, 2),
            stored
                .judged
                .verdicts
                .get(&name)
                .and_then(|verdict| text(verdict.as_str())),
            None,
        ],
        Some(Measure::NotMade { why }) => [None, None, None, None, text(why.as_str())],
        None => Default::default(),
    }
}

/// A measure's value: a number, `true` or `false`, an order such as `heel>knee>hip>hands`, or the word of a shape.
fn value_text(name: MeasureName, value: f64) -> String {
    match name.unit() {
        Unit::YesNo => is_yes(value).to_string(),
        Unit::Order => sequence_words(value).join(">"),
        Unit::Shape => path_shape_word(value).unwrap_or_default().to_owned(),
        Unit::Cm | Unit::Ms | Unit::Pct | Unit::Deg | Unit::MetersPerSecond => {
            rounded(value, 2).to_string()
        }
    }
}

fn text(word: &str) -> Option<String> {
    Some(word.to_owned())
}

/// What somebody typed. A spreadsheet would run what begins as a formula does; the apostrophe tells it that this is text.
fn free_text(typed: &str) -> Option<String> {
    let runs = typed.starts_with(['=', '+', '-', '@', '\t', '\r']);
    Some(if runs {
        format!("'{typed}")
    } else {
        typed.to_owned()
    })
}

fn number(value: f64, decimals: i32) -> Option<String> {
    Some(rounded(value, decimals).to_string())
}

fn secs(at: CaptureTime) -> Option<String> {
    number(at.secs(), 3)
}

fn length(cm: Option<f64>) -> Option<String> {
    number(cm.filter(|cm| cm.is_finite())?, 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_no_formula() {
        for typed in [
            "=1+1",
            "+1",
            "-1",
            "@SUM(A1)",
            "\t=1",
            "=HYPERLINK(\"http://x/?\"&A2)",
        ] {
            assert_eq!(free_text(typed), Some(format!("'{typed}")));
        }
        assert_eq!(free_text("Ana-Lucía = 7"), Some("Ana-Lucía = 7".to_owned()));
    }
}
