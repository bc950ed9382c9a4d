//! Reps as rows of a table for spreadsheets: one row a rep, units in the column names.

use super::line::{is_yes, rounded};
use super::query::StoredRep;
use super::record::{writable, writable_fps};
use super::stamp::stamp_text;
use crate::rep::{Events, LoadStyle, Measure, MeasureName, RepKind, Unit, sequence_words};

/// The column names. A measure's own name ends in its unit; so do those of its neighbours.
pub(super) fn header() -> Vec<String> {
    let mut names: Vec<String> = [
        "session",
        "hitter",
        "logged_at",
        "rep",
        "kind",
        "bats",
        "view",
        "fps",
    ]
    .map(str::to_owned)
    .into();
    names.extend(
        Events::default()
            .named()
            .map(|(name, _)| format!("{name}_secs")),
    );
    for name in MeasureName::ALL {
        let name = name.name();
        names.push(name.to_owned());
        names.push(format!("plus_minus_{name}"));
        for column in ["confidence", "verdict", "why_not"] {
            names.push(format!("{name}_{column}"));
        }
    }
    names.extend(
        [
            "cue",
            "cue_at_secs",
            "cue_latency_ms",
            "no_cue",
            "pitch_kmh",
            "pitch_release_secs",
            "pitch_arrival_secs",
            "stance_width_cm",
            "hand_height_cm",
            "lift_height_cm",
            "load",
            "marked",
            "struck",
            "called",
            "moved",
        ]
        .map(str::to_owned),
    );
    names
}

/// The rep's row, as many fields as the header has; what is not known is empty.
pub(super) fn row(stored: &StoredRep) -> Vec<String> {
    let rep = &stored.judged.rep;
    let number = |value: f64, decimals| rounded(value, decimals).to_string();
    let mut fields = vec![
        stored.session.to_string(),
        stored.hitter_name.clone().unwrap_or_default(),
        stamp_text(stored.logged_at),
        stored.judged.number.to_string(),
        rep.kind.name().to_owned(),
        rep.bats.name().to_owned(),
        rep.view.name().to_owned(),
        number(writable_fps(rep.fps), 3),
    ];
    fields.extend(
        rep.events
            .named()
            .map(|(_, at)| at.map(|at| number(at.secs(), 3)).unwrap_or_default()),
    );
    for name in MeasureName::ALL {
        let made = match rep.measures.get(name).map(writable) {
            Some(Measure::Made {
                value,
                plus_minus,
                confidence,
            }) => {
                let verdict = stored
                    .judged
                    .verdicts
                    .get(name)
                    .map_or("", |verdict| verdict.name());
                [
                    value_text(*name, value),
                    number(plus_minus, 2),
                    number(confidence, 2),
                    verdict.to_owned(),
                    String::new(),
                ]
            }
            Some(Measure::NotMade { why }) => [
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                why.as_str().to_owned(),
            ],
            None => Default::default(),
        };
        fields.extend(made);
    }
    let cue = stored.judged.cue.as_ref();
    fields.push(cue.map(|cue| cue.id.to_string()).unwrap_or_default());
    fields.push(cue.map(|cue| number(cue.at.secs(), 3)).unwrap_or_default());
    fields.push(
        cue.and_then(|cue| cue.latency_ms)
            .map(|ms| number(ms, 1))
            .unwrap_or_default(),
    );
    let quiet = stored.judged.no_cue.as_ref().filter(|_| cue.is_none());
    fields.push(quiet.map(ToString::to_string).unwrap_or_default());
    let pitch = stored.judged.pitch;
    fields.push(pitch.map(|p| number(p.speed_kmh, 1)).unwrap_or_default());
    for at in [pitch.map(|p| p.release), pitch.map(|p| p.arrival)] {
        fields.push(at.map(|at| number(at.secs(), 3)).unwrap_or_default());
    }
    let style = rep.style;
    for cm in [
        style.stance_width_cm,
        style.hand_height_cm,
        style.lift_height_cm,
    ] {
        let cm = cm.filter(|cm| cm.is_finite());
        fields.push(cm.map(|cm| number(cm, 1)).unwrap_or_default());
    }
    fields.push(style.load.map_or("", LoadStyle::name).to_owned());
    fields.push(stored.marked.to_string());
    fields.push(stored.struck.clone().unwrap_or_default());
    fields.push(stored.called.map_or("", RepKind::name).to_owned());
    fields.push(stored.moved.to_string());
    fields
}

/// A measure's value: a number, `true` or `false`, or an order such as `heel>knee>hip>hands`.
fn value_text(name: MeasureName, value: f64) -> String {
    match name.unit() {
        Unit::YesNo => is_yes(value).to_string(),
        Unit::Order => sequence_words(value).join(">"),
        Unit::Cm | Unit::Ms | Unit::Pct | Unit::Deg => rounded(value, 2).to_string(),
    }
}
