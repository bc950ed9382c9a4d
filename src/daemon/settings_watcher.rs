//! Settings that are edited while the daemon runs.
//!
//! In: the settings file, checked each second, and at once on the signal HUP. Out: a [`SettingsUpdate`] for the rep stage, and
//! a line for the terminal and the log about each edit. Whatever can fail (reading, checking, decoding other recordings)
//! happens here, on the thread `settings`; it never ends the daemon.

use std::fmt::Write as _;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::settings::{Applies, KeyChange, Reload, Settings, SettingsWatch, changes};
use crate::thread::spawn;

use super::Terminal;
use super::pending_changes::{PendingChanges, SettingsUpdate};

/// How often the file is checked.
const CHECK_EVERY: Duration = Duration::from_secs(1);
/// How soon again when it may still be being written.
const SETTLE: Duration = Duration::from_millis(200);
/// How often the thread checks whether it is to end or to read the file at once.
const TICK: Duration = Duration::from_millis(50);
/// The key whose values are people's names.
const NAME: &str = "hitter.name";
/// Values longer than this are not printed, characters.
const LONG: usize = 60;

/// Puts edited settings in force, or says why they cannot be; may mark changes as unused in this run.
pub(super) type ApplySettings =
    Box<dyn FnMut(&Settings, &mut [KeyChange]) -> Result<SettingsUpdate, String> + Send>;

/// The thread `settings`. It ends when this is dropped.
#[derive(Debug)]
pub(super) struct SettingsWatcher {
    end: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for SettingsWatcher {
    fn drop(&mut self) {
        self.end.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the settings thread had panicked; later edits were ignored");
        }
    }
}

impl SettingsWatcher {
    /// Starts the thread. Raising `read_now` has the file read again, changed or not; `each_second` is called beside the checks.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(super) fn start(
        watch: SettingsWatch,
        changes: Arc<PendingChanges>,
        apply: ApplySettings,
        terminal: Terminal,
        read_now: Arc<AtomicBool>,
        each_second: impl Fn() + Send + 'static,
    ) -> io::Result<Self> {
        let end = Arc::new(AtomicBool::new(false));
        let ended = Arc::clone(&end);
        let mut work = Work {
            started_with: watch.settings().clone(),
            watch,
            changes,
            apply,
            terminal,
        };
        let thread = spawn("settings", move || {
            let mut next = Instant::now() + CHECK_EVERY;
            while !ended.load(Ordering::Acquire) {
                std::thread::sleep(TICK);
                let asked = read_now.swap(false, Ordering::Relaxed);
                if asked {
                    work.watch.recheck();
                }
                if asked || Instant::now() >= next {
                    next = Instant::now() + work.check();
                    if catch_unwind(AssertUnwindSafe(&each_second)).is_err() {
                        tracing::error!("a fault of cagehand beside the settings");
                    }
                }
            }
        })?;
        Ok(Self {
            end,
            thread: Some(thread),
        })
    }
}

struct Work {
    watch: SettingsWatch,
    started_with: Settings,
    changes: Arc<PendingChanges>,
    apply: ApplySettings,
    terminal: Terminal,
}

impl Work {
    /// Checks the file; gives how long to wait for the next check.
    fn check(&mut self) -> Duration {
        // A fault of ours while a file is read costs that reading, not those to come.
        let Ok(looked) = catch_unwind(AssertUnwindSafe(|| self.watch.poll())) else {
            self.refuse("reading them met a fault of cagehand");
            return CHECK_EVERY;
        };
        match looked {
            Reload::Unchanged => {}
            Reload::Unsettled => return SETTLE,
            Reload::Invalid(error) => self.refuse(&error.to_string()),
            Reload::Valid { settings, changes } => {
                if let Err(why) = self.put_in_force(*settings, changes) {
                    self.refuse(&why);
                }
            }
        }
        CHECK_EVERY
    }

    fn put_in_force(
        &mut self,
        settings: Settings,
        mut changes: Vec<KeyChange>,
    ) -> Result<(), String> {
        let applied = catch_unwind(AssertUnwindSafe(|| (self.apply)(&settings, &mut changes)))
            .unwrap_or_else(|_| Err("using them met a fault of cagehand".to_owned()))?;
        self.accept(&settings, applied, &changes);
        self.watch.accept(settings);
        Ok(())
    }

