//! Writes a plan as text, with a comment on each part, which serde cannot write.
//!
//! In: a plan. Out: TOML that reads back to it; the tests of that are in `plan_text`. Pure.

use std::fmt::Write as _;

use toml::Value;

use super::band::{AbsoluteBand, Band};
use super::cue::CueWords;
use super::plan::{Plan, SetShape, SpeedUnit};
use super::schedule::ScheduleKind;

impl Plan {
    /// The plan as text that [`Plan::parse`] reads back to the same plan, with a comment on each part.
    pub fn to_text(&self) -> String {
        write(self)
    }
}

fn write(plan: &Plan) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let mut line = |line: std::fmt::Arguments<'_>| {
        let _ = writeln!(text, "{line}");
    };
    line(format_args!("name = {}", quoted(&plan.name)));
    line(format_args!("# What is cued, the most important first."));
    let focus: Vec<String> = plan.focus.iter().map(|m| quoted(m.name())).collect();
    line(format_args!("focus = [{}]", focus.join(", ")));
    line(format_args!(
        "# A soft tone that follows the head while the rep runs."
    ));
    line(format_args!("head_tone = {}", plan.head_tone));
    line(format_args!(
        "\n# Ranges that differ from the settings: low and high, or below and above the hitter's own usual value.\n\
         [bands]"
    ));
    for (name, band) in &plan.bands {
        line(format_args!("{name} = {{ {} }}", band_ends(band)));
    }
    let kind = plan.schedule.kind();
    line(format_args!(
        "\n# {}.\n[cues]\nwhen = {}",
        schedule_choices(),
        quoted(kind.as_str())
    ));
    if let (Some(expected), Some(number)) = (kind.number(), plan.schedule.number()) {
        line(format_args!("{} = {number}", expected.key));
    }
    line(format_args!(
        "# {} or {}.\nwords = {}",
        quoted(CueWords::Happened.as_str()),
        quoted(CueWords::ToDo.as_str()),
        quoted(plan.words.as_str())
    ));
    let SetShape {
        reps,
        rest_after,
        rest_secs,
    } = plan.set;
    line(format_args!(
        "\n# Swings in a round (0: no limit) and from rest to rest (0: no rests).\n[set]\nreps = {reps}\n\
         rest_after_reps = {rest_after}\nrest_secs = {rest_secs}"
    ));
    if let Some(pitch) = &plan.pitch {
        line(format_args!(
            "\n# The pitch that is played; without speeds_mph or speeds_kmh as fast as is usual at the level.\n\
             [pitch]\nlevel = {}",
            quoted(pitch.level.name())
        ));
        if !pitch.speeds.is_empty() {
            let speeds: Vec<String> = pitch.speeds.iter().map(|speed| number(*speed)).collect();
            line(format_args!(
                "{} = [{}]",
                pitch.unit.key(),
                speeds.join(", ")
            ));
        }
        line(format_args!("mixed = {}", pitch.mixed));
    }
    text
}

/// The kinds of schedules with an example of each one's number.
fn schedule_choices() -> String {
    let choices: Vec<String> = ScheduleKind::ALL
        .iter()
        .map(|kind| match kind.number() {
            Some(number) => format!(
                "{:?} (with {} = {})",
                kind.as_str(),
                number.key,
                number.example
            ),
            None => format!("{:?}", kind.as_str()),
        })
        .collect();
    match choices.split_last() {
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
        None => String::new(),
    }
}

fn quoted(text: &str) -> String {
    Value::String(text.to_owned()).to_string()
}

fn number(number: f64) -> String {
    Value::Float(number).to_string()
}

fn band_ends(band: &Band) -> String {
    let ends = match *band {
        Band::Absolute(AbsoluteBand { low, high }) => [("low", low), ("high", high)],
        Band::Relative { below, above } => [("below", below), ("above", above)],
    };
    let given: Vec<String> = ends
        .into_iter()
        .filter_map(|(key, end)| Some(format!("{key} = {}", number(end?))))
        .collect();
    given.join(", ")
}

impl SpeedUnit {
    const fn key(self) -> &'static str {
        match self {
            SpeedUnit::Mph => "speeds_mph",
            SpeedUnit::Kmh => "speeds_kmh",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plan_is_written_with_these_comments_and_in_this_order() {
        let plan = Plan::parse(
            "name = \"a\"\nfocus = [\"head_drop_cm\", \"hands_back_cm\"]\nhead_tone = true\n\
             [bands]\nhead_drop_cm = { low = -3, high = 10 }\nstride_length_cm = { below = 6 }\n\
             [cues]\nwhen = \"summary\"\nafter = 8\n[set]\nreps = 20\nrest_after_reps = 10\nrest_secs = 60\n\
             [pitch]\nlevel = \"youth\"\nspeeds_mph = [50, 42.5]\nmixed = true\n",
        )
        .unwrap();
        let expected = r#"name = "a"
# What is cued, the most important first.
focus = ["head_drop_cm", "hands_back_cm"]
# A soft tone that follows the head while the rep runs.
head_tone = true

# Ranges that differ from the settings: low and high, or below and above the hitter's own usual value.
[bands]
head_drop_cm = { low = -3.0, high = 10.0 }
stride_length_cm = { below = 6.0 }

# "every-rep", "out-of-band", "every-nth" (with every = 2), "faded", "summary" (with after = 5) or "silent".
[cues]
when = "summary"
after = 8
# "what happened" or "what to do".
words = "what happened"

# Swings in a round (0: no limit) and from rest to rest (0: no rests).
[set]
reps = 20
rest_after_reps = 10
rest_secs = 60

# The pitch that is played; without speeds_mph or speeds_kmh as fast as is usual at the level.
[pitch]
level = "youth"
speeds_mph = [50.0, 42.5]
mixed = true
"#;
        assert_eq!(plan.to_text(), expected);
    }
}
