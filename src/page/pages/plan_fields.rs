//! A plan as fields of a form, beside its text.
//!
//! In: a plan, or the fields that a form sent. Out: the fields to show, or the plan's text, which is checked like any plan's.

use std::collections::BTreeMap;

use super::SelectOption;
use crate::coach::{
    AbsoluteBand, Band, Bands, CueSchedule, CueWords, PitchPlan, Plan, ScheduleKind, SetShape,
    SpeedUnit, can_be_cued,
};
use crate::page::format;
use crate::page::i18n::Messages;
use crate::pitch::Level;
use crate::rep::MeasureName;

/// What the form sent, by field.
pub(super) type FormFields = BTreeMap<String, String>;

/// A measure's row.
pub(super) struct MeasureFields {
    pub(super) name: &'static str,
    pub(super) label: &'static str,
    pub(super) unit: &'static str,
    /// Its rank among the cued measures, from 1; empty where it is not cued.
    pub(super) place: String,
    /// Whether it can be cued at all: what is known only after the cue cannot.
    pub(super) can_be_cued: bool,
    /// The kind of band: that of the settings, fixed ends, or around what is usual.
    pub(super) kind: &'static str,
    pub(super) from: String,
    pub(super) to: String,
    /// The settings' band, in words.
    pub(super) settings: String,
}

/// The whole form.
pub(super) struct PlanFields {
    pub(super) name: String,
    pub(super) measures: Vec<MeasureFields>,
    pub(super) schedules: Vec<SelectOption>,
    /// The number beside the schedule; empty for those without.
    pub(super) when_number: String,
    pub(super) reps: String,
    pub(super) rest_after: String,
    pub(super) rest_secs: String,
    pub(super) words: Vec<SelectOption>,
    pub(super) head_tone: bool,
    pub(super) levels: Vec<SelectOption>,
    pub(super) speeds: String,
    pub(super) unit: &'static str,
    pub(super) mixed: bool,
}

/// The schedules in the order in which they are offered.
const SCHEDULES: [ScheduleKind; 6] = [
    ScheduleKind::OutOfBand,
    ScheduleKind::Faded,
    ScheduleKind::EveryNth,
    ScheduleKind::EveryRep,
    ScheduleKind::Summary,
    ScheduleKind::Silent,
];

fn schedule_options(selected: Option<ScheduleKind>, i18n: &Messages) -> Vec<SelectOption> {
    SCHEDULES
        .map(|kind| SelectOption {
            value: kind.as_str().to_owned(),
            label: i18n.schedule(kind).to_owned(),
            selected: selected == Some(kind),
        })
        .into()
}

fn words_options(selected: CueWords, i18n: &Messages) -> Vec<SelectOption> {
    CueWords::ALL
        .iter()
        .map(|words| SelectOption {
            value: words.as_str().to_owned(),
            label: i18n.named("words.", words.as_str()).to_owned(),
            selected: *words == selected,
        })
        .collect()
}

fn level_options(selected: &str, i18n: &Messages) -> Vec<SelectOption> {
    Level::ALL
        .map(|level| SelectOption {
            value: level.name().to_owned(),
            label: i18n.level(level).to_owned(),
            selected: level.name() == selected,
        })
        .into()
}

const FIXED: &str = "fixed";
const USUAL: &str = "usual";

