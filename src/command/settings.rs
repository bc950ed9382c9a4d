//! `cagehand settings`: which file is in force, what each key means and has, and whether a file is right.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::settings_files::SettingsFiles;
use super::{Failure, terminal};
use crate::daemon::cue_library;
use crate::settings::{
    Applies, DEFAULT_FILE, Key, NO_BAND, Section, Settings, applies, changes, explain,
};

/// Arguments of `settings`.
#[derive(Debug, Args)]
pub(super) struct SettingsArgs {
    #[command(subcommand)]
    command: SettingsCommand,
}

#[derive(Debug, Subcommand)]
enum SettingsCommand {
    /// Print what each key means, its default, its value now, and whether a change needs a restart.
    #[command(
        after_help = "Examples:\n  cagehand settings explain               every key\n  cagehand settings explain \
                            cues          a section\n  cagehand settings explain cues.volume   one key; \"volume\" does too\n\n\
                            Meanings and defaults are those of the commented default file that is compiled in."
    )]
    Explain {
        /// A key, a section, or a part of a key's name; every key where left out.
        key: Option<String>,
    },
    /// Say whether a file is right, and what it changes; exit status 2 with line and reason if it is wrong.
    Check {
        /// The file; the one in force where left out.
        file: Option<PathBuf>,
    },
    /// Print which file is in force, and where one is looked for.
    Path,
}

impl SettingsArgs {
    pub(super) fn run(self, files: &SettingsFiles) -> Result<(), Failure> {
        match self.command {
            SettingsCommand::Explain { key } => print_keys(files, key.as_deref()),
            SettingsCommand::Check { file } => check(file.as_deref().or(files.in_force())),
            SettingsCommand::Path => {
                paths(files);
                Ok(())
            }
        }
    }
}

fn print_keys(files: &SettingsFiles, asked: Option<&str>) -> Result<(), Failure> {
    let settings = files.read()?;
    let mut sections = explain(&settings.text);
    if files.in_force().is_none() {
        // The defaults are in force: no line of a file says so.
        for key in sections.iter_mut().flat_map(|section| &mut section.keys) {
            key.line = None;
        }
    }
    let found = match asked {
        Some(asked) => found(&sections, asked)?,
        None => sections,
    };
    terminal::println(&format!("in force: {}", files.summary()));
    for section in &found {
        print_section(section);
    }
    Ok(())
}

/// The section or keys that were asked for.
fn found(sections: &[Section], asked: &str) -> Result<Vec<Section>, Failure> {
    let asked = asked.trim();
    if let Some(whole) = sections.iter().find(|section| section.name == asked) {
        return Ok(vec![whole.clone()]);
    }
    let kept = |wanted: &dyn Fn(&Key) -> bool| -> Vec<Section> {
        let some = sections.iter().map(|section| Section {
            keys: section
                .keys
                .iter()
                .filter(|key| wanted(key))
                .cloned()
                .collect(),
            ..section.clone()
        });
        some.filter(|section| !section.keys.is_empty()).collect()
    };
    let exact = |key: &Key| {
        key.name == asked
            || key
                .name
                .split_once('.')
                .is_some_and(|(_, last)| last == asked)
    };
    let exact = kept(&exact);
    if !exact.is_empty() {
        return Ok(exact);
    }
    let alike = kept(&|key: &Key| !asked.is_empty() && key.name.contains(asked));
    if !alike.is_empty() {
        return Ok(alike);
    }
    let names: Vec<&str> = sections
        .iter()
        .map(|section| section.name.as_str())
        .collect();
    Err(Failure::Request(format!(
        "there is no key {asked:?}; the sections are {}, and \"cagehand settings explain\" prints every key",
        names.join(", ")
    )))
}

fn print_section(section: &Section) {
    terminal::println(&format!("\n[{}]", section.name));
    for line in section.meaning.lines() {
        terminal::println(line);
    }
    let mut above = "";
    for key in &section.keys {
        terminal::println(&format!("\n  {}", key.name));
        if key.meaning != above {
            for line in key.meaning.lines() {
                terminal::println(&format!("    {line}"));
            }
        }
        above = &key.meaning;
        terminal::println(&format!("    default  {}", key.default));
        let from = match key.line {
            Some(line) => format!("  (line {line})"),
            None if key.now == NO_BAND && key.default != NO_BAND => {
                "  (the file's [bands] leave it out)".to_owned()
            }
            None => String::new(),
        };
        terminal::println(&format!("    now      {}{from}", key.now));
        if let Some(Applies::Restart(why)) = applies(&key.name) {
            terminal::println(&format!("    a change needs a restart: {why}"));
        }
    }
}

fn check(file: Option<&Path>) -> Result<(), Failure> {
    let Some(file) = file else {
        terminal::println("there is no settings file; the defaults are in force, and right");
        return Ok(());
    };
    let settings = Settings::read(file)?;
    // What is named must be there too: without it nothing would be heard.
    cue_library(&settings, None).map_err(|error| Failure::Request(error.to_string()))?;
    let default = Settings::parse(DEFAULT_FILE, "the built-in defaults".as_ref())?;
    let differ = changes(&default, &settings);
    let count = match differ.len() {
        0 => "every value is the default".to_owned(),
        1 => "1 value is not the default".to_owned(),
        more => format!("{more} values are not the defaults"),
    };
    terminal::println(&format!("{} is right; {count}", file.display()));
    for change in differ {
        terminal::println(&format!(
            "  {} = {}  (default {})",
            change.key, change.after, change.before
        ));
    }
    Ok(())
}

fn paths(files: &SettingsFiles) {
    terminal::println(&format!("in force: {}", files.summary()));
    terminal::println("looked for in this order:");
    if !files.is_explicit() {
        terminal::println("  --settings FILE  (not given)");
    }
    let mut found = false;
    for place in files.candidates() {
        let state = match (found, place.is_file()) {
            (false, true) => "in force",
            (true, true) => "there, but not used: the one above goes before",
            (_, false) => "not there",
        };
        found |= place.is_file();
        terminal::println(&format!("  {}  ({state})", place.display()));
    }
    if files.is_explicit() {
        terminal::println("  nowhere else: --settings goes before every other file");
    } else {
        terminal::println("  the built-in defaults");
    }
}
