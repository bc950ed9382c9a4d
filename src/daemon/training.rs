//! What a session is made of: its journal, its entry there, and how its hitter trains.

use std::path::Path;

use crate::coach::{Bands, Baselines, Coach, CueWords, Plan, Trainer};
use crate::journal::{
    HitterChoice, Journal, JournalWriter, NewHitter, NewPlan, NewSession, WriterOptions,
};
use crate::page::Messages;
use crate::rep::{HitterSetup, Lengths, MeasureName};
use crate::settings::Settings;
use crate::sound::Language;
use crate::wall_clock::now_to_the_millisecond;

use super::{DaemonError, Pitcher, Terminal};

/// How the hitter trains.
pub struct Training {
    /// Judges, cues and counts.
    pub trainer: Trainer,
    /// Throws, if the plan has a pitch.
    pub pitcher: Option<Pitcher>,
    /// Whether a tone follows the head.
    pub head_tone: bool,
    /// The plan's name, if there is one.
    pub plan: Option<String>,
    /// Which words the cues have.
    pub cue_words: CueWords,
    /// In which language the terminal is told of it.
    pub language: Language,
    /// In which units the terminal and the hitter are told of it.
    pub units: Lengths,
    /// Whether the session is opened in words.
    pub opening: bool,
    /// Whether the hitter hears when they are set, out of view, cut off or in the dark.
    pub remarks: bool,
}

impl Training {
    /// The words of the terminal.
    pub(crate) fn messages(&self) -> &'static Messages {
        Messages::of(self.language, self.units)
    }
}

/// Opens the journal and brings an old one up to date. Says so where it was damaged and a new one took its place.
///
/// # Errors
/// Where the journal cannot be opened.
pub(super) fn open_journal(path: &Path, terminal: &Terminal) -> Result<JournalWriter, DaemonError> {
    let journal = JournalWriter::start(path, WriterOptions::default())?;
    if let Some(aside) = journal.state().opened.and_then(|report| report.quarantined) {
        terminal.println(&format!(
            "{}: the journal was damaged ({}). It is now {}; a new journal is begun. To go back to a backup, stop \
             cagehand and use cagehand journal restore FILE",
            path.display(),
            aside.why,
            aside.path.display()
        ));
    }
    Ok(journal)
}

/// The hitter's entry in the journal; `None` for a hitter without a name.
pub(super) fn hitter_entry(settings: &Settings, finder: &HitterSetup) -> Option<NewHitter> {
    settings.hitter.name.clone().map(|name| NewHitter {
        name: Some(name),
        bats: finder.bats,
        height_cm: finder.height_cm,
    })
}

/// The journal's entry of a session that begins now.
pub(super) fn session_entry(
    settings: &Settings,
    source: &str,
    plan: Option<NewPlan>,
) -> NewSession {
    NewSession {
        hitter: None,
        started_at: now_to_the_millisecond(),
        source: source.to_owned(),
        settings: settings.in_force(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        plan,
        said_by: None,
    }
}

/// Sets up the training: the settings' coach, under the plan if there is one. `usual` is what is usual for the hitter, `seed` decides
/// the order of mixed pitches.
///
/// # Errors
/// Where the plan cannot be read or its pitch cannot be thrown.
pub(crate) fn prepare_training(
    settings: &Settings,
    usual: Baselines,
    plan: Option<&NewPlan>,
    seed: u64,
    terminal: &Terminal,
) -> Result<Training, DaemonError> {
    let plan = plan.map(|plan| Plan::parse(&plan.text)).transpose()?;
    let (bands, order) = bands_and_order(settings, plan.as_ref());
    let coach = Coach::new(bands, order.clone()).with_baselines(usual);
    let trainer = match &plan {
        Some(plan) => {
            let i18n = Messages::of(settings.cues.language, settings.cues.units);
            terminal.println(&i18n.fill(
                "line.plan",
                &[
                    &i18n.plan_name(&plan.name),
                    &i18n.schedule(plan.schedule.kind()),
                ],
            ));
            Trainer::under_plan(coach, plan)
        }
        None => Trainer::without_plan(coach, order),
    };
    Ok(Training {
        trainer,
        pitcher: plan
            .as_ref()
            .and_then(|plan| plan.pitch.as_ref())
            .and_then(|pitch| Pitcher::new(pitch, seed)),
        head_tone: plan.as_ref().is_some_and(|plan| plan.head_tone),
        plan: plan.as_ref().map(|plan| plan.name.clone()),
        cue_words: plan.as_ref().map(|plan| plan.words).unwrap_or_default(),
        language: settings.cues.language,
        units: settings.cues.units,
        opening: plan.is_some(),
        remarks: settings.cues.remarks,
    })
}

/// The bands, and what is cued, the most important first: the settings', with the plan's own before them.
pub(super) fn bands_and_order(
    settings: &Settings,
    plan: Option<&Plan>,
) -> (Bands, Vec<MeasureName>) {
    match plan {
        Some(plan) => (plan.bands_over(&settings.bands), plan.focus.clone()),
        None => (settings.bands.clone(), settings.cues.order.clone()),
    }
}

/// The baselines of the settings' hitter; empty ones for nobody named. To be called after [`open_journal`], which brings an old journal up
/// to date.
pub(super) fn usual_of_named(settings: &Settings, journal: Option<&Path>) -> Baselines {
    let name = settings.hitter.name.clone();
    let named = name.map(HitterChoice::Name).zip(journal);
    usual_of(named, settings.baseline_swings)
}

/// The baselines of a hitter in a journal; empty ones where it cannot be read.
pub(super) fn usual_of(hitter: Option<(HitterChoice, &Path)>, swings: usize) -> Baselines {
    hitter
        .and_then(|(hitter, journal)| {
            Journal::read_only(journal)
                .and_then(|reader| reader.baselines_of(&hitter, swings))
                .inspect_err(|error| {
                    tracing::warn!(%error, "what is usual for the hitter could not be read; it is learned anew");
                })
                .ok()
        })
        .unwrap_or_else(|| Baselines::new(swings))
}
