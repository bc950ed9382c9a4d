//! From the file as written to settings that are valid throughout.

mod camera;
mod facility;
mod keys;
mod page;
mod storage;

use std::ops::RangeInclusive;
use std::time::Duration;

use toml::Spanned;

use super::file::{Cues, Hitter, Microphone, SettingsFile};
use super::{
    CueSettings, DEFAULT_FILE, HEIGHT_CM, HitterSettings, MicrophoneSettings, ModelChoice,
    Settings, is_height,
};
use crate::coach::{BandEnds, toml_values};
use crate::pose::Model;
use crate::rep::{Bats, Lengths};
use crate::sound::Language;
use crate::toml_checked::{self, Checked, ValueError, refuse};

/// From a short break to half a day.
const IDLE_MINUTES: RangeInclusive<u32> = 1..=720;
/// A microphone stands behind the net, and hears nothing useful from the other end of a hall.
const DISTANCE_M: RangeInclusive<f64> = 0.0..=20.0;
/// Sound against picture: cameras and sound cards buffer a tenth of a second at most, wireless ones some more.
const LAG_MS: RangeInclusive<f64> = -300.0..=300.0;
const LAG_SPREAD_MS: RangeInclusive<f64> = 0.5..=100.0;
/// Swings that may fix a baseline: fewer say nothing, more take weeks.
const BASELINE_SWINGS: RangeInclusive<u32> = 5..=200;

/// Checks a file's text. What the file leaves out is taken from the default file.
pub(super) fn settings(text: &str) -> Checked<Settings> {
    let file: SettingsFile = toml_checked::read(text)?;
    let file = file.or(toml_checked::read(DEFAULT_FILE)?);
    let cues = cues(file.cues)?;
    Ok(Settings {
        hitter_idle: hitter_idle(&file.hitter)?,
        ask_consent: file.hitter.ask_consent.unwrap_or(false),
        hitter: hitter(file.hitter)?,
        camera: camera::camera(file.camera)?,
        model: choice(
            file.pose.model,
            "model",
            &[
                ("auto", ModelChoice::Auto),
                ("full", ModelChoice::Fixed(Model::Full)),
                ("lite", ModelChoice::Fixed(Model::Lite)),
            ],
        )?
        .unwrap_or(ModelChoice::Auto),
        bat: file.pose.bat.unwrap_or(true),
        microphone: microphone(file.microphone)?,
        signs: file.signs.read.unwrap_or(false),
        keys: keys::keys(file.keys)?,
        page: page::page(file.page, cues.units)?,
        cues,
        journal: non_empty(file.journal.path).map(Into::into),
        keep_months: storage::keep_months(file.journal.keep_months)?,
        exports: storage::exports(file.journal.exports, file.journal.keep_exports_days)?,
        facility: facility::facility(file.facility)?,
        video: storage::video(file.video)?,
        log_files: storage::log_files(file.log)?,
        baseline_swings: within(file.baseline.swings, "swings", &BASELINE_SWINGS)? as usize,
        bands: toml_values::bands(file.bands.unwrap_or_default(), BandEnds::band)?,
        text: text.to_owned(),
    })
}

fn hitter_idle(given: &Hitter) -> Checked<Duration> {
    let minutes = within(given.idle_minutes.clone(), "idle_minutes", &IDLE_MINUTES)?;
    Ok(Duration::from_secs(60 * u64::from(minutes)))
}

fn hitter(given: Hitter) -> Checked<HitterSettings> {
    Ok(HitterSettings {
        name: non_empty(given.name),
        height_cm: height(given.height_cm)?,
        bats: choice(
            given.bats,
            "bats",
            &[
                ("auto", None),
                ("left", Some(Bats::Left)),
                ("right", Some(Bats::Right)),
            ],
        )?
        .flatten(),
    })
}

fn microphone(given: Microphone) -> Checked<MicrophoneSettings> {
    Ok(MicrophoneSettings {
        // Off unless asked for: a microphone hears people.
        on: given.on.unwrap_or(false),
        device: non_empty(given.device).filter(|device| device != "auto"),
        distance_m: within(given.distance_m, "distance_m", &DISTANCE_M)?,
        lag_ms: within(given.lag_ms, "lag_ms", &LAG_MS)?,
        lag_plus_minus_ms: within(given.lag_plus_minus_ms, "lag_plus_minus_ms", &LAG_SPREAD_MS)?,
    })
}

