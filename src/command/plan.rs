//! `cagehand plan`: what a hitter works on, kept in the journal.
//!
//! In: a start's name, a file, or single values. Out: a new plan in the journal, in force from the next session on.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use toml_edit::{DocumentMut, Item, Value};

use super::{Failure, places, show};
use crate::coach::{PLAN_TEMPLATES, Plan, PlanTemplate};
use crate::journal::{
    HitterId, Journal, JournalError, JournalReader, NewHitter, NewPlan, StoredPlan,
};
use crate::settings::Settings;

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub(super) struct PlanArgs {
    #[command(subcommand)]
    what: What,
    /// Whose plan, by name; without it the hitter of the settings, or everybody where they name none.
    #[arg(long, value_name = "NAME", global = true)]
    hitter: Option<String>,
    /// The plan of everybody who has none of their own.
    #[arg(long, global = true, conflicts_with = "hitter")]
    everybody: bool,
    /// Use this journal.
    #[arg(long, value_name = "FILE", global = true)]
    journal: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List the plans to start from and those in force.
    List,
    /// Print a plan: the one in force, or a start by its name.
    Show {
        /// A start's name, such as "head still".
        start: Option<String>,
    },
    /// Put a plan in force: a start by its name, or a file.
    Take {
        /// A start's name or a TOML file.
        plan: String,
    },
    /// Change single values of the plan in force.
    Change {
        /// KEY=VALUE as in the plan's text, such as set.reps=30, cues.when=silent, pitch.level=youth or
        /// bands.head_to_plant_cm="{ low = 0, high = 6 }"; KEY= takes the value out.
        #[arg(required = true, value_name = "KEY=VALUE")]
        values: Vec<String>,
    },
    /// Go without a plan again.
    Drop,
}

impl PlanArgs {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let path = places::journal(self.journal.as_deref(), settings)?;
        let hitter = match (self.everybody, self.hitter) {
            (true, _) => None,
            (false, told) => told.or_else(|| settings.hitter.name.clone()),
        };
        let whose = hitter.as_deref().unwrap_or("everybody");
        match self.what {
            What::List => list(&path),
            What::Show { start: Some(start) } => {
                show::line(known_start(&start)?.text.trim_end());
                Ok(())
            }
            What::Show { start: None } => match in_force(&path, hitter.as_deref())? {
                Some(plan) => {
                    show::line(plan.text.trim_end());
                    Ok(())
                }
                None => Err(Failure::Request(format!(
                    "{whose}: no plan is in force; cagehand plan list shows what to start from"
                ))),
            },
            What::Take { plan } => store(&path, hitter.as_deref(), &taken(&plan)?),
            What::Change { values } => {
                let plan = in_force(&path, hitter.as_deref())?.ok_or_else(|| {
                    Failure::Request(format!(
                        "{whose}: no plan is in force that could be changed; begin with cagehand plan take"
                    ))
                })?;
                let text = changed(&plan.text, &values)?;
                store(&path, hitter.as_deref(), &checked(text)?)
            }
            What::Drop => {
                let mut journal = Journal::open_to_edit(&path)?;
                let whom = hitter_id(&mut journal, hitter.as_deref())?;
                let none = NewPlan {
                    name: "none".into(),
                    text: String::new(),
                };
                journal.set_plan(whom, &none)?;
                show::line(&format!("{whose}: no plan from the next session on"));
                Ok(())
            }
        }
    }
}

/// The plan in force for a hitter of this name, or for everybody.
///
/// # Errors
/// Those of the journal; a journal that is not there yet has no plan.
pub(super) fn in_force(path: &Path, hitter: Option<&str>) -> Result<Option<StoredPlan>, Failure> {
    let reader = match Journal::read_only(path) {
        Ok(reader) => reader,
        Err(JournalError::Missing { .. }) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let id = known_hitter(&reader, hitter)?;
    Ok(reader.plan_in_force(id)?)
}

/// A start by its name, or a file's text, as a plan that has been read and found right.
pub(super) fn taken(plan: &str) -> Result<NewPlan, Failure> {
    let file = Path::new(plan);
    let start = known_start(plan);
    if start.is_err() && file.is_file() {
        let text = std::fs::read_to_string(file)
            .map_err(|e| Failure::Request(format!("{plan}: cannot be read: {e}")))?;
        return checked(text);
    }
    checked(start?.text.to_owned())
}

fn known_start(name: &str) -> Result<&'static PlanTemplate, Failure> {
    let plain = |text: &str| text.trim().replace(['-', '_'], " ").to_lowercase();
    PLAN_TEMPLATES
        .iter()
        .find(|start| plain(start.name) == plain(name))
        .ok_or_else(|| {
            let names: Vec<&str> = PLAN_TEMPLATES.iter().map(|start| start.name).collect();
            Failure::Request(format!(
                "{name:?} is neither a file nor one of the plans to start from: {}",
                names.join(", ")
            ))
        })
}

fn checked(text: String) -> Result<NewPlan, Failure> {
    let plan = Plan::parse(&text).map_err(|error| Failure::Request(error.to_string()))?;
    Ok(NewPlan {
        name: plan.name,
        text,
    })
}

