//! What is left of a deleted hitter: searched for in every file that can hold it, names of three letters too.
//!
//! In the journal itself each place at which the name's bytes stand must be explained by a row that stays, its landmarks included: a short
//! name stands in compressed numbers by chance. In other files a short name is looked for as a word of their texts.

use std::collections::HashSet;
use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::types::ValueRef;

use crate::journal::error::JournalError;
use crate::journal::files::byte_search::{count_fingerprints, count_in_file};
use crate::journal::files::names::find_name;
use crate::journal::store::columns::{Holds, Listed, all_columns};
use crate::journal::store::open::JournalReader;
use crate::private_file::with_suffix;

/// The beginning of a stored timeline: long enough that no two reps of one camera share it by chance. SQLite keeps the
/// beginning of a row in one piece.
pub(super) type Fingerprint = [u8; 48];

/// Shorter names stand in compressed landmarks by chance.
const DISTINCTIVE_NAME_BYTES: usize = 5;
/// A text file larger than this is searched for bytes only.
const MOST_TEXT_BYTES: u64 = 256 << 20;

/// What was found of a deleted hitter in one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Remnant {
    /// The file.
    pub(crate) file: PathBuf,
    /// How often the name stands in it.
    pub(crate) names: u64,
    /// How many beginnings of the hitter's landmark timelines stand in it.
    pub(crate) timelines: u64,
    /// How often texts stand in it on who decided what the hitter allows.
    pub(crate) consents: u64,
}

impl Remnant {
    fn is_something(&self) -> bool {
        self.names + self.timelines + self.consents > 0
    }
}

/// What is searched for, and where it was.
pub(super) struct Search<'a> {
    /// The hitter's name; empty where there is none.
    pub(super) name: &'a str,
    /// On who decided what they allow: texts that stand in no row that stays.
    pub(super) decided_by: &'a [String],
    pub(super) fingerprints: &'a HashSet<Fingerprint>,
    /// The files that were searched, and their bytes.
    pub(super) searched: Vec<(PathBuf, u64)>,
}

impl Search<'_> {
    /// In the open journal and its log: whatever no row explains.
    pub(super) fn in_journal(
        &mut self,
        reader: &JournalReader,
    ) -> Result<Vec<Remnant>, JournalError> {
        let mut explained = reader.occurrences(self.name)?;
        let mut found = Vec::new();
        for file in [reader.path.clone(), with_suffix(&reader.path, "-wal")] {
            let Some(remnant) = self.bytes_in(&file)? else {
                continue;
            };
            let names = remnant.names.saturating_sub(explained);
            // The rows stand in the file; their newest copy may stand in the log.
            explained = explained.saturating_sub(remnant.names - names);
            found.push(Remnant { names, ..remnant });
        }
        found.retain(Remnant::is_something);
        Ok(found)
    }

    /// In another journal, whole or damaged, with its logs.
    pub(super) fn in_set_aside(&mut self, file: &Path) -> Result<Option<Remnant>, JournalError> {
        let Some(mut remnant) = self.bytes_in(file)? else {
            return Ok(None);
        };
        if self.name.len() < DISTINCTIVE_NAME_BYTES {
            remnant.names = match JournalReader::open(file)
                .and_then(|reader| reader.entries_that_name(self.name))
            {
                Ok(entries) => entries.iter().map(|entry| u64::from(entry.rows)).sum(),
                // It cannot be read as a journal: whatever stands there as a word counts.
                Err(_) => words_in(file, self.name)?,
            };
        }
        Ok(remnant.is_something().then_some(remnant))
    }

    /// In a text, such as a settings file or a log.
    pub(super) fn in_text(&mut self, file: &Path) -> Result<Option<Remnant>, JournalError> {
        let Ok(found) = fs::metadata(file) else {
            return Ok(None);
        };
        if self.name.is_empty() || !found.is_file() {
            return Ok(None);
        }
        self.searched.push((file.to_path_buf(), found.len()));
        let names = words_in(file, self.name)?;
        Ok((names > 0).then(|| Remnant {
            file: file.to_path_buf(),
            names,
            timelines: 0,
            consents: 0,
        }))
    }

    /// The bytes as they stand in a file; `None` where there is none.
    fn bytes_in(&mut self, file: &Path) -> Result<Option<Remnant>, JournalError> {
        let failed = |error| JournalError::from_io(file, &error);
        let bytes = match fs::metadata(file) {
            Ok(found) => found.len(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(failed(error)),
        };
        let names = count_in_file(file, &[self.name.as_bytes()], u64::MAX).map_err(failed)?;
        let decided_by: Vec<&[u8]> = self.decided_by.iter().map(String::as_bytes).collect();
        let consents = match decided_by.is_empty() {
            true => Vec::new(),
            false => count_in_file(file, &decided_by, u64::MAX).map_err(failed)?,
        };
        // Every stored timeline begins with these two bytes.
        let timelines = count_fingerprints(file, *b"TL", self.fingerprints).map_err(failed)?;
        self.searched.push((file.to_path_buf(), bytes));
        Ok(Some(Remnant {
            file: file.to_path_buf(),
            names: names.into_iter().sum(),
            timelines,
            consents: consents.into_iter().sum(),
        }))
    }
}