fn cues(given: Cues) -> Checked<CueSettings> {
    Ok(CueSettings {
        volume: within(given.volume, "volume", &(0.0..=1.0))? as f32,
        order: toml_values::cue_order(
            &given.order.unwrap_or_default(),
            "stands twice in the order",
            "is known only when the finish is over, which is too late for the cue; it is judged and logged",
        )?,
        phrases: non_empty(given.phrases).map(Into::into),
        language: choice(
            given.language,
            "language",
            &Language::ALL.map(|language| (language.code(), language)),
        )?
        .unwrap_or_default(),
        units: choice(
            given.units,
            "units",
            &Lengths::ALL.map(|units| (units.name(), units)),
        )?
        .unwrap_or_default(),
        remarks: given.remarks.unwrap_or(true),
    })
}

/// A text, trimmed; `None` where nothing is left.
fn non_empty(text: Option<Spanned<String>>) -> Option<String> {
    text.map(Spanned::into_inner)
        .map(|t| t.trim().to_owned())
        .filter(|t| !t.is_empty())
}

fn height(value: Option<Spanned<f64>>) -> Checked<Option<f64>> {
    let Some(value) = value else { return Ok(None) };
    let cm = *value.get_ref();
    if cm == 0.0 {
        return Ok(None);
    }
    if is_height(cm) {
        return Ok(Some(cm));
    }
    refuse(
        &value,
        format!(
            "height_cm is {cm}; it must be 0 (unknown) or {} to {} centimetres",
            HEIGHT_CM.start(),
            HEIGHT_CM.end()
        ),
    )
}

/// A number of the default file that a file may replace.
fn within<T>(value: Option<Spanned<T>>, key: &str, range: &RangeInclusive<T>) -> Checked<T>
where
    T: PartialOrd + Copy + std::fmt::Display,
{
    match value {
        Some(value) => toml_checked::within(&value, key, range),
        None => Err(ValueError {
            at: 0,
            reason: format!("{key} is missing"),
        }),
    }
}

