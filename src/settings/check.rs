//! From the file as written to settings that are right.

mod keeping;

use toml::Spanned;

use super::file::{AutoOr, File};
use super::{
    CameraSettings, CueSettings, DEFAULT_FILE, HitterSettings, ModelChoice, Settings, camera,
};
use crate::capture::CameraControls;
use crate::coach::{BandEnds, Bands};
use crate::pose::Model;
use crate::rep::{Bats, MeasureName, View};
use crate::sound::Language;

/// A wrong value and where it stands, as a byte offset.
pub(super) struct Wrong {
    pub at: usize,
    pub reason: String,
}

pub(super) type Checked<T> = Result<T, Wrong>;

/// Heights that a person who swings a bat may have, centimetres.
const HEIGHTS_CM: std::ops::RangeInclusive<f64> = 80.0..=230.0;

/// Rolls of a camera that may be told, degrees: one that leans more is to be set level by hand.
pub(crate) const ROLL_DEG: std::ops::RangeInclusive<f64> = -15.0..=15.0;

/// Swings that may fix a baseline: fewer say nothing, more take weeks.
const BASELINE_SWINGS: std::ops::RangeInclusive<u32> = 5..=200;

/// Checks a file's text. What the file leaves out is taken from the default file.
pub(super) fn settings(text: &str) -> Checked<Settings> {
    let given = parse(text)?;
    let default = parse(DEFAULT_FILE)?;
    let hitter = HitterSettings {
        name: named(given.hitter.name.or(default.hitter.name)),
        height_cm: height(given.hitter.height_cm.or(default.hitter.height_cm))?,
        bats: word(
            given.hitter.bats.or(default.hitter.bats),
            "bats",
            &[
                ("auto", None),
                ("left", Some(Bats::Left)),
                ("right", Some(Bats::Right)),
            ],
        )?
        .flatten(),
    };
    let camera = CameraSettings {
        device: named(given.camera.device.or(default.camera.device)).filter(|d| d != "auto"),
        width: within(
            given.camera.width.or(default.camera.width),
            "width",
            160,
            7680,
        )?,
        height: within(
            given.camera.height.or(default.camera.height),
            "height",
            120,
            4320,
        )?,
        fps: within(given.camera.fps.or(default.camera.fps), "fps", 10, 500)?,
        view: word(
            given.camera.view.or(default.camera.view),
            "view",
            &[
                ("auto", None),
                ("open-side", Some(View::OpenSide)),
                ("rear", Some(View::Rear)),
                ("front", Some(View::Front)),
            ],
        )?
        .flatten(),
        cm_per_px: known_length(
            given
                .camera
                .known_length_cm
                .or(default.camera.known_length_cm),
            given
                .camera
                .known_length_px
                .or(default.camera.known_length_px),
        )?,
        roll_deg: roll(given.camera.roll_deg.or(default.camera.roll_deg))?,
        controls: CameraControls {
            exposure: camera::exposure(given.camera.exposure_ms.or(default.camera.exposure_ms))?,
            gain: camera::gain(given.camera.gain_pct.or(default.camera.gain_pct))?,
            power_line: camera::power_line(
                given.camera.power_line_hz.or(default.camera.power_line_hz),
            )?,
            focus: camera::focus(given.camera.focus_pct.or(default.camera.focus_pct))?,
        },
    };
    let model = word(
        given.pose.model.or(default.pose.model),
        "model",
        &[
            ("auto", ModelChoice::Auto),
            ("full", ModelChoice::Fixed(Model::Full)),
            ("lite", ModelChoice::Fixed(Model::Lite)),
        ],
    )?
    .unwrap_or(ModelChoice::Auto);
    let cues = CueSettings {
        volume: within(
            given.cues.volume.or(default.cues.volume),
            "volume",
            0.0,
            1.0,
        )? as f32,
        order: order(given.cues.order.or(default.cues.order).unwrap_or_default())?,
        phrases: named(given.cues.phrases.or(default.cues.phrases)).map(Into::into),
        language: word(
            given.cues.language.or(default.cues.language),
            "language",
            &Language::ALL.map(|language| (language.code(), language)),
        )?
        .unwrap_or_default(),
        remarks: given.cues.remarks.or(default.cues.remarks).unwrap_or(true),
    };
    let page = listen(given.page.listen.or(default.page.listen))?;
    // Where nobody says so, no picture is shown.
    let page_picture = given.page.picture.or(default.page.picture).unwrap_or(false);
    let journal = named(given.journal.path.or(default.journal.path)).map(Into::into);
    let video = keeping::video(given.video, default.video)?;
    let log_files = keeping::log_files(given.log, default.log)?;
    let baseline_swings = within(
        given.baseline.swings.or(default.baseline.swings),
        "swings",
        *BASELINE_SWINGS.start(),
        *BASELINE_SWINGS.end(),
    )? as usize;
    let bands = bands(given.bands.or(default.bands).unwrap_or_default())?;
    Ok(Settings {
        hitter,
        camera,
        model,
        cues,
        page,
        page_picture,
        journal,
        video,
        log_files,
        baseline_swings,
        bands,
        text: text.to_owned(),
    })
}

fn parse(text: &str) -> Checked<File> {
    toml::from_str(text).map_err(|error| Wrong {
        at: error.span().map_or(0, |span| span.start),
        reason: error.message().trim().to_owned(),
    })
}

