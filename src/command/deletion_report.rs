//! What a deletion did and what it left, for the terminal.

use std::path::PathBuf;

use super::journal::{size_words, tell_films};
use super::{Failure, terminal};
use crate::journal::{DeletionReport, Remnant};

/// Tells all of it; what is left is bad news.
pub(super) fn report_deletion(name: &str, report: &DeletionReport) -> Result<(), Failure> {
    terminal::println(&format!(
        "deleted {name}: {} sessions, {} reps",
        report.sessions, report.reps
    ));
    // Told first, and judged last: the rest of what was done is to be seen as well.
    let films = match &report.films {
        Ok(films) => tell_films(films),
        Err(error) => Err(Failure::Finding(format!(
            "the hitter's films could not be deleted: {error}"
        ))),
    };
    if let Err(trouble) = &films {
        terminal::println(&trouble.to_string());
    }
    tell_what_was_done(report);
    if !report.remnants.is_empty() {
        return Err(Failure::Finding(format!(
            "the hitter is deleted, but bytes are left in {}. Close every program that has the journal open, start \
             and stop cagehand once, and check again",
            places(&report.remnants)
        )));
    }
    if !report.remnants_aside.is_empty() {
        return Err(Failure::Finding(format!(
            "nothing is left in the journal, but journals that were set aside hold the hitter: {}. Delete these files \
             once nobody needs them",
            places(&report.remnants_aside)
        )));
    }
    if !report.named_in_files.is_empty() {
        return Err(Failure::Finding(format!(
            "nothing is left in the journal, but these files name the hitter: {}. Take the name out of them",
            places(&report.named_in_files)
        )));
    }
    films?;
    terminal::println(match report.named_by_others.is_empty() {
        true => {
            "nothing is left. Backups and exports made before are not reached; a backup that is restored loses it again"
        }
        false => {
            "nothing else is left. Backups and exports made before are not reached; a backup that is restored loses it again"
        }
    });
    Ok(())
}

fn tell_what_was_done(report: &DeletionReport) {
    if let Some(error) = &report.not_rebuilt {
        terminal::println(&format!(
            "the deleted bytes were overwritten, but the file could not be rebuilt: {error}"
        ));
    }
    if let Some(error) = &report.not_noted {
        terminal::println(&format!(
            "the deletion could not be noted; restoring a backup will bring back what was deleted: {error}"
        ));
    }
    if !report.removed.is_empty() {
        terminal::println(&format!("removed {}", listed(&report.removed)));
    }
    for aside in &report.set_aside {
        terminal::println(&match &aside.sessions {
            Ok(sessions) => format!(
                "deleted {sessions} sessions from {}, which was set aside",
                aside.file.display()
            ),
            Err(error) => format!("a journal that was set aside was only searched: {error}"),
        });
    }
    let files: Vec<String> = report
        .searched
        .iter()
        .map(|(file, bytes)| format!("{} ({})", file.display(), size_words(*bytes)))
        .collect();
    terminal::println(&format!(
        "searched for the name and the beginnings of {} landmark timelines: {}",
        report.fingerprints,
        files.join(", ")
    ));
    if !report.named_by_others.is_empty() {
        terminal::println(&format!(
            "the name also stands in entries that are not this hitter's and stay: {}",
            joined(&report.named_by_others)
        ));
    }
}

fn joined(entries: &[impl std::fmt::Display]) -> String {
    let entries: Vec<String> = entries.iter().map(ToString::to_string).collect();
    entries.join(", ")
}

fn listed(files: &[PathBuf]) -> String {
    let files: Vec<String> = files
        .iter()
        .map(|file| file.display().to_string())
        .collect();
    files.join(", ")
}

fn places(remnants: &[Remnant]) -> String {
    let found = |remnant: &Remnant| {
        format!(
            "{} (the name {} times, {} timelines, {} texts on who consented)",
            remnant.file.display(),
            remnant.names,
            remnant.timelines,
            remnant.consents
        )
    };
    let files: Vec<String> = remnants.iter().map(found).collect();
    files.join(", ")
}
