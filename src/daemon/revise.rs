//! Settings that change while the daemon runs, on their way from the file to the rep stage.
//!
//! The thread `settings` looks at the file each second, and at once on the signal HUP. Whatever can fail (reading, checking,
//! decoding other recordings) happens there; what reaches the rep stage through [`Revisions`] only has to be put in its
//! place, between two frames. The thread tells the terminal and the log what became of an edit; it never ends the daemon.

use std::fmt::Write as _;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::coach::Bands;
use crate::rep::{FinderSettings, MeasureName};
use crate::settings::{Applies, KeyChange, Reload, Settings, SettingsWatch, changes};
use crate::sound::CueLibrary;
use crate::video::VideoSettings;

use super::rep_stage::SessionChange;
use crate::thread::spawn;

/// How often the file is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How soon again when it may still be being written.
const SETTLE: Duration = Duration::from_millis(200);
/// How often the thread asks whether it is to end or to look at once.
const TICK: Duration = Duration::from_millis(50);
/// The key whose values are people's names.
const NAME: &str = "hitter.name";
/// Values longer than this are not printed, characters.
const LONG: usize = 60;

/// Everything that can be revised, as it is to be from the next frame on.
#[derive(Clone, Debug)]
pub struct Revision {
    /// The bands; under a plan with the plan's own before them.
    pub bands: Bands,
    /// What is cued, the most important first.
    pub order: Vec<MeasureName>,
    /// How many swings fix what is usual.
    pub baseline_swings: usize,
    /// What is told of hitter and camera.
    pub finder: FinderSettings,
    /// Whether the hitter is told when they are set, out of view, cut off or in the dark.
    pub remarks: bool,
    /// 0 to 1.
    pub volume: f32,
    /// Other sounds, decoded; `None` leaves those there are.
    pub library: Option<Arc<CueLibrary>>,
    /// Whether films are kept, and how much.
    pub video: VideoSettings,
}

/// Where a revision waits for the next frame, and what became of edits, for whoever shows the daemon's health.
#[derive(Default)]
pub struct Revisions {
    /// Set where one waits, so that a frame costs one load.
    ready: AtomicBool,
    /// Set where a session waits.
    session_ready: AtomicBool,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    waiting: Option<Revision>,
    session: Option<SessionChange>,
    trouble: Option<String>,
    restart: Vec<String>,
    taken: u64,
    refused: u64,
}

impl Revisions {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets this revision take the place of one that still waits.
    pub fn put(&self, mut revision: Revision) {
        let mut state = self.state();
        if let Some(older) = state.waiting.take() {
            revision.library = revision.library.or(older.library);
        }
        state.waiting = Some(revision);
        self.ready.store(true, Ordering::Release);
    }

    /// The revision that waits, once.
    pub fn take(&self) -> Option<Revision> {
        if !self.ready.load(Ordering::Acquire) {
            return None;
        }
        let mut state = self.state();
        self.ready.store(false, Ordering::Release);
        state.waiting.take()
    }

    /// Lets this session take the place of one that still waits to begin.
    pub fn put_session(&self, mut change: SessionChange) {
        let mut state = self.state();
        // Another journal that the older one was to go into is still wanted.
        let older = state.session.take();
        change.journal = change.journal.or(older.and_then(|older| older.journal));
        state.session = Some(change);
        drop(state);
        self.session_ready.store(true, Ordering::Release);
    }

    /// The session that waits, once.
    pub fn take_session(&self) -> Option<SessionChange> {
        if !self.session_ready.load(Ordering::Acquire) {
            return None;
        }
        let mut state = self.state();
        self.session_ready.store(false, Ordering::Release);
        state.session.take()
    }

    /// What is wrong with the settings file, until it is right again.
    pub fn trouble(&self) -> Option<String> {
        self.state().trouble.clone()
    }

    /// The keys of the file that differ from those the daemon was started with and wait for a restart.
    pub fn waits_for_restart(&self) -> Vec<String> {
        self.state().restart.clone()
    }

    /// How many edits were taken, and how many were not because something was wrong.
    pub fn edits(&self) -> (u64, u64) {
        let state = self.state();
        (state.taken, state.refused)
    }
}

/// The thread `settings`. It ends when this is dropped.
#[derive(Debug)]
pub(crate) struct SettingsFollower {
    end: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for SettingsFollower {
    fn drop(&mut self) {
        self.end.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the settings thread had panicked; edits after that were not taken up");
        }
    }
}