impl PlanFields {
    /// The fields that say what the plan says.
    pub(super) fn of(plan: &Plan, settings: &Bands, i18n: &'static Messages) -> Self {
        let number = |name: MeasureName, value: Option<f64>| {
            let shown = |value| i18n.lengths().shown(name.unit(), value);
            // To the hundredth, so that an inch is not written with all its digits.
            value
                .map(|value| ((100.0 * shown(value)).round() / 100.0).to_string())
                .unwrap_or_default()
        };
        let measures = MeasureName::ALL
            .iter()
            .map(|&name| {
                let place = plan.focus.iter().position(|cued| *cued == name);
                let (kind, from, to) = match plan.bands.get(&name) {
                    None => ("", None, None),
                    Some(Band::Absolute(AbsoluteBand { low, high })) => (FIXED, *low, *high),
                    Some(Band::Relative { below, above }) => (USUAL, *below, *above),
                };
                MeasureFields {
                    name: name.name(),
                    label: i18n.measure(name),
                    unit: i18n.lengths().suffix(name.unit()),
                    place: place
                        .map(|place| (place + 1).to_string())
                        .unwrap_or_default(),
                    can_be_cued: can_be_cued(name),
                    kind,
                    from: number(name, from),
                    to: number(name, to),
                    settings: settings_band(name, settings, i18n),
                }
            })
            .collect();
        let pitch = plan.pitch.as_ref();
        let speeds: Vec<String> = pitch
            .map(|pitch| pitch.speeds.iter().map(f64::to_string).collect())
            .unwrap_or_default();
        Self {
            name: i18n.plan_name(&plan.name).to_owned(),
            measures,
            schedules: schedule_options(Some(plan.schedule.kind()), i18n),
            when_number: plan
                .schedule
                .number()
                .map(|number| number.to_string())
                .unwrap_or_default(),
            reps: plan.set.reps.to_string(),
            rest_after: plan.set.rest_after.to_string(),
            rest_secs: plan.set.rest_secs.to_string(),
            words: words_options(plan.words, i18n),
            head_tone: plan.head_tone,
            levels: level_options(pitch.map_or("", |pitch| pitch.level.name()), i18n),
            speeds: speeds.join(", "),
            unit: pitch.map_or(SpeedUnit::Kmh, |pitch| pitch.unit).as_str(),
            mixed: pitch.is_some_and(|pitch| pitch.mixed),
        }
    }

    /// The fields as they were sent, right or wrong, so that one mistake does not mean filling in all of them again.
    pub(super) fn as_sent(sent: &FormFields, settings: &Bands, i18n: &'static Messages) -> Self {
        let text = |key: &str| sent.get(key).cloned().unwrap_or_default();
        let one_of = |key: &str, known: &[&'static str]| {
            let chosen = known.iter().find(|word| **word == text(key));
            chosen.copied().unwrap_or_default()
        };
        let measures = MeasureName::ALL
            .iter()
            .map(|&name| {
                let field = |what: &str| format!("{what}.{}", name.name());
                MeasureFields {
                    name: name.name(),
                    label: i18n.measure(name),
                    unit: i18n.lengths().suffix(name.unit()),
                    place: text(&field("place")),
                    can_be_cued: can_be_cued(name),
                    kind: one_of(&field("kind"), &[FIXED, USUAL]),
                    from: text(&field("from")),
                    to: text(&field("to")),
                    settings: settings_band(name, settings, i18n),
                }
            })
            .collect();
        Self {
            name: text("name"),
            measures,
            schedules: schedule_options(text("when").parse().ok(), i18n),
            when_number: text("when_number"),
            reps: text("reps"),
            rest_after: text("rest_after"),
            rest_secs: text("rest_secs"),
            words: words_options(text("words").parse().unwrap_or_default(), i18n),
            head_tone: sent.contains_key("head_tone"),
            levels: level_options(&text("level"), i18n),
            speeds: text("speeds"),
            unit: text("unit").parse().map_or("", SpeedUnit::as_str),
            mixed: sent.contains_key("mixed"),
        }
    }

    /// What a browser sends for these fields.
    pub(super) fn sent(&self) -> FormFields {
        let mut sent = FormFields::new();
        let mut put = |key: &str, value: &str| sent.insert(key.to_owned(), value.to_owned());
        put("name", &self.name);
        put("when", selected(&self.schedules));
        put("when_number", &self.when_number);
        put("reps", &self.reps);
        put("rest_after", &self.rest_after);
        put("rest_secs", &self.rest_secs);
        put("words", selected(&self.words));
        put("level", selected(&self.levels));
        put("speeds", &self.speeds);
        put("unit", self.unit);
        if self.head_tone {
            put("head_tone", "on");
        }
        if self.mixed {
            put("mixed", "on");
        }
        for measure in &self.measures {
            put(&format!("place.{}", measure.name), &measure.place);
            put(&format!("kind.{}", measure.name), measure.kind);
            put(&format!("from.{}", measure.name), &measure.from);
            put(&format!("to.{}", measure.name), &measure.to);
        }
        sent
    }
}

