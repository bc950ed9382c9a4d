//! A plan as text, with a comment on each part.
//!
//! In: a plan. Out: TOML that reads back to it; the tests that it does stand with the reading. Pure.

use std::fmt::Write as _;

use toml::Value;

use super::band::{AbsoluteBand, Band};
use super::plan::{Plan, SetShape, SpeedUnit};
use super::schedule::CueSchedule;

impl Plan {
    /// The plan as text that [`Plan::parse`] reads back to the same plan, with a comment on each part.
    pub fn to_text(&self) -> String {
        write(self)
    }
}

fn write(plan: &Plan) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail, so what it returns says nothing.
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
        "\n# Bands that differ from the settings: low and high, or below and above the hitter's own usual value.\n\
         [bands]"
    ));
    for (name, band) in &plan.bands {
        line(format_args!("{name} = {{ {} }}", band_ends(band)));
    }
    line(format_args!(
        "\n# \"every-rep\", \"out-of-band\", \"every-nth\" (with every = 2), \"faded\", \"summary\" (with after = 5) \
         or \"silent\".\n[cues]\nwhen = {}",
        quoted(plan.schedule.name())
    ));
    match plan.schedule {
        CueSchedule::EveryNth { every } => line(format_args!("every = {every}")),
        CueSchedule::Summary { after } => line(format_args!("after = {after}")),
        _ => {}
    }
    let SetShape {
        reps,
        rest_after,
        rest_secs,
    } = plan.set;
    line(format_args!(
        "\n# Swings in a set (0: open end) and from rest to rest (0: no rests).\n[set]\nreps = {reps}\n\
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
