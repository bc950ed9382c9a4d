//! `cagehand export`: reps out of the journal, for other programs.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use jiff::Timestamp;

use super::{Failure, enter_audit, journal_path};
use crate::audit::Act;
use crate::journal::{
    ExportFormat, HitterChoice, Journal, JournalError, RepFilter, RepId, RowOf, SessionId,
};
use crate::output_file::{self, Existing};
use crate::settings::Settings;

/// Arguments of `export`.
#[derive(Debug, Args)]
pub(super) struct Export {
    /// How reps are written.
    #[arg(long, default_value = "jsonl")]
    format: Format,
    /// Write here; "-" is standard output.
    #[arg(long, value_name = "FILE", default_value = "-")]
    out: PathBuf,
    /// Only this hitter's reps, by name.
    #[arg(long, value_name = "NAME")]
    hitter: Option<String>,
    /// Only this session's reps, by its number.
    #[arg(long, value_name = "N")]
    session: Option<i64>,
    /// Only reps logged at this time or later, such as 2026-05-01T00:00:00Z.
    #[arg(long, value_name = "TIME")]
    since: Option<Timestamp>,
    /// Only reps logged before this time.
    #[arg(long, value_name = "TIME")]
    until: Option<Timestamp>,
    /// Write one rep's poses as a pose track instead; N is the number of the rep in its --session.
    #[arg(long, value_name = "N", requires = "session", conflicts_with = "c3d")]
    timeline: Option<u32>,
    /// Write one rep's poses as C3D instead, for programs of motion laboratories.
    #[arg(long, value_name = "N", requires = "session")]
    c3d: Option<u32>,
    /// Read this journal.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Format {
    Jsonl,
    Csv,
}

impl Export {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let path = journal_path(self.journal.as_deref(), settings)?;
        let journal = Journal::read_only(&path)?;
        let session = self.session.map(SessionId::new);
        let hitter = match (&self.hitter, session) {
            (Some(name), _) => journal
                .hitter(&HitterChoice::Name(name.clone()))
                .ok()
                .map(|hitter| hitter.id),
            (None, Some(session)) => journal.whose(RowOf::Session, session.get())?.1,
            (None, None) => None,
        };
        let what = match (self.timeline.or(self.c3d), self.format) {
            (Some(_), _) => "timeline",
            (None, Format::Jsonl) => "JSON Lines",
            (None, Format::Csv) => "CSV",
        };
        let mut out: Box<dyn Write> = if self.out.as_os_str() == "-" {
            Box::new(io::stdout().lock())
        } else {
            let file = output_file::open(&self.out, Existing::Refuse).map_err(|e| {
                Failure::Request(format!("{}: cannot be written: {e}", self.out.display()))
            })?;
            Box::new(file)
        };
        let done = match (self.timeline.or(self.c3d), session) {
            (Some(number), Some(session)) => {
                let rep: RepId = journal
                    .rep_numbered(session, number)?
                    .ok_or_else(|| {
                        Failure::Request(format!("session {session} has no rep {number}"))
                    })?
                    .id;
                match self.c3d {
                    Some(_) => journal.export_c3d(rep, &mut out),
                    None => journal.export_timeline(rep, &mut out),
                }
            }
            _ => {
                let filter = RepFilter {
                    hitter: self.hitter.map(HitterChoice::Name),
                    session,
                    since: self.since,
                    until: self.until,
                };
                let format = match self.format {
                    Format::Jsonl => ExportFormat::JsonLines,
                    Format::Csv => ExportFormat::Csv,
                };
                journal.export_reps(&filter, format, &mut out).map(drop)
            }
        };
        // What has begun is out, whatever became of the rest.
        if !matches!(
            &done,
            Err(JournalError::NoSuchHitter { .. } | JournalError::NoSuchSession { .. })
        ) {
            enter_audit(&path, Act::Exported, hitter, what);
        }
        match done {
            // The reader of a pipe may have seen enough.
            Err(JournalError::Output(e)) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            Err(
                error @ (JournalError::NoSuchHitter { .. } | JournalError::NoSuchSession { .. }),
            ) => Err(Failure::Request(error.to_string())),
            other => Ok(other?),
        }
    }
}