fn selected(options: &[SelectOption]) -> &str {
    let selected = options.iter().find(|option| option.selected);
    selected.map_or("", |option| &option.value)
}

/// The settings' band of a measure, as text.
fn settings_band(name: MeasureName, settings: &Bands, i18n: &'static Messages) -> String {
    match settings.get(&name) {
        Some(band) => band_text(name, band, i18n),
        None => i18n.t("plans.no_band").to_owned(),
    }
}

/// A band as people read it, one around the usual value too.
fn band_text(name: MeasureName, band: &Band, i18n: &'static Messages) -> String {
    match band {
        Band::Absolute(band) => format::band(i18n, name, band),
        Band::Relative { below, above } => {
            let reach = |sign: &str, value: &Option<f64>| {
                value
                    .map(|value| format!("{sign}{}", format::plain(i18n, name, value)))
                    .unwrap_or_default()
            };
            format!(
                "{} {} {}",
                i18n.t("review.usual"),
                reach("−", below),
                reach("+", above)
            )
        }
    }
}

/// A plan's text from the fields.
///
/// # Errors
/// In words: a field that is no number. Anything else that is wrong with the plan shows when [`Plan::parse`] reads the text.
pub(super) fn to_text(sent: &FormFields, i18n: &'static Messages) -> Result<String, String> {
    let mut cued = Vec::new();
    let mut bands = Bands::new();
    for &name in MeasureName::ALL {
        let field = |what: &str| {
            sent.get(&format!("{what}.{}", name.name()))
                .map(|v| v.trim())
        };
        let number = |what: &str| {
            number(field(what).unwrap_or_default()).map_err(|text| {
                i18n.format("plans.no_number", format!("{}: {text}", i18n.measure(name)))
            })
        };
        if let Some(place) = number("place")? {
            cued.push((place, name));
        }
        let length = |what: &str| -> Result<Option<f64>, String> {
            Ok(number(what)?.map(|written| i18n.lengths().written(name.unit(), written)))
        };
        let (from, to) = (length("from")?, length("to")?);
        match field("kind") {
            Some(FIXED) => {
                let band = AbsoluteBand {
                    low: from,
                    high: to,
                };
                bands.insert(name, Band::Absolute(band));
            }
            Some(USUAL) => {
                bands.insert(
                    name,
                    Band::Relative {
                        below: from,
                        above: to,
                    },
                );
            }
            _ => {}
        }
    }
    // Equal places keep the order of the table.
    cued.sort_by(|a, b| a.0.total_cmp(&b.0));
    let plain = |key: &str| sent.get(key).map_or("", |value| value.trim());
    let whole = |key: &str| -> Result<u32, String> {
        match plain(key) {
            "" => Ok(0),
            text => text
                .parse()
                .map_err(|_| i18n.format("plans.no_number", text)),
        }
    };
    let beside = whole("when_number")?;
    let plan = Plan {
        name: plain("name").to_owned(),
        focus: cued.into_iter().map(|(_, name)| name).collect(),
        bands,
        schedule: CueSchedule::new(
            plain("when").parse().unwrap_or(ScheduleKind::OutOfBand),
            beside,
        ),
        words: plain("words").parse().unwrap_or_default(),
        set: SetShape {
            reps: whole("reps")?,
            rest_after: whole("rest_after")?,
            rest_secs: whole("rest_secs")?,
        },
        pitch: pitch(
            plain("level"),
            plain("speeds"),
            plain("unit"),
            sent.contains_key("mixed"),
        )
        .map_err(|text| i18n.format("plans.no_number", text))?,
        head_tone: sent.contains_key("head_tone"),
    };
    Ok(plan.to_text())
}

fn pitch(level: &str, speeds: &str, unit: &str, mixed: bool) -> Result<Option<PitchPlan>, String> {
    let Ok(level) = level.parse::<Level>() else {
        return Ok(None);
    };
    let unit = unit.parse().unwrap_or(SpeedUnit::Kmh);
    let speeds = speeds
        .split([',', ';', ' '])
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().map_err(|_| part.to_owned()))
        .collect::<Result<_, _>>()?;
    Ok(Some(PitchPlan {
        level,
        unit,
        speeds,
        mixed,
    }))
}