fn words_in(file: &Path, name: &str) -> Result<u64, JournalError> {
    let failed = |error| JournalError::from_io(file, &error);
    if fs::metadata(file).map_err(failed)?.len() > MOST_TEXT_BYTES {
        let counts = count_in_file(file, &[name.as_bytes()], u64::MAX).map_err(failed)?;
        return Ok(counts.into_iter().sum());
    }
    let bytes = fs::read(file).map_err(failed)?;
    Ok(find_name(&String::from_utf8_lossy(&bytes), name).len() as u64)
}

/// Rows of others whose text holds a name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct NamingEntries {
    /// Table and column.
    pub(crate) place: String,
    /// How many.
    pub(crate) rows: u32,
}

impl fmt::Display for NamingEntries {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} in {}", self.rows, self.place)
    }
}

impl JournalReader {
    /// Where the name stands as a word in the text of entries.
    pub(super) fn entries_that_name(&self, name: &str) -> Result<Vec<NamingEntries>, JournalError> {
        let mut found = Vec::new();
        if name.is_empty() {
            return Ok(found);
        }
        let texts = all_columns()
            .into_iter()
            .filter(|listed| listed.holds == Holds::FreeText);
        for Listed { table, column, .. } in texts {
            let rows = self.query_file("search its texts", |c| {
                let sql = format!("SELECT {column} FROM {table} WHERE instr({column}, ?1) > 0");
                let mut select = c.prepare(&sql)?;
                let texts = select.query_map([name], |row| row.get::<_, String>(0))?;
                let mut rows = 0;
                for text in texts {
                    rows += u32::from(!find_name(&text?, name).is_empty());
                }
                Ok(rows)
            });
            match rows {
                Ok(0) => {}
                Ok(rows) => found.push(NamingEntries {
                    place: format!("{table}.{column}"),
                    rows,
                }),
                // A table or a column that an older journal lacks.
                Err(JournalError::Sqlite { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(found)
    }

    /// Those of these texts that no row holds and that stand nowhere by chance.
    pub(super) fn standing_nowhere(&self, texts: &[String]) -> Result<Vec<String>, JournalError> {
        let mut nowhere = Vec::new();
        for text in texts
            .iter()
            .filter(|text| text.len() >= DISTINCTIVE_NAME_BYTES)
        {
            if self.occurrences(text)? == 0 {
                nowhere.push(text.clone());
            }
        }
        Ok(nowhere)
    }

    /// How often the name's bytes stand in rows, whatever they are: in texts, in landmarks, and once more in the index of names.
    fn occurrences(&self, name: &str) -> Result<u64, JournalError> {
        let mut all = 0;
        if name.is_empty() {
            return Ok(all);
        }
        for listed in all_columns() {
            let Listed { table, column, .. } = listed;
            let index = 1 + u64::from((table, column) == ("hitters", "name"));
            all += index
                * self.query_file("search its rows", |c| {
                    let sql = format!("SELECT {column} FROM {table} WHERE {column} IS NOT NULL");
                    let mut select = c.prepare(&sql)?;
                    let mut rows = select.query([])?;
                    let mut count = 0;
                    while let Some(row) = rows.next()? {
                        // SQLite stores numbers with the highest byte first (SQLite, "Database File Format", 2.1).
                        count += match row.get_ref(0)? {
                            ValueRef::Null => 0,
                            ValueRef::Integer(number) => {
                                windows_equal(&number.to_be_bytes(), name.as_bytes())
                            }
                            ValueRef::Real(number) => {
                                windows_equal(&number.to_be_bytes(), name.as_bytes())
                            }
                            ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
                                windows_equal(bytes, name.as_bytes())
                            }
                        };
                    }
                    Ok(count)
                })?;
        }
        // The tables' own text, such as a column's name.
        all += self.query_file("search its tables", |c| {
            let mut select = c.prepare(
                "SELECT coalesce(sql, '') || ' ' || name || ' ' || tbl_name FROM sqlite_schema",
            )?;
            let texts = select.query_map([], |row| row.get::<_, String>(0))?;
            let mut count = 0;
            for text in texts {
                count += windows_equal(text?.as_bytes(), name.as_bytes());
            }
            Ok(count)
        })?;
        Ok(all)
    }
}

fn windows_equal(bytes: &[u8], name: &[u8]) -> u64 {
    bytes
        .windows(name.len())
        .filter(|part| *part == name)
        .count() as u64
}
