//! Reads a plan's text.
//!
//! In: TOML. Out: a [`Plan`] that is valid throughout, or a [`PlanError`] with the line and what would be right. Pure.

use toml::Spanned;

use super::band::{Band, BandEnds};
use super::cue::CueWords;
use super::plan::{PitchPlan, Plan, SetShape, SpeedUnit};
use super::plan_file::{CuesSection, PitchSection, PlanFile, SetSection};
use super::schedule::{CueSchedule, ScheduleKind};
use super::toml_values::{bands, cue_order};
use crate::pitch::Level;
use crate::rep::MeasureName;
use crate::text_enum::text_enum;
use crate::toml_checked::{self, Checked, ValueError, refuse, within};

text_enum! {
    /// The part of a plan that is wrong.
    pub(crate) enum PlanPart {
        /// It is no TOML, or has a key too many or too few.
        Text = "text",
        Name = "name",
        Focus = "focus",
        Bands = "bands",
        Cues = "cues",
        Set = "set",
        Pitch = "pitch",
    }
}

/// What is wrong with a plan, where, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the plan, line {line}: {reason}")]
pub struct PlanError {
    /// From 1.
    pub(crate) line: usize,
    /// For readers of another language than the reason's.
    pub(crate) part: PlanPart,
    /// In plain words.
    pub(crate) reason: String,
}

const LONGEST_NAME: usize = 60;
const MOST_REPS: u32 = 500;
const MOST_EVERY: u32 = 100;
/// A shorter rest is no rest.
const LEAST_REST_SECS: u32 = 10;
const MOST_REST_SECS: u32 = 900;
const MOST_SPEEDS: usize = 6;
/// What a pitched ball may do; a thrown one reaches neither end.
const SPEEDS_KMH: std::ops::RangeInclusive<f64> = 20.0..=180.0;

impl Plan {
    /// Reads and checks a plan's text.
    ///
    /// # Errors
    /// [`PlanError`] with the line, where the text is not TOML, has an unknown key, lacks a required one, or has a value
    /// that cannot be.
    pub fn parse(text: &str) -> Result<Self, PlanError> {
        toml_checked::read(text)
            .map_err(in_part(PlanPart::Text))
            .and_then(plan)
            .map_err(|(part, error)| PlanError {
                line: error.line(text),
                part,
                reason: error.reason,
            })
    }
}

fn in_part(part: PlanPart) -> impl Fn(ValueError) -> (PlanPart, ValueError) {
    move |error| (part, error)
}

fn plan(file: PlanFile) -> Result<Plan, (PlanPart, ValueError)> {
    Ok(Plan {
        name: name(&file.name).map_err(in_part(PlanPart::Name))?,
        focus: focus(&file.focus).map_err(in_part(PlanPart::Focus))?,
        bands: bands(file.bands, band).map_err(in_part(PlanPart::Bands))?,
        schedule: schedule(file.cues.get_ref()).map_err(in_part(PlanPart::Cues))?,
        words: words(file.cues.get_ref()).map_err(in_part(PlanPart::Cues))?,
        set: file
            .set
            .map_or(Ok(SetShape::default()), |set| shape(set.get_ref()))
            .map_err(in_part(PlanPart::Set))?,
        pitch: file
            .pitch
            .map(|pitch| self::pitch(pitch.get_ref()))
            .transpose()
            .map_err(in_part(PlanPart::Pitch))?,
        head_tone: file.head_tone,
    })
}

fn name(given: &Spanned<String>) -> Checked<String> {
    let name = given.get_ref().trim();
    if name.is_empty() || name.chars().count() > LONGEST_NAME || name.contains(char::is_control) {
        return refuse(
            given,
            format!("a plan's name is one line of 1 to {LONGEST_NAME} letters"),
        );
    }
    Ok(name.to_owned())
}

fn focus(given: &Spanned<Vec<Spanned<String>>>) -> Checked<Vec<MeasureName>> {
    let focus = cue_order(
        given.get_ref(),
        "stands twice in focus; leave one out",
        "is known only after the cue and cannot be in focus; it is judged and logged in any case",
    )?;
    if focus.is_empty() {
        return refuse(
            given,
            "focus is empty; name at least one measure, and for a set without cues write when = \"silent\"",
        );
    }
    Ok(focus)
}

/// As [`BandEnds::band`], but a band without an end is refused: in a plan it would change nothing.
fn band(given: BandEnds, of: MeasureName) -> Result<Band, String> {
    if given == BandEnds::default() {
        return Err(format!(
            "the band of {of} has no end; give low, high or both, or leave it out to keep the settings' band"
        ));
    }
    given.band(of)
}

fn words(given: &CuesSection) -> Checked<CueWords> {
    let Some(words) = &given.words else {
        return Ok(CueWords::default());
    };
    words.get_ref().parse().or_else(|_| {
        refuse(
            words,
            format!(
                "words is {:?}; it must be {:?} or {:?}",
                words.get_ref(),
                CueWords::Happened.as_str(),
                CueWords::ToDo.as_str()
            ),
        )
    })
}