/// Starts the thread `settings`. `prepare` makes a revision of right settings, which is all that may still fail, and may
/// mark changes as unused; `show` is the terminal; `look_now` is raised to have the file judged again, changed or not.
///
/// # Errors
/// Where the system gives no thread.
pub(crate) fn follow_settings(
    mut watch: SettingsWatch,
    revisions: Arc<Revisions>,
    mut prepare: impl FnMut(&Settings, &mut [KeyChange]) -> Result<Revision, String> + Send + 'static,
    mut show: impl FnMut(&str) + Send + 'static,
    look_now: Arc<AtomicBool>,
) -> io::Result<SettingsFollower> {
    let end = Arc::new(AtomicBool::new(false));
    let ended = Arc::clone(&end);
    let thread = spawn("settings", move || {
        let started_with = watch.settings().clone();
        let mut next = Instant::now() + LOOK_EVERY;
        while !ended.load(Ordering::Acquire) {
            std::thread::sleep(TICK);
            let asked = look_now.swap(false, Ordering::Relaxed);
            if asked {
                watch.recheck();
            }
            if !asked && Instant::now() < next {
                continue;
            }
            next = Instant::now() + LOOK_EVERY;
            // A fault of ours while a file is read costs that reading, not those to come.
            let Ok(looked) = catch_unwind(AssertUnwindSafe(|| watch.poll())) else {
                refuse(
                    &revisions,
                    "reading them met a fault of cagehand",
                    &mut show,
                );
                continue;
            };
            match looked {
                Reload::Unchanged => {}
                Reload::Unsettled => next = Instant::now() + SETTLE,
                Reload::Invalid(error) => refuse(&revisions, &error.to_string(), &mut show),
                Reload::Valid {
                    settings,
                    mut changes,
                } => match prepare(&settings, &mut changes) {
                    Ok(revision) => {
                        take(
                            &revisions,
                            &started_with,
                            &settings,
                            revision,
                            &changes,
                            &mut show,
                        );
                        watch.accept(*settings);
                    }
                    Err(why) => refuse(&revisions, &why, &mut show),
                },
            }
        }
    })?;
    Ok(SettingsFollower {
        end,
        thread: Some(thread),
    })
}

fn refuse(revisions: &Revisions, why: &str, show: &mut impl FnMut(&str)) {
    tracing::warn!("{why}; the settings before stay in force");
    show(&format!(
        "settings: {why}. The settings before stay in force"
    ));
    let mut state = revisions.state();
    state.trouble = Some(why.to_owned());
    state.refused += 1;
}

fn take(
    revisions: &Revisions,
    started_with: &Settings,
    settings: &Settings,
    revision: Revision,
    told: &[KeyChange],
    show: &mut impl FnMut(&str),
) {
    let line = line(told);
    tracing::info!("settings: {line}");
    show(&format!("settings: {line}"));
    revisions.put(revision);
    let mut state = revisions.state();
    state.trouble = None;
    state.taken += u64::from(!told.is_empty());
    state.restart = changes(started_with, settings)
        .into_iter()
        .filter(|change| matches!(change.applies, Applies::Restart(_)))
        .map(|change| change.key)
        .collect();
}

