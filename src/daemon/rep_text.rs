//! Reps as lines for the person at the terminal.

use crate::coach::{JudgedRep, Verdict};
use crate::rep::{Heard, Measure, MeasureName, MissedCondition, ReasonUnit, Rep, RepKind};
use crate::status::RunCounts;
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// The measures that fit on a line, and their short names.
const SHOWN: [(MeasureName, &str); 7] = [
    (MeasureName::HeadToPlant, "head to plant"),
    (MeasureName::HeadBetweenFeet, "head between feet"),
    (MeasureName::StrideLength, "stride"),
    (MeasureName::GatherToPlant, "gather to plant"),
    (MeasureName::PlantToContact, "plant to contact"),
    (MeasureName::HandsBack, "hands back"),
    (MeasureName::HeadToContact, "head in swing"),
];

/// One line: number, kind, when, the main measures with an arrow where they are out, and the cue.
pub(crate) fn rep_text(judged: &JudgedRep) -> String {
    let rep = &judged.rep;
    let when = moment_of(rep);
    let mut text = format!(
        "rep {:>3}  {:<5}  bats {:<5} at {:7.2} s",
        judged.number,
        rep.kind.name(),
        rep.bats.name(),
        when.secs()
    );
    for (name, short) in SHOWN {
        let Some(Measure::Made { value, .. }) = rep.measures.get(&name) else {
            continue;
        };
        let out = match judged.verdicts.get(&name) {
            Some(Verdict::Low) => " (low)",
            Some(Verdict::High) => " (high)",
            _ => "",
        };
        let digits = usize::from(name.unit() == crate::rep::Unit::Cm);
        text += &format!("  {short} {value:.digits$} {}{out}", name.unit().suffix());
    }
    match rep.heard {
        Some(Heard::Contact { plus_minus_ms, .. }) => {
            text += &format!("  contact heard, ± {plus_minus_ms:.0} ms");
        }
        Some(Heard::Nothing) => text += "  swing and miss",
        Some(Heard::Unclear) | None => {}
    }
    match (&judged.cue, rep.kind) {
        (Some(cue), _) => {
            text += &format!("  cue: {}", cue.id.as_str().replace('_', " "));
            if let Some(latency) = cue.latency_ms {
                text += &format!(" after {latency:.0} ms");
            }
        }
        (None, RepKind::Take) => {}
        (None, RepKind::Swing) => {
            let why = judged.no_cue.as_ref().map(Recorded::as_str);
            text += &format!("  no cue: {}", why.unwrap_or("nothing could be judged"));
        }
    }
    text
}

/// The moment by which a rep is told: contact, else plant.
pub(super) fn moment_of(rep: &Rep) -> CaptureTime {
    let events = &rep.events;
    events.contact.or(events.plant).unwrap_or(rep.known_at)
}

/// The condition that a movement missed, with its figures.
pub(super) fn missed_text(missed: &MissedCondition) -> String {
    let MissedCondition {
        reason,
        value,
        limit,
    } = missed;
    let asked = if reason.is_at_most() {
        "at most"
    } else {
        "at least"
    };
    let number = |value: f64| match reason.unit() {
        ReasonUnit::Secs => format!("{value:.2} s"),
        ReasonUnit::Cm => format!("{value:.1} cm"),
        ReasonUnit::CmPerSec => format!("{value:.0} cm/s"),
        ReasonUnit::Share => format!("{:.0} %", 100.0 * value),
    };
    format!(
        "{reason}: {}, {asked} {} counts",
        number(*value),
        number(*limit)
    )
}

/// Swings and takes of a run, and swings and misses where there were any.
pub(super) fn counts_text(counts: &RunCounts) -> String {
    let plural = |n: u32, one: &str| format!("{n} {one}{}", if n == 1 { "" } else { "s" });
    let missed = match counts.swings_and_misses {
        0 => String::new(),
        n => format!(" ({n} swing and miss)"),
    };
    format!(
        "{}{missed}, {}.",
        plural(counts.swings, "swing"),
        plural(counts.takes, "take")
    )
}