fn schedule(given: &CuesSection) -> Checked<CueSchedule> {
    let CuesSection {
        when, every, after, ..
    } = given;
    let Ok(kind) = when.get_ref().parse::<ScheduleKind>() else {
        let known: Vec<String> = ScheduleKind::ALL
            .iter()
            .map(|kind| format!("{:?}", kind.as_str()))
            .collect();
        return refuse(
            when,
            format!(
                "when is {:?}; it must be one of {}",
                when.get_ref(),
                known.join(", ")
            ),
        );
    };
    let mut number = 0;
    for (key, value) in [("every", every), ("after", after)] {
        let expected = kind.number().filter(|number| number.key == key);
        match (expected, value) {
            (Some(expected), Some(value)) => {
                number = within(value, key, &(expected.least..=MOST_EVERY))?;
            }
            (Some(expected), None) => {
                return refuse(
                    when,
                    format!(
                        "when = {:?} needs a number beside it, such as {key} = {}",
                        when.get_ref(),
                        expected.example
                    ),
                );
            }
            (None, Some(value)) => {
                let owner = ScheduleKind::ALL
                    .iter()
                    .find(|kind| kind.number().is_some_and(|number| number.key == key));
                return refuse(
                    value,
                    format!(
                        "{key} goes with when = {:?} only; leave it out here",
                        owner.map_or("", |kind| kind.as_str())
                    ),
                );
            }
            (None, None) => {}
        }
    }
    Ok(CueSchedule::new(kind, number))
}

fn shape(given: &SetSection) -> Checked<SetShape> {
    let number = |key: &str, value: &Option<Spanned<u32>>, most: u32| {
        value
            .as_ref()
            .map_or(Ok(0), |value| within(value, key, &(0..=most)))
    };
    let shape = SetShape {
        reps: number("reps", &given.reps, MOST_REPS)?,
        rest_after: number("rest_after_reps", &given.rest_after_reps, MOST_REPS)?,
        rest_secs: number("rest_secs", &given.rest_secs, MOST_REST_SECS)?,
    };
    match (&given.rest_after_reps, &given.rest_secs) {
        (Some(after), _) if shape.rest_after > 0 && shape.rest_secs < LEAST_REST_SECS => refuse(
            after,
            format!(
                "rest_after_reps = {} needs rest_secs = {LEAST_REST_SECS} to {MOST_REST_SECS} beside it",
                shape.rest_after
            ),
        ),
        (_, Some(secs)) if shape.rest_secs > 0 && shape.rest_after == 0 => refuse(
            secs,
            format!(
                "rest_secs = {} needs rest_after_reps beside it, such as 10",
                shape.rest_secs
            ),
        ),
        _ => Ok(shape),
    }
}

fn pitch(given: &PitchSection) -> Checked<PitchPlan> {
    let level = match given.level.get_ref().parse::<Level>() {
        Ok(level) => level,
        Err(unknown) => return refuse(&given.level, unknown.to_string()),
    };
    let (unit, speeds) = match (&given.speeds_mph, &given.speeds_kmh) {
        (Some(_), Some(kmh)) => {
            return refuse(
                kmh,
                "speeds_mph and speeds_kmh are both given; keep one of them",
            );
        }
        (_, None) => (SpeedUnit::Mph, given.speeds_mph.as_ref()),
        (None, kmh) => (SpeedUnit::Kmh, kmh.as_ref()),
    };
    let numbers = speeds
        .map(|speeds| speeds.get_ref().clone())
        .unwrap_or_default();
    if let Some(place) = speeds {
        let fits = |speed: &f64| SPEEDS_KMH.contains(&unit.speed(*speed).km_h());
        if let Some(speed) = numbers.iter().find(|speed| !fits(speed)) {
            let (least, most) = match unit {
                SpeedUnit::Kmh => (*SPEEDS_KMH.start(), *SPEEDS_KMH.end()),
                SpeedUnit::Mph => (13.0, 111.0),
            };
            return refuse(
                place,
                format!("a pitch of {speed} {unit}; it must be {least} to {most}"),
            );
        }
        if numbers.len() > MOST_SPEEDS {
            return refuse(
                place,
                format!("{} speeds are given; {MOST_SPEEDS} at most", numbers.len()),
            );
        }
        let reason = match (given.mixed, numbers.len()) {
            (true, 1) => {
                Some("mixed = true needs two speeds or more, or none for those usual at the level")
            }
            (false, 2..) => {
                Some("several speeds need mixed = true beside them; otherwise give one")
            }
            _ => None,
        };
        if let Some(reason) = reason {
            return refuse(place, reason);
        }
    }
    Ok(PitchPlan {
        level,
        unit,
        speeds: numbers,
        mixed: given.mixed,
    })
}

#[cfg(test)]
mod tests {
    use super::super::band::{AbsoluteBand, Bands};
    use super::super::plan_templates::PLAN_TEMPLATES;
    use super::*;

    const LEAST: &str = "name = \"a\"\nfocus = [\"head_drop_cm\"]\n[cues]\nwhen = \"faded\"\n";

