//! Which plan a session follows: the one that was named, else the one in force for its hitter.

use std::path::Path;

use crate::coach::{PLAN_TEMPLATES, Plan, PlanTemplate};
use crate::journal::{HitterId, Journal, JournalError, JournalReader, NewPlan, StoredPlan};

use super::DaemonError;

/// What the command line says about the plan.
#[derive(Clone, Debug)]
pub(crate) enum PlanOverride {
    /// Nothing: the plan in force counts.
    Unset,
    /// "none": no plan.
    NoPlan,
    /// This one.
    Plan(NewPlan),
}

impl PlanOverride {
    /// From the argument of `--plan`: a template's name, a file, or "none".
    ///
    /// # Errors
    /// Where what is named is no plan.
    pub(crate) fn from_argument(argument: Option<&str>) -> Result<Self, DaemonError> {
        match argument {
            None => Ok(Self::Unset),
            Some("none") => Ok(Self::NoPlan),
            Some(name) => find_plan(name).map(Self::Plan),
        }
    }
}

/// A template by its name, or a file's text, as a plan that was read and found right.
///
/// # Errors
/// Where there is no such plan, or the file is wrong.
pub(crate) fn find_plan(name_or_file: &str) -> Result<NewPlan, DaemonError> {
    let file = Path::new(name_or_file);
    let template = plan_template(name_or_file);
    if template.is_err() && file.is_file() {
        let text = std::fs::read_to_string(file).map_err(|source| DaemonError::PlanFile {
            path: name_or_file.to_owned(),
            source,
        })?;
        return checked_plan(text);
    }
    checked_plan(template?.text.to_owned())
}

/// A template by its name.
///
/// # Errors
/// Where there is none of this name.
pub(crate) fn plan_template(name: &str) -> Result<&'static PlanTemplate, DaemonError> {
    let plain = |text: &str| text.trim().replace(['-', '_'], " ").to_lowercase();
    PLAN_TEMPLATES
        .iter()
        .find(|start| plain(start.name) == plain(name))
        .ok_or_else(|| {
            let names: Vec<&str> = PLAN_TEMPLATES.iter().map(|start| start.name).collect();
            DaemonError::UnknownPlan {
                name: name.to_owned(),
                known: names.join(", "),
            }
        })
}

/// A plan's text with its name, once it was found right.
///
/// # Errors
/// Where the text is no plan.
pub(crate) fn checked_plan(text: String) -> Result<NewPlan, DaemonError> {
    let plan = Plan::parse(&text)?;
    Ok(NewPlan {
        name: plan.name,
        text,
    })
}

/// The plan in force for a hitter of this name, or for everybody. A journal that is not there yet has no plan.
///
/// # Errors
/// Those of the journal.
pub(crate) fn plan_in_force(
    journal: &Path,
    hitter: Option<&str>,
) -> Result<Option<StoredPlan>, DaemonError> {
    let reader = match Journal::read_only(journal) {
        Ok(reader) => reader,
        Err(JournalError::Missing { .. }) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let id = known_hitter(&reader, hitter)?;
    Ok(reader.plan_in_force(id)?)
}

fn known_hitter(
    reader: &JournalReader,
    name: Option<&str>,
) -> Result<Option<HitterId>, DaemonError> {
    let Some(name) = name.map(str::trim) else {
        return Ok(None);
    };
    Ok(reader
        .hitters()?
        .into_iter()
        .find(|hitter| hitter.name.as_deref() == Some(name))
        .map(|hitter| hitter.id))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn templates_are_found_by_name_and_others_are_told_what_there_is() {
        assert_eq!(find_plan("Head-Still").unwrap().name, "head still");
        let error = find_plan("hit bombs").unwrap_err();
        assert!(error.to_string().contains("stay back"), "{error}");
    }
}
