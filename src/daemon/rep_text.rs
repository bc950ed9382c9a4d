//! Reps as lines for the person at the terminal.

use crate::coach::{Announcement, CloseReason, CueWords, JudgedRep, SetEvent, SetSummary, Verdict};
use crate::page::Messages;
use crate::rep::{Bats, Heard, Measure, MeasureName, MissedCondition, ReasonUnit, Rep, RepKind};
use crate::status::RunCounts;
use crate::time::CaptureTime;

/// The measures that fit on a line.
const SHOWN: [MeasureName; 7] = [
    MeasureName::HeadToPlant,
    MeasureName::HeadBetweenFeet,
    MeasureName::StrideLength,
    MeasureName::GatherToPlant,
    MeasureName::PlantToContact,
    MeasureName::HandsBack,
    MeasureName::HeadToContact,
];

/// One line: number, kind, when, the main measures with an arrow where they are out of range, and the cue.
pub(crate) fn rep_text(judged: &JudgedRep, words: CueWords, i18n: &Messages) -> String {
    let rep = &judged.rep;
    let when = moment_of(rep);
    let mut text = format!(
        "{} {:>3}  {:<5}  {:<10} {:7.2} s",
        i18n.t("line.rep"),
        judged.number,
        i18n.rep_kind(rep.kind),
        i18n.t(match rep.bats {
            Bats::Left => "line.bats_left",
            Bats::Right => "line.bats_right",
        }),
        when.secs()
    );
    for name in SHOWN {
        let Some(Measure::Made { value, .. }) = rep.measures.get(&name) else {
            continue;
        };
        let out = match judged.verdicts.get(&name) {
            Some(Verdict::Low) => " ▼",
            Some(Verdict::High) => " ▲",
            _ => "",
        };
        text += &format!("  {} {}{out}", i18n.short(name), i18n.value(name, *value));
    }
    match rep.heard {
        Some(Heard::Contact { plus_minus_ms, .. }) => {
            text += &format!("  {} ± {plus_minus_ms:.0} ms", i18n.t("rep.ear.contact"));
        }
        Some(Heard::Nothing) => text += &format!("  {}", i18n.t("rep.ear.nothing")),
        Some(Heard::Unclear) | None => {}
    }
    match (&judged.cue, &judged.no_cue, rep.kind) {
        (Some(cue), ..) => {
            text += &format!(
                "  {}: {}",
                i18n.t("line.cue"),
                i18n.cue_heard(&cue.id, words)
            );
            if let Some(latency) = cue.latency_ms {
                text += &format!(" ({latency:.0} ms)");
            }
        }
        (None, Some(why), RepKind::Swing) => {
            text += &format!("  {}", i18n.format("review.quiet", i18n.quiet_reason(why)));
        }
        (None, ..) => {}
    }
    text
}

/// What is announced after a rep or as time passes, as a line.
pub(crate) fn announcement_text(announced: &Announcement, i18n: &Messages) -> String {
    match announced {
        Announcement::Summary(summary) => i18n.format("line.summary", summary_text(summary, i18n)),
        Announcement::Set(SetEvent::RestDue { secs }) => i18n.format("line.rest", secs),
        Announcement::Set(SetEvent::RestOver) => i18n.t("line.rest_over").to_owned(),
        Announcement::Set(SetEvent::Closed { why, summary, .. }) => {
            let key = match why {
                CloseReason::Target => "line.round_over",
                CloseReason::LeftAlone => "line.round_left",
            };
            i18n.format(key, summary_text(summary, i18n))
        }
        Announcement::Spread(spread) => i18n.fill(
            "line.spread",
            &[
                &i18n.measure(spread.measure),
                &format!("{:.1}", spread.times),
            ],
        ),
        Announcement::Count { swings, to_go } => {
            let left = to_go.map(|left| format!(", {}", i18n.format("js.to_go", left)));
            i18n.counted("count.swings", *swings) + &left.unwrap_or_default()
        }
    }
}

/// What a set was like, in plain words.
pub(crate) fn summary_text(summary: &SetSummary, i18n: &Messages) -> String {
    let mut text = i18n.counted("count.swings", summary.swings);
    if summary.takes > 0 {
        text += &format!(", {}", i18n.counted("count.takes", summary.takes));
    }
    if summary.judged == 0 {
        return text + "; " + i18n.t("line.not_judged");
    }
    text += "; ";
    text += &match summary.judged {
        all if all == summary.swings => i18n.format("line.in_range", summary.in_band),
        some => i18n.fill("line.in_range_of", &[&summary.in_band, &some]),
    };
    let Some(off) = &summary.most_missed else {
        return text;
    };
    let cue = off.cue().map_or("", |cue| i18n.cue(cue));
    text += "; ";
    text += &i18n.fill("line.most_off", &[&cue, &off.times]);
    if off.measure.unit().is_quantity() {
        text += &i18n.fill(
            "line.off_by",
            &[
                &i18n.value(off.measure, off.missed_at),
                &i18n.measure(off.measure),
                &i18n.value(off.measure, off.median),
            ],
        );
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
