//! What plans and settings files have in common: names of measures, the order of cues, bands.

use std::collections::BTreeMap;

use toml::Spanned;

use super::band::{Band, BandEnds, Bands};
use super::cue::can_be_cued;
use crate::rep::MeasureName;
use crate::toml_checked::{Checked, refuse};

fn measure(name: &Spanned<String>) -> Checked<MeasureName> {
    let given = name.get_ref();
    MeasureName::from_name(given).map_or_else(
        || {
            let known: Vec<&str> = MeasureName::ALL.iter().map(|m| m.name()).collect();
            refuse(
                name,
                format!(
                    "there is no measure {given:?}; the measures are {}",
                    known.join(", ")
                ),
            )
        },
        Ok,
    )
}

/// The measures to cue, the most important first. `twice` and `too_late` end the sentence on a measure that is listed
/// twice, or that cannot be cued.
pub(crate) fn cue_order(
    names: &[Spanned<String>],
    twice: &str,
    too_late: &str,
) -> Checked<Vec<MeasureName>> {
    let mut order = Vec::with_capacity(names.len());
    for name in names {
        let found = measure(name)?;
        if order.contains(&found) {
            return refuse(name, format!("{found} {twice}"));
        }
        if !can_be_cued(found) {
            return refuse(name, format!("{found} {too_late}"));
        }
        order.push(found);
    }
    Ok(order)
}

/// Bands by their measures' names, each as `band` reads its ends.
pub(crate) fn bands(
    given: BTreeMap<Spanned<String>, Spanned<BandEnds>>,
    band: impl Fn(BandEnds, MeasureName) -> Result<Band, String>,
) -> Checked<Bands> {
    given
        .into_iter()
        .map(|(name, ends)| {
            let of = measure(&name)?;
            match band(*ends.get_ref(), of) {
                Ok(band) => Ok((of, band)),
                Err(reason) => refuse(&ends, reason),
            }
        })
        .collect()
}