/// What a word stands for, out of a list.
fn choice<T: Copy>(
    value: Option<Spanned<String>>,
    key: &str,
    choices: &[(&str, T)],
) -> Checked<Option<T>> {
    let Some(value) = value else { return Ok(None) };
    let given = value.get_ref().as_str();
    if let Some((_, meaning)) = choices.iter().find(|(word, _)| *word == given) {
        return Ok(Some(*meaning));
    }
    let known: Vec<String> = choices
        .iter()
        .map(|(word, _)| format!("{word:?}"))
        .collect();
    refuse(
        &value,
        format!("{key} is {given:?}; it must be one of {}", known.join(", ")),
    )
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::coach::{AbsoluteBand, Band};
    use crate::rep::MeasureName;
    use crate::settings::SettingsError;

    fn refused(text: &str) -> (usize, String) {
        match Settings::parse(text, Path::new("s.toml")) {
            Err(SettingsError::Wrong { line, reason, .. }) => (line, reason),
            other => panic!("{text:?} gave {other:?}"),
        }
    }

    #[test]
    fn an_empty_file_is_the_default_and_the_default_has_a_band_for_each_cued_measure() {
        let mut empty = Settings::parse("", Path::new("s.toml")).unwrap();
        empty.text = DEFAULT_FILE.to_owned();
        let default = Settings::parse(DEFAULT_FILE, Path::new("s.toml")).unwrap();
        assert_eq!(empty, default);
        assert_eq!(default.hitter.height_cm, None);
        assert!(default.bands.keys().all(|m| default.cues.order.contains(m)));
    }

    #[test]
    fn wrong_values_are_refused_with_line_and_reason() {
        for (text, line, says) in [
            ("[hitter]\nheight_cm = 20", 2, "80 to 230"),
            ("[hitter]\n\nbats = \"both\"", 3, "\"left\""),
            ("[cues]\nvolume = 3.0", 2, "0 to 1"),
            (
                "[cues]\norder = [\n\"head_to_plant_cm\",\n\"luck\"]",
                4,
                "no measure \"luck\"",
            ),
            (
                "[bands]\nhead_to_plant_cm = { low = 5, high = 1 }",
                2,
                "above high",
            ),
            (
                "[bands]\n\nstride_length_cm = { below = 6, high = 90 }",
                3,
                "stride_length_cm mixes low or high with below or above",
            ),
            ("[bands]\nstride_length_cm = { below = -6 }", 2, "under 0"),
            (
                "[bands]\nstride_length_cm = { above = inf }",
                2,
                "no number",
            ),
            (
                "[bands]\nhead_drop_cm = { high = 4 }\nsequence = { above = 1 }",
                3,
                "sequence has no usual value",
            ),
            ("[baseline]\nswings = 2", 2, "5 to 200"),
            ("[baseline]\nreps = 20", 2, "unknown field `reps`"),
            ("[bands]\nhead_to_plant = { low = 5 }", 2, "no measure"),
            (
                "[bands]\nhead_to_plant_cm = { lo = 5 }",
                2,
                "unknown field `lo`",
            ),
            ("[camera]\nknown_length_cm = 43.2", 2, "do not go together"),
            ("[camera]\nspeed = 5", 2, "unknown field `speed`"),
            ("[camera]\nfps = 30\nroll_deg = 15.5", 3, "-15 to 15"),
            ("[camera]\nroll_deg = nan", 2, "-15 to 15"),
            (
                "[camera]\nroll_deg = \"level\"",
                2,
                "\"level\"; it must be \"auto\"",
            ),
            ("[camera]\nroll_deg = true", 2, "\"auto\" or a number"),
            ("[camera]\nfps = \"fast\"", 2, "10 to 500 frames a second"),
            ("[camera]\nfps = 600", 2, "10 to 500 frames a second"),
            ("\n\n[camera", 3, ""),
        ] {
            let (found, reason) = refused(text);
            assert_eq!(found, line, "{text:?}: {reason}");
            assert!(reason.contains(says), "{text:?}: {reason}");
        }
    }

    #[test]
    fn a_roll_may_be_told_with_or_without_a_point() {
        for (text, roll_deg) in [
            ("", None),
            ("[camera]\nroll_deg = \"auto\"", None),
            ("[camera]\nroll_deg = 0", Some(0.0)),
            ("[camera]\nroll_deg = -2", Some(-2.0)),
            ("[camera]\nroll_deg = 1.5", Some(1.5)),
        ] {
            let settings = Settings::parse(text, Path::new("s.toml")).unwrap();
            assert_eq!(settings.camera.roll_deg, roll_deg, "{text:?}");
        }
    }

    #[test]
    fn what_is_given_replaces_the_default() {
        let text =
            "[hitter]\nheight_cm = 150\nbats = \"left\"\n[bands]\nhead_drop_cm = { high = 4 }";
        let settings = Settings::parse(text, Path::new("s.toml")).unwrap();
        assert_eq!(
            (settings.hitter.height_cm, settings.hitter.bats),
            (Some(150.0), Some(Bats::Left))
        );
        assert_eq!(settings.bands.len(), 1);
        assert_eq!(
            settings.bands[&MeasureName::HeadDrop],
            Band::Absolute(AbsoluteBand {
                low: None,
                high: Some(4.0)
            })
        );
    }

    #[test]
    fn a_band_may_lie_around_the_usual_value_with_one_end_or_two() {
        let text = "[baseline]\nswings = 12\n[bands]\nstride_length_cm = { below = 6, above = 4.5 }\n\
                    plant_to_contact_ms = { above = 40 }";
        let settings = Settings::parse(text, Path::new("s.toml")).unwrap();
        assert_eq!(settings.baseline_swings, 12);
        assert_eq!(
            settings.bands[&MeasureName::StrideLength],
            Band::Relative {
                below: Some(6.0),
                above: Some(4.5)
            }
        );
        assert_eq!(
            settings.bands[&MeasureName::PlantToContact],
            Band::Relative {
                below: None,
                above: Some(40.0)
            }
        );
        let default = Settings::parse("", Path::new("s.toml")).unwrap();
        assert_eq!(default.baseline_swings, crate::coach::DEFAULT_SWINGS);
    }
}