/// What changes, in one line: first what does at once, then what does not and why.
fn line(changes: &[KeyChange]) -> String {
    if changes.is_empty() {
        return "read again and right; nothing changes".to_owned();
    }
    let mut parts: Vec<(Applies, Vec<String>)> = Vec::new();
    let mut sorted: Vec<&KeyChange> = changes.iter().collect();
    sorted.sort_by_key(|change| match change.applies {
        Applies::Live => 0,
        Applies::Restart(_) => 1,
        Applies::Unused(_) => 2,
    });
    for change in sorted {
        let short = change.before.len().max(change.after.len()) <= LONG;
        // The line goes into the log too, which no name does: a hitter who is deleted must not stay there.
        let words = match short && change.key != NAME {
            true => format!("{} = {} (was {})", change.key, change.after, change.before),
            false => format!("{} changed", change.key),
        };
        match parts.last_mut() {
            Some((applies, same)) if *applies == change.applies => same.push(words),
            _ => parts.push((change.applies, vec![words])),
        }
    }
    let mut line = String::new();
    for (applies, words) in parts {
        if !line.is_empty() {
            line.push_str("; ");
        }
        let words = words.join(", ");
        let _ = match applies {
            Applies::Live => write!(line, "{words}"),
            Applies::Restart(why) => write!(line, "needs a restart ({why}): {words}"),
            Applies::Unused(why) => write!(line, "not used now ({why}): {words}"),
        };
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crossbeam_channel::bounded;
    use std::fs;
    use std::path::Path;

    fn change(key: &str, before: &str, after: &str, applies: Applies) -> KeyChange {
        KeyChange {
            key: key.into(),
            before: before.into(),
            after: after.into(),
            applies,
        }
    }

    fn revision(settings: &Settings) -> Revision {
        Revision {
            bands: settings.bands.clone(),
            order: settings.cues.order.clone(),
            baseline_swings: settings.baseline_swings,
            finder: FinderSettings::default(),
            remarks: settings.cues.remarks,
            volume: settings.cues.volume,
            library: None,
            video: settings.video,
        }
    }

    #[test]
    fn one_line_says_what_changes_at_once_and_what_does_not() {
        let opened = Applies::Restart("the camera is open");
        let long = "x".repeat(LONG + 1);
        assert_eq!(
            line(&[
                change("camera.fps", "60", "30", opened),
                change("cues.volume", "0.8", "0.5", Applies::Live),
                change("camera.width", "1280", "640", opened),
                change("cues.order", &long, "[]", Applies::Live),
                change("hitter.name", "\"Mia\"", "\"\"", opened),
                change(
                    "hitter.bats",
                    "\"auto\"",
                    "\"left\"",
                    Applies::Unused("a recording stands in")
                ),
            ]),
            "cues.volume = 0.5 (was 0.8), cues.order changed; needs a restart (the camera is open): camera.fps = 30 (was 60), \
             camera.width = 640 (was 1280), hitter.name changed; not used now (a recording stands in): hitter.bats = \"left\" (was \"auto\")"
        );
    }

    #[test]
    fn a_revision_is_taken_once_and_a_newer_one_goes_before() {
        let revisions = Revisions::default();
        assert!(revisions.take().is_none());
        let settings = |text: &str| Settings::parse(text, Path::new("s")).unwrap();
        let with_sounds = Revision {
            library: Some(Arc::new(CueLibrary::load(None).unwrap())),
            ..revision(&settings("[cues]\nvolume = 0.1"))
        };
        revisions.put(with_sounds);
        revisions.put(revision(&settings("[cues]\nvolume = 0.2")));
        let taken = revisions.take().unwrap();
        assert!((taken.volume - 0.2).abs() < 1e-6);
        assert!(
            taken.library.is_some(),
            "sounds that nobody took up yet stay"
        );
        assert!(revisions.take().is_none());
    }

    #[test]
    fn the_thread_tells_of_edits_and_keeps_what_is_wrong_until_it_is_right() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s.toml");
        let first = "[cues]\nvolume = 0.5\n";
        fs::write(&path, first).unwrap();
        let settings = Settings::read(&path).unwrap();
        let watch = SettingsWatch::new(vec![path.clone()], Some(&path), settings);
        let (shown, lines) = bounded(16);
        let revisions = Arc::new(Revisions::default());
        let look_now = Arc::new(AtomicBool::new(false));
        let follower = follow_settings(
            watch,
            Arc::clone(&revisions),
            |settings, _| match settings.cues.phrases {
                Some(_) => Err("no such recordings".to_owned()),
                None => Ok(revision(settings)),
            },
            move |line| shown.send(line.to_owned()).unwrap(),
            Arc::clone(&look_now),
        )
        .unwrap();
        let next = || lines.recv_timeout(Duration::from_secs(10)).unwrap();

        fs::write(&path, "[cues]\nvolume = 5\n").unwrap();
        assert!(next().contains("line 2: volume is 5"));
        // What is kept is written right after what is shown.
        let settle = || std::thread::sleep(Duration::from_millis(100));
        settle();
        assert!(revisions.trouble().unwrap().contains("volume is 5"));
        assert!(revisions.take().is_none());

        fs::write(&path, "[cues]\nvolume = 0.5\nphrases = \"mine\"\n").unwrap();
        assert!(next().contains("no such recordings"));

        fs::write(&path, "[cues]\nvolume = 0.25\n[camera]\nfps = 30\n").unwrap();
        let line = next();
        assert!(
            line.starts_with("settings: cues.volume = 0.25 (was 0.5); needs a restart (the camera"),
            "{line}"
        );
        settle();
        assert!((revisions.take().unwrap().volume - 0.25).abs() < 1e-6);
        assert_eq!((revisions.trouble(), revisions.edits()), (None, (1, 2)));
        assert_eq!(revisions.waits_for_restart(), ["camera.fps"]);

        look_now.store(true, Ordering::Relaxed);
        assert!(next().contains("nothing changes"));
        drop(follower);
        assert!(lines.try_recv().is_err(), "nothing else was told");
    }
}