/// A number, or nothing of an empty field; the text where it is neither.
fn number(text: &str) -> Result<Option<f64>, String> {
    match text {
        "" => Ok(None),
        text => match text.replace(',', ".").parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(Some(number)),
            _ => Err(text.to_owned()),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::PLAN_TEMPLATES;
    use crate::rep::Lengths;
    use crate::sound::Language;

    #[test]
    fn every_plan_survives_its_fields() {
        let i18n = Messages::of(Language::English, Lengths::Metric);
        let full = "name = \"all of it\"\nfocus = [\"head_drop_cm\", \"head_to_plant_cm\"]\nhead_tone = true\n\
            [bands]\nhead_drop_cm = { high = 4.5 }\nstride_length_cm = { below = 3, above = 5.25 }\n\
            [cues]\nwhen = \"summary\"\nafter = 7\n[set]\nreps = 40\nrest_after_reps = 10\nrest_secs = 60\n\
            [pitch]\nlevel = \"youth\"\nspeeds_mph = [55, 60.5]\nmixed = true\n";
        for text in PLAN_TEMPLATES.iter().map(|start| start.text).chain([full]) {
            let plan = Plan::parse(text).unwrap();
            let fields = PlanFields::of(&plan, &Bands::new(), i18n);
            let form = fields.sent();
            let back = Plan::parse(&to_text(&form, i18n).unwrap()).unwrap();
            assert_eq!(back, plan);
            // What was sent is shown as it was sent.
            assert_eq!(PlanFields::as_sent(&form, &Bands::new(), i18n).sent(), form);
        }
    }

    #[test]
    fn a_coach_who_thinks_in_inches_writes_inches_and_the_plan_keeps_centimeters() {
        let inches = Messages::of(Language::English, Lengths::Inches);
        let text = "name = \"a\"\nfocus = [\"head_drop_cm\"]\n[bands]\nhead_drop_cm = { low = -5.08, high = 10.16 }\n\
            front_foot_open_deg = { low = 20 }\n[cues]\nwhen = \"every-rep\"\nwords = \"what to do\"\n";
        let plan = Plan::parse(text).unwrap();
        let form = PlanFields::of(&plan, &Bands::new(), inches).sent();
        let of = |key: &str| form[key].as_str();
        assert_eq!(
            (of("from.head_drop_cm"), of("to.head_drop_cm")),
            ("-2", "4")
        );
        assert_eq!(of("from.front_foot_open_deg"), "20");
        let back = Plan::parse(&to_text(&form, inches).unwrap()).unwrap();
        assert_eq!(back, plan);
    }

    #[test]
    fn a_field_that_is_no_number_is_named_with_its_measure() {
        let i18n = Messages::of(Language::English, Lengths::Metric);
        let plan = Plan::parse(PLAN_TEMPLATES[0].text).unwrap();
        let mut form = PlanFields::of(&plan, &Bands::new(), i18n).sent();
        form.insert("kind.head_drop_cm".into(), FIXED.into());
        form.insert("to.head_drop_cm".into(), "four".into());
        let said = to_text(&form, i18n).unwrap_err();
        assert!(said.contains("head drop: four"), "{said}");
        let shown = PlanFields::as_sent(&form, &Bands::new(), i18n);
        assert_eq!(shown.sent()["to.head_drop_cm"], "four", "and is not lost");
        // Half of the world writes a comma for the decimal point.
        form.insert("to.head_drop_cm".into(), "4,5".into());
        let text = to_text(&form, i18n).unwrap();
        assert!(text.contains("head_drop_cm = { high = 4.5 }"), "{text}");
        // Anything else that is wrong shows as with any text.
        form.retain(|key, _| !key.starts_with("place."));
        let error = Plan::parse(&to_text(&form, i18n).unwrap()).unwrap_err();
        assert!(error.to_string().contains("focus is empty"), "{error}");
    }
}