    fn refuse(&mut self, why: &str) {
        // Whoever turns pictures off means it, whatever else is wrong in the file.
        if let Some((settings, changes)) = self.watch.with_pictures_off()
            && let Err(error) = self.put_in_force(settings, changes)
        {
            tracing::error!("pictures could not be turned off: {error}");
        }
        self.changes.set_refused(why);
        tracing::warn!("{why}; the settings before stay in force");
        self.terminal.println(&format!(
            "settings: {why}. The settings before stay in force"
        ));
    }

    fn accept(&self, settings: &Settings, update: SettingsUpdate, edited: &[KeyChange]) {
        self.changes.put_update(update);
        let needs_restart = changes(&self.started_with, settings)
            .into_iter()
            .filter(|change| matches!(change.applies, Applies::Restart(_)))
            .map(|change| change.key)
            .collect();
        self.changes.set_accepted(needs_restart);
        let line = edit_summary(edited);
        tracing::info!("settings: {line}");
        self.terminal.println(&format!("settings: {line}"));
    }
}

/// What an edit changes, in one line: first what takes effect at once, then what does not and why.
fn edit_summary(changes: &[KeyChange]) -> String {
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

    fn change(key: &str, before: &str, after: &str, applies: Applies) -> KeyChange {
        KeyChange {
            key: key.into(),
            before: before.into(),
            after: after.into(),
            applies,
        }
    }

    #[test]
    fn one_line_says_what_changes_at_once_and_what_does_not() {
        let opened = Applies::Restart("the camera is open");
        let long = "x".repeat(LONG + 1);
        assert_eq!(
            edit_summary(&[
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
    fn each_edit_is_reported_and_an_error_is_kept_until_the_file_is_right() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s.toml");
        let first = "[cues]\nvolume = 0.5\n";
        fs::write(&path, first).unwrap();
        let settings = Settings::read(&path).unwrap();
        let watch = SettingsWatch::new(vec![path.clone()], Some(&path), settings);
        let (shown, lines) = bounded(16);
        let changes = Arc::new(PendingChanges::default());
        let read_now = Arc::new(AtomicBool::new(false));
        let watcher = SettingsWatcher::start(
            watch,
            Arc::clone(&changes),
            Box::new(|settings, _| match settings.cues.phrases {
                Some(_) => Err("no such recordings".to_owned()),
                None if settings.cues.volume == 0.75 => panic!("a fault on purpose"),
                None => Ok(SettingsUpdate::for_tests(settings)),
            }),
            Terminal::new(move |line| shown.send(line.to_owned()).unwrap()),
            Arc::clone(&read_now),
            || {},
        )
        .unwrap();
        let next = || lines.recv_timeout(Duration::from_secs(10)).unwrap();

        fs::write(&path, "[cues]\nvolume = 5\n").unwrap();
        assert!(next().contains("line 2: volume is 5"));
        assert!(changes.refused().unwrap().contains("volume is 5"));
        assert!(changes.take_update().is_none());

        fs::write(&path, "[cues]\nvolume = 0.5\nphrases = \"mine\"\n").unwrap();
        assert!(next().contains("no such recordings"));

        // A fault of ours is told like a wrong value, and the thread goes on.
        fs::write(&path, "[cues]\nvolume = 0.75\n").unwrap();
        assert!(next().contains("a fault of cagehand"));

        fs::write(&path, "[cues]\nvolume = 0.25\n[camera]\nfps = 30\n").unwrap();
        let line = next();
        assert!(
            line.starts_with("settings: cues.volume = 0.25 (was 0.5); needs a restart (the camera"),
            "{line}"
        );
        assert!((changes.take_update().unwrap().volume - 0.25).abs() < 1e-6);
        assert_eq!(changes.refused(), None);
        assert_eq!(changes.needs_restart(), ["camera.fps"]);

        read_now.store(true, Ordering::Relaxed);
        assert!(next().contains("nothing changes"));

        fs::write(&path, "[video]\nkeep = true\n[cues]\nvolume = 0.25\n").unwrap();
        assert!(next().contains("video.keep = true"));
        assert!(changes.take_update().unwrap().video.keep);
        fs::write(&path, "[video]\nkeep = false\n[cues]\nvolume = 25\n").unwrap();
        assert!(next().contains("video.keep = false (was true)"));
        assert!(next().contains("volume is 25"));
        assert!(!changes.take_update().unwrap().video.keep);
        assert!(
            changes.refused().is_some(),
            "the rest is refused all the same"
        );
        drop(watcher);
        assert!(lines.try_recv().is_err(), "nothing else was told");
    }
}
