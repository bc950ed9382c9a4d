//! What `watch` and `replay` set up alike: the ears, the journal's session, the coach and the plan.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::{Failure, plan, show};
use crate::capture::PlaybackRate;
use crate::coach::{Baselines, Coach, Plan, Trainer};
use crate::daemon::{Ears, Pitcher, Training};
use crate::journal::{
    HitterChoice, Journal, JournalWriter, NewHitter, NewPlan, NewSession, WriterOptions,
    now_to_the_millisecond,
};
use crate::rep::FinderSettings;
use crate::settings::Settings;
use crate::sound::{CueLibrary, SoundError, WavRender};

/// Where cues go, as asked for.
pub(super) enum Sound {
    None,
    Device,
    File(PathBuf),
}

/// The sounds in the language of the settings, with the coach's own recordings where there are some.
///
/// # Errors
/// Where a recording cannot be used.
pub(super) fn library(settings: &Settings) -> Result<CueLibrary, SoundError> {
    CueLibrary::load_in(settings.cues.language, settings.cues.phrases.as_deref())
}

/// Opens what cues go to.
pub(super) fn ears(
    sound: &Sound,
    settings: &Settings,
    pace: PlaybackRate,
) -> Result<Ears, Failure> {
    let library = || library(settings).map(Arc::new);
    let volume = settings.cues.volume;
    Ok(match (sound, pace) {
        (Sound::None, _) => Ears::None,
        (Sound::Device, _) => Ears::device(library()?, volume)?,
        (Sound::File(path), PlaybackRate::Timed(_)) => Ears::wav_file(path, library()?, volume)?,
        (Sound::File(path), PlaybackRate::Fast) => {
            Ears::render(WavRender::create(path, library()?)?.with_volume(volume))
        }
    })
}

/// Opens the journal, brings an old one up to date, and says where it was damaged and had to give way to a new one.
pub(super) fn open_journal(path: &Path) -> Result<JournalWriter, Failure> {
    let journal = JournalWriter::start(path, WriterOptions::default())?;
    if let Some(aside) = journal.state().opened.and_then(|report| report.set_aside) {
        show::line(&format!(
            "{}: the journal was damaged ({}). It is now {}; a new journal is begun. To go back to a backup, stop \
             cagehand and use cagehand journal restore FILE",
            path.display(),
            aside.why,
            aside.path.display()
        ));
    }
    Ok(journal)
}

/// The hitter as the journal notes them; nobody without a name.
pub(super) fn noted_hitter(settings: &Settings, finder: &FinderSettings) -> Option<NewHitter> {
    settings.hitter.name.clone().map(|name| NewHitter {
        name: Some(name),
        bats: finder.bats,
        height_cm: finder.height_cm,
    })
}

/// A session that begins now.
pub(super) fn noted_session(
    settings: &Settings,
    source: &str,
    plan: Option<NewPlan>,
) -> NewSession {
    NewSession {
        hitter: None,
        started_at: now_to_the_millisecond(),
        source: source.to_owned(),
        settings: settings.text.clone(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        plan,
    }
}

/// The plan to go by: the one that was named, or none where "none" was named; `None` where nobody named one.
///
/// # Errors
/// Where the named plan is not one.
pub(super) fn named_plan(told: Option<&str>) -> Result<Option<Option<NewPlan>>, Failure> {
    match told {
        None => Ok(None),
        Some("none") => Ok(Some(None)),
        Some(name) => plan::taken(name).map(|plan| Some(Some(plan))),
    }
}

/// The plan in force for the settings' hitter. A journal that cannot be read, or a plan that a newer cagehand wrote, is
/// no reason not to start. To be called after [`open_journal`].
pub(super) fn plan_in_force(path: &Path, settings: &Settings) -> Option<NewPlan> {
    let found = plan::in_force(path, settings.hitter.name.as_deref())
        .inspect_err(|error| tracing::warn!(%error, "the plan in force could not be read"))
        .ok()
        .flatten()?;
    Some(NewPlan {
        name: found.name,
        text: found.text,
    })
}

/// How the hitter trains: the settings' coach, under the plan if there is one. To be called after [`open_journal`],
/// which brings an old journal up to date.
///
/// # Errors
/// Where the plan cannot be read or its pitch cannot be thrown.
pub(super) fn training(
    settings: &Settings,
    journal: Option<&Path>,
    plan: Option<&NewPlan>,
    seed: u64,
    count_asked: Arc<AtomicBool>,
) -> Result<Training, Failure> {
    let plan = plan
        .map(|plan| Plan::parse(&plan.text))
        .transpose()
        .map_err(|error| Failure::Request(error.to_string()))?;
    let (bands, order) = match &plan {
        Some(plan) => (plan.bands_over(&settings.bands), plan.focus.clone()),
        None => (settings.bands.clone(), settings.cues.order.clone()),
    };
    let coach = Coach::new(bands, order.clone()).with_baselines(baselines(settings, journal));
    let trainer = match &plan {
        Some(plan) => {
            show::line(&format!(
                "plan: {}, cues {}",
                plan.name,
                plan.schedule.kind()
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
        opening: plan.is_some(),
        remarks: settings.cues.remarks,
        count_asked,
    })
}

/// What is usual for a hitter with a name.
fn baselines(settings: &Settings, journal: Option<&Path>) -> Baselines {
    let swings = settings.baseline_swings;
    settings
        .hitter
        .name
        .clone()
        .zip(journal)
        .and_then(|(name, path)| {
            Journal::read_only(path)
                .and_then(|reader| reader.baselines_of(&HitterChoice::Name(name), swings))
                .inspect_err(|error| {
                    tracing::warn!(%error, "what is usual for the hitter could not be read; it is learned anew");
                })
                .ok()
        })
        .unwrap_or_else(|| Baselines::new(swings))
}