fn list(path: &Path) -> Result<(), Failure> {
    show::line("to start from:");
    for start in PLAN_TEMPLATES {
        show::line(&format!("  {:<16} {}", start.name, start.about));
    }
    let plans = match Journal::read_only(path) {
        Ok(reader) => reader.plans()?,
        Err(JournalError::Missing { .. }) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    show::line("in force:");
    let mut any = false;
    for (place, plan) in plans.iter().enumerate() {
        let newer = plans[place + 1..].iter().any(|p| p.hitter == plan.hitter);
        if !newer && !plan.text.is_empty() {
            any = true;
            let whose = plan.hitter_name.as_deref().unwrap_or("everybody");
            show::line(&format!(
                "  {whose:<16} {} since {}",
                plan.name,
                plan.made_at.strftime("%Y-%m-%d")
            ));
        }
    }
    if !any {
        show::line("  none");
    }
    Ok(())
}

fn store(path: &Path, hitter: Option<&str>, plan: &NewPlan) -> Result<(), Failure> {
    let mut journal = Journal::open_to_edit(path)?;
    let whom = hitter_id(&mut journal, hitter)?;
    journal.set_plan(whom, plan)?;
    show::line(&format!(
        "{}: {:?} is in force from the next session on",
        hitter.unwrap_or("everybody"),
        plan.name
    ));
    Ok(())
}

/// The hitter of this name, who is added where they are new.
fn hitter_id(journal: &mut Journal, name: Option<&str>) -> Result<Option<HitterId>, Failure> {
    let Some(name) = name else { return Ok(None) };
    let hitter = NewHitter {
        name: Some(name.to_owned()),
        ..NewHitter::default()
    };
    Ok(Some(journal.find_or_add_hitter(&hitter)?))
}

fn known_hitter(reader: &JournalReader, name: Option<&str>) -> Result<Option<HitterId>, Failure> {
    let Some(name) = name.map(str::trim) else {
        return Ok(None);
    };
    Ok(reader
        .hitters()?
        .into_iter()
        .find(|hitter| hitter.name.as_deref() == Some(name))
        .map(|hitter| hitter.id))
}

/// A plan's text with these values put in; comments and order stay.
fn changed(text: &str, values: &[String]) -> Result<String, Failure> {
    let mut document: DocumentMut = text
        .parse()
        .map_err(|e| Failure::Request(format!("the plan in force cannot be read: {e}")))?;
    for given in values {
        let (key, value) = given.split_once('=').ok_or_else(|| {
            Failure::Request(format!(
                "{given:?} should be KEY=VALUE, such as set.reps=30"
            ))
        })?;
        put(&mut document, key.trim(), value.trim())?;
    }
    Ok(document.to_string())
}

fn put(document: &mut DocumentMut, key: &str, value: &str) -> Result<(), Failure> {
    let no_table = || Failure::Request(format!("{key}: there is no such place in a plan"));
    let mut names: Vec<&str> = key.split('.').map(str::trim).collect();
    let last = names
        .pop()
        .filter(|name| !name.is_empty())
        .ok_or_else(no_table)?;
    let mut table: &mut dyn toml_edit::TableLike = document.as_table_mut();
    for name in names {
        table = table
            .entry(name)
            .or_insert(toml_edit::table())
            .as_table_like_mut()
            .ok_or_else(no_table)?;
    }
    if value.is_empty() {
        table.remove(last);
        return Ok(());
    }
    // A bare word is meant as text: cues.when=silent.
    let parsed: Value = value.parse().unwrap_or_else(|_| Value::from(value));
    match table.get_mut(last) {
        Some(item) => *item = Item::Value(parsed),
        None => drop(table.insert(last, Item::Value(parsed))),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn single_values_are_changed_and_the_rest_stays() {
        let start = PLAN_TEMPLATES[0].text;
        let values = [
            "set.reps=30",
            "cues.when=silent",
            "bands.head_drop_cm={ high = 6 }",
            "pitch.level=youth",
            "set.rest_after_reps=",
            "set.rest_secs=",
        ]
        .map(str::to_owned);
        let text = changed(start, &values).unwrap();
        let plan = Plan::parse(&text).unwrap();
        assert_eq!(plan.set.reps, 30);
        assert_eq!(plan.set.rest_after, 0);
        assert_eq!(plan.schedule, crate::coach::CueSchedule::Silent);
        assert_eq!(plan.bands.len(), 1);
        assert_eq!(plan.pitch.unwrap().level.name(), "youth");
        assert_eq!(plan.focus, Plan::parse(start).unwrap().focus);
    }

    #[test]
    fn a_value_that_cannot_be_is_refused() {
        for values in [["set.reps"], ["=3"], ["name.x=3"]] {
            assert!(changed(PLAN_TEMPLATES[0].text, &values.map(str::to_owned)).is_err());
        }
        let odd = changed(PLAN_TEMPLATES[0].text, &["set.reps=-3".to_owned()]).unwrap();
        assert!(checked(odd).is_err());
    }

    #[test]
    fn starts_are_found_by_name_and_others_are_told_what_there_is() {
        assert_eq!(taken("Head-Still").unwrap().name, "head still");
        let error = taken("hit bombs").unwrap_err();
        assert!(error.to_string().contains("stay back"), "{error}");
    }
}
