//! `cagehand consent`: what a hitter allows, on record, where nobody wants to go to the page for it.
//!
//! In: a hitter's name, a purpose, a decision. Out: a row in the journal, and what was kept without being allowed deleted. The
//! journal must not be in use: the page, which knows who hits, puts a decision in force while cagehand runs.

use std::path::{Path, PathBuf};

use clap::Args;

use super::journal::{no_such_hitter, stop_first};
use super::{Failure, enter_audit, journal_path, terminal};
use crate::audit::{Act, this_user};
use crate::journal::{
    ConsentRow, Decision, Edit, HitterChoice, Journal, JournalReader, NewConsent, NewHitter,
    Purpose, consent_in_force,
};
use crate::settings::Settings;
use crate::wall_clock;

/// Arguments of `consent`.
#[derive(Debug, Args)]
pub(super) struct ConsentArgs {
    /// The hitter's name; one who is not known yet is added with their first decision.
    name: String,
    /// What for: landmarks, name, film or picture. Without it what is on record is printed.
    #[arg(requires = "decision")]
    purpose: Option<Purpose>,
    /// given, refused or withdrawn.
    #[arg(requires = "by")]
    decision: Option<Decision>,
    /// Who decided, and how, such as "mother, paper form".
    #[arg(long)]
    by: Option<String>,
    /// The day of the decision; today where it is not said.
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<jiff::civil::Date>,
    /// Use this journal.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
}

impl ConsentArgs {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let path = journal_path(self.journal.as_deref(), settings)?;
        match (self.purpose, self.decision, self.by) {
            (Some(purpose), Some(decision), Some(decided_by)) => {
                let consent = NewConsent {
                    purpose,
                    decision,
                    decided_by,
                    decided_on: self.on.unwrap_or_else(|| {
                        wall_clock::now()
                            .to_zoned(jiff::tz::TimeZone::system())
                            .date()
                    }),
                };
                record(&path, self.name, consent)
            }
            _ => print(&Journal::read_only(&path)?, self.name),
        }
    }
}

fn print(reader: &JournalReader, name: String) -> Result<(), Failure> {
    let hitter = reader
        .hitter(&HitterChoice::Name(name))
        .map_err(no_such_hitter)?;
    enter_audit(reader.path(), Act::Looked, Some(hitter.id), "consents");
    let rows = reader.consent_rows(hitter.id)?;
    for purpose in Purpose::ALL {
        let row = consent_in_force(&rows, *purpose);
        let text = row.map_or_else(|| "nothing on record".to_owned(), decision_text);
        terminal::println(&format!("{:<10} {text}", purpose.as_str()));
    }
    Ok(())
}

fn decision_text(row: &ConsentRow) -> String {
    format!(
        "{} by {} on {}, recorded by {}",
        row.decision.as_str(),
        row.decided_by,
        row.decided_on,
        row.recorded_by
    )
}

fn record(path: &Path, name: String, consent: NewConsent) -> Result<(), Failure> {
    let mut journal = Journal::open(path).map_err(|error| stop_first(error, path))?;
    let new = NewHitter {
        name: Some(name.clone()),
        ..NewHitter::default()
    };
    let hitter = journal.find_or_add_hitter(&new)?;
    let said = format!("{} {}", consent.purpose.as_str(), consent.decision.as_str());
    enter_audit(path, Act::ChangedConsent, Some(hitter), &said);
    let had = journal.reader().count_timelines(hitter)?;
    journal.edit(&Edit::RecordConsent { hitter, consent }, &this_user())?;
    let left = journal.reader().count_timelines(hitter)?;
    terminal::println(&format!("{name}: {said}"));
    if left < had {
        terminal::println(&format!("the landmarks of {} reps are deleted", had - left));
    }
    let films = journal
        .reader()
        .delete_refused_films(hitter)?
        .map_err(|error| Failure::Finding(format!("films that are refused are left: {error}")))?;
    if films.total.films > 0 {
        terminal::println(&format!("{} films are deleted", films.total.films));
    }
    match films.failed.first() {
        None => Ok(()),
        Some((file, error)) => Err(Failure::Finding(format!(
            "{}: this film is refused and could not be deleted: {error}",
            file.display()
        ))),
    }
}