fn named(text: Option<Spanned<String>>) -> Option<String> {
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
    if HEIGHTS_CM.contains(&cm) {
        return Ok(Some(cm));
    }
    Err(Wrong {
        at: value.span().start,
        reason: format!(
            "height_cm is {cm}; it must be 0 (unknown) or {} to {} centimetres",
            HEIGHTS_CM.start(),
            HEIGHTS_CM.end()
        ),
    })
}

/// Centimetres a pixel from a length given in both; 0 in both means that none was measured.
fn known_length(cm: Option<Spanned<f64>>, px: Option<Spanned<f64>>) -> Checked<Option<f64>> {
    let (Some(cm), Some(px)) = (cm, px) else {
        return Ok(None);
    };
    let scale = *cm.get_ref() / *px.get_ref();
    match (*cm.get_ref() > 0.0, *px.get_ref() > 0.0) {
        (false, false) if *cm.get_ref() == 0.0 && *px.get_ref() == 0.0 => Ok(None),
        // A picture that shows a whole hitter has between a twentieth of a centimetre and three to a pixel.
        (true, true) if (0.05..=3.0).contains(&scale) => Ok(Some(scale)),
        _ => Err(Wrong {
            at: px.span().start.max(cm.span().start),
            reason: format!(
                "known_length_cm = {} and known_length_px = {} do not go together; give both as measured where the hitter \
                 stands, or 0 for both",
                cm.get_ref(),
                px.get_ref()
            ),
        }),
    }
}

fn roll(value: Option<Spanned<AutoOr>>) -> Checked<Option<f64>> {
    let Some(value) = value else { return Ok(None) };
    match value.get_ref() {
        AutoOr::Number(deg) if ROLL_DEG.contains(deg) => return Ok(Some(*deg)),
        AutoOr::Word(word) if word == "auto" => return Ok(None),
        _ => {}
    }
    let told = value.get_ref().told();
    Err(Wrong {
        at: value.span().start,
        reason: format!(
            "roll_deg is {told}; it must be \"auto\" or {} to {} degrees (a camera that leans more is to be set level)",
            ROLL_DEG.start(),
            ROLL_DEG.end()
        ),
    })
}

fn within<T>(value: Option<Spanned<T>>, key: &str, least: T, most: T) -> Checked<T>
where
    T: PartialOrd + Copy + std::fmt::Display,
{
    let Some(value) = value else {
        return Err(Wrong {
            at: 0,
            reason: format!("{key} is missing"),
        });
    };
    let inner = *value.get_ref();
    if inner >= least && inner <= most {
        return Ok(inner);
    }
    Err(Wrong {
        at: value.span().start,
        reason: format!("{key} is {inner}; it must be {least} to {most}"),
    })
}

fn word<T: Copy>(
    value: Option<Spanned<String>>,
    key: &str,
    words: &[(&str, T)],
) -> Checked<Option<T>> {
    let Some(value) = value else { return Ok(None) };
    let given = value.get_ref().as_str();
    match words.iter().find(|(word, _)| *word == given) {
        Some((_, meaning)) => Ok(Some(*meaning)),
        None => {
            let known: Vec<String> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
            Err(Wrong {
                at: value.span().start,
                reason: format!("{key} is {given:?}; it must be one of {}", known.join(", ")),
            })
        }
    }
}

fn listen(value: Option<Spanned<String>>) -> Checked<Option<std::net::SocketAddr>> {
    let Some(value) = value else { return Ok(None) };
    let text = value.get_ref().trim();
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<std::net::SocketAddr>() {
        // Beyond this machine the page itself asks for its keys first.
        Ok(address) => Ok(Some(address)),
        Err(_) => Err(Wrong {
            at: value.span().start,
            reason: format!(
                "listen is {text:?}; it must be an address and a port, such as \"127.0.0.1:7420\", or \"\" for none"
            ),
        }),
    }
}

fn measure(name: &Spanned<String>) -> Checked<MeasureName> {
    MeasureName::from_name(name.get_ref()).ok_or_else(|| {
        let known: Vec<&str> = MeasureName::ALL.iter().map(|m| m.name()).collect();
        Wrong {
            at: name.span().start,
            reason: format!(
                "there is no measure {:?}; the measures are {}",
                name.get_ref(),
                known.join(", ")
            ),
        }
    })
}

fn order(names: Vec<Spanned<String>>) -> Checked<Vec<MeasureName>> {
    let mut order = Vec::with_capacity(names.len());
    for name in &names {
        let found = measure(name)?;
        if order.contains(&found) {
            return Err(Wrong {
                at: name.span().start,
                reason: format!("{found} stands twice in the order"),
            });
        }
        if found == MeasureName::FinishHold {
            return Err(Wrong {
                at: name.span().start,
                reason: format!(
                    "{found} is known only when the finish is over, which is too late for the cue; it is judged and logged"
                ),
            });
        }
        order.push(found);
    }
    Ok(order)
}

fn bands(given: std::collections::BTreeMap<Spanned<String>, Spanned<BandEnds>>) -> Checked<Bands> {
    given
        .into_iter()
        .map(|(name, band)| {
            let found = measure(&name)?;
            let at = band.span().start;
            let band = band.into_inner().band(found);
            Ok((found, band.map_err(|reason| Wrong { at, reason })?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::coach::{AbsoluteBand, Band};
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
            ("[camera]\nfps = \"fast\"", 2, "invalid type"),
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
