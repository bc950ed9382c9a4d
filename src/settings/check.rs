//! From the file as written to settings that are right.

use toml::Spanned;

use super::file::File;
use super::{CameraSettings, CueSettings, DEFAULT_FILE, HitterSettings, ModelChoice, Settings};
use crate::coach::{Band, Bands};
use crate::pose::Model;
use crate::rep::{Bats, MeasureName, View};

/// A wrong value and where it stands, as a byte offset.
pub(super) struct Wrong {
    pub at: usize,
    pub reason: String,
}

type Checked<T> = Result<T, Wrong>;

/// Heights that a person who swings a bat may have, centimetres.
const HEIGHTS_CM: std::ops::RangeInclusive<f64> = 80.0..=230.0;

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
    };
    let journal = named(given.journal.path.or(default.journal.path)).map(Into::into);
    let bands = bands(given.bands.or(default.bands).unwrap_or_default())?;
    Ok(Settings {
        hitter,
        camera,
        model,
        cues,
        journal,
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
        order.push(found);
    }
    Ok(order)
}

fn bands(
    given: std::collections::BTreeMap<Spanned<String>, Spanned<super::file::Band>>,
) -> Checked<Bands> {
    given
        .into_iter()
        .map(|(name, band)| {
            let found = measure(&name)?;
            let at = band.span().start;
            let super::file::Band { low, high } = band.into_inner();
            let wrong = |reason: String| Err(Wrong { at, reason });
            if [low, high]
                .into_iter()
                .flatten()
                .any(|end| !end.is_finite())
            {
                return wrong(format!("the band of {found} has an end that is no number"));
            }
            if let (Some(low), Some(high)) = (low, high)
                && low > high
            {
                return wrong(format!(
                    "the band of {found} has low = {low} above high = {high}"
                ));
            }
            Ok((found, Band { low, high }))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
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
            ("[bands]\nhead_to_plant = { low = 5 }", 2, "no measure"),
            (
                "[bands]\nhead_to_plant_cm = { lo = 5 }",
                2,
                "unknown field `lo`",
            ),
            ("[camera]\nspeed = 5", 2, "unknown field `speed`"),
            ("[camera]\nfps = \"fast\"", 2, "invalid type"),
            ("\n\n[camera", 3, ""),
        ] {
            let (found, reason) = refused(text);
            assert_eq!(found, line, "{text:?}: {reason}");
            assert!(reason.contains(says), "{text:?}: {reason}");
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
            Band {
                low: None,
                high: Some(4.0)
            }
        );
    }
}
