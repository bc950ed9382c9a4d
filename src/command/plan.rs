//! `cagehand plan`: what a hitter works on, kept in the journal.
//!
//! In: a start's name, a file, or single values. Out: a new plan in the journal, in force from the next session on.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use toml_edit::{DocumentMut, Item, Value};

use super::{Failure, journal_path, terminal};
use crate::audit::this_user;
use crate::coach::PLAN_TEMPLATES;
use crate::daemon::{checked_plan, find_plan, plan_in_force, plan_template};
use crate::journal::{HitterId, Journal, JournalError, NewHitter, NewPlan};
use crate::settings::Settings;

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub(super) struct PlanArgs {
    #[command(subcommand)]
    command: PlanCommand,
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
enum PlanCommand {
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
        let path = journal_path(self.journal.as_deref(), settings)?;
        let hitter = match (self.everybody, self.hitter) {
            (true, _) => None,
            (false, named) => named.or_else(|| settings.hitter.name.clone()),
        };
        let whose = hitter.as_deref().unwrap_or("everybody");
        match self.command {
            PlanCommand::List => list(&path),
            PlanCommand::Show { start: Some(start) } => {
                terminal::println(plan_template(&start)?.text.trim_end());
                Ok(())
            }
            PlanCommand::Show { start: None } => match plan_in_force(&path, hitter.as_deref())? {
                Some(plan) => {
                    terminal::println(plan.text.trim_end());
                    Ok(())
                }
                None => Err(Failure::Request(format!(
                    "{whose}: no plan is in force; cagehand plan list shows what to start from"
                ))),
            },
            PlanCommand::Take { plan } => store(&path, hitter.as_deref(), &find_plan(&plan)?),
            PlanCommand::Change { values } => {
                let plan = plan_in_force(&path, hitter.as_deref())?.ok_or_else(|| {
                    Failure::Request(format!(
                        "{whose}: no plan is in force that could be changed; begin with cagehand plan take"
                    ))
                })?;
                let text = changed(&plan.text, &values)?;
                store(&path, hitter.as_deref(), &checked_plan(text)?)
            }
            PlanCommand::Drop => {
                let mut journal = Journal::open_to_edit(&path)?;
                let whom = hitter_id(&mut journal, hitter.as_deref())?;
                let none = NewPlan {
                    name: "none".into(),
                    text: String::new(),
                };
                journal.set_plan(whom, &none, &this_user())?;
                terminal::println(&format!("{whose}: no plan from the next session on"));
                Ok(())
            }
        }
    }
}

fn list(path: &Path) -> Result<(), Failure> {
    terminal::println("to start from:");
    for start in PLAN_TEMPLATES {
        terminal::println(&format!("  {:<16} {}", start.name, start.about));
    }
    let plans = match Journal::read_only(path) {
        Ok(reader) => reader.plans()?,
        Err(JournalError::Missing { .. }) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    terminal::println("in force:");
    let mut any = false;
    for (place, plan) in plans.iter().enumerate() {
        let newer = plans[place + 1..].iter().any(|p| p.hitter == plan.hitter);
        if !newer && !plan.text.is_empty() {
            any = true;
            let whose = plan.hitter_name.as_deref().unwrap_or("everybody");
            terminal::println(&format!(
                "  {whose:<16} {} since {}",
                plan.name,
                plan.made_at.strftime("%Y-%m-%d")
            ));
        }
    }
    if !any {
        terminal::println("  none");
    }
    Ok(())
}

fn store(path: &Path, hitter: Option<&str>, plan: &NewPlan) -> Result<(), Failure> {
    let mut journal = Journal::open_to_edit(path)?;
    let whom = hitter_id(&mut journal, hitter)?;
    journal.set_plan(whom, plan, &this_user())?;
    terminal::println(&format!(
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
    use crate::coach::Plan;

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
        assert!(checked_plan(odd).is_err());
    }
}