    fn refused(text: &str, line: usize, says: &str) {
        let error = Plan::parse(text).expect_err(text);
        assert_eq!(error.line, line, "{text}: {error}");
        assert!(error.reason.contains(says), "{text}: {error}");
    }

    #[test]
    fn plans_read_back_from_their_own_text() {
        let mut plans: Vec<Plan> = PLAN_TEMPLATES
            .iter()
            .map(|start| Plan::parse(start.text).unwrap())
            .collect();
        let mut full = Plan::parse(LEAST).unwrap();
        full.name = "Jo's \"low\" swing \\ größer".into();
        full.head_tone = true;
        full.schedule = CueSchedule::Summary { after: 8 };
        full.set = SetShape {
            reps: 30,
            rest_after: 10,
            rest_secs: 45,
        };
        full.bands = Bands::from([
            (
                MeasureName::HeadDrop,
                Band::Absolute(AbsoluteBand {
                    low: None,
                    high: Some(0.1 + 0.2),
                }),
            ),
            (
                MeasureName::StrideLength,
                Band::Relative {
                    below: Some(6.0),
                    above: Some(1e-7),
                },
            ),
        ]);
        for (unit, speeds) in [
            (SpeedUnit::Kmh, vec![95.5, 80.0]),
            (SpeedUnit::Mph, vec![60.0, 55.0, 50.0]),
        ] {
            full.pitch = Some(PitchPlan {
                level: Level::Softball,
                unit,
                speeds,
                mixed: true,
            });
            plans.push(full.clone());
        }
        full.schedule = CueSchedule::EveryNth { every: 3 };
        plans.push(full);
        for plan in plans {
            let text = plan.to_text();
            assert_eq!(Plan::parse(&text).as_ref(), Ok(&plan), "{text}");
        }
    }

    #[test]
    fn wrong_plans_are_refused_with_line_and_reason() {
        let with = |more: &str| format!("{LEAST}{more}");
        refused("", 1, "missing field `name`");
        refused(
            "name = \"a\"\nfocus = []\n[cues]\nwhen = \"faded\"",
            2,
            "focus is empty",
        );
        refused(&LEAST.replace("\"a\"", "\" \""), 1, "1 to 60 letters");
        refused(
            &LEAST.replace("head_drop_cm", "luck"),
            2,
            "no measure \"luck\"",
        );
        refused(
            &LEAST.replace("head_drop_cm", "finish_hold_ms"),
            2,
            "after the cue",
        );
        let twice = "\"head_drop_cm\", \"head_drop_cm\"";
        refused(&LEAST.replace("\"head_drop_cm\"", twice), 2, "twice");
        refused(&LEAST.replace("faded", "often"), 4, "\"out-of-band\"");
        refused(&LEAST.replace("faded", "every-nth"), 4, "such as every = 2");
        refused(&LEAST.replace("faded", "summary"), 4, "such as after = 5");
        refused(&with("every = 3"), 5, "goes with when = \"every-nth\" only");
        refused(&with("evry = 3"), 5, "unknown field `evry`");
        refused(&with("[sets]\nreps = 3"), 5, "unknown field `sets`");
        refused(&with("[set]\nreps = 501"), 6, "0 to 500");
        refused(&with("[set]\nreps = -1"), 6, "");
        refused(&with("[set]\nrest_after_reps = 5"), 6, "needs rest_secs");
        refused(&with("[set]\nrest_secs = 60"), 6, "needs rest_after_reps");
        refused(&with("[bands]\nluck = { low = 1 }"), 6, "no measure");
        refused(
            &with("[bands]\nhead_drop_cm = { low = 5, high = 1 }"),
            6,
            "above high",
        );
        refused(
            &with("[bands]\nhead_drop_cm = { low = 5, above = 1 }"),
            6,
            "low and high, or below and above",
        );
        refused(&with("[bands]\nhead_drop_cm = { }"), 6, "no end");
        refused(
            &with("[bands]\nhead_drop_cm = { above = -1 }"),
            6,
            "under 0",
        );
        refused(
            &with("[bands]\nhead_drop_cm = { high = nan }"),
            6,
            "no number",
        );
        refused(
            &with("[bands]\nsequence = { above = 1 }"),
            6,
            "no usual value",
        );
        refused(&with("[pitch]\nlevel = \"moon\""), 6, "big-league");
        let pitch = |more: &str| with(&format!("[pitch]\nlevel = \"youth\"\n{more}"));
        refused(&pitch("speeds_mph = [500]"), 7, "13 to 111");
        refused(&pitch("speeds_kmh = [nan]"), 7, "20 to 180");
        refused(&pitch("speeds_mph = [50, 40]"), 7, "mixed = true");
        refused(&pitch("speeds_mph = [50]\nmixed = true"), 7, "two speeds");
        refused(
            &pitch("speeds_mph = [50]\nspeeds_kmh = [80]"),
            8,
            "keep one",
        );
        refused("name = \"a", 1, "");
    }
}
