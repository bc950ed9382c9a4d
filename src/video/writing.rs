//! The thread `video-files`: writes films and enforces the limits on what is kept.
//!
//! In: films, one by one. Out: files. Limits are enforced at the start, after each film, when they change, and each hour. A film that
//! cannot be written is dropped with a warning; the rep itself is in the journal all the same.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, never, select};

use super::cutting::Footage;
use super::films::Shared;
use super::store::FilmStore;

/// How often limits are enforced when no film comes.
const EVERY: Duration = Duration::from_secs(3600);
/// Free bytes that films leave to the journal and to the machine.
pub(super) const LEAVE_FREE: u64 = 500_000_000;

/// The thread's state.
pub(super) struct Writer {
    pub(crate) store: FilmStore,
    pub(crate) shared: Arc<Shared>,
    pub(crate) films: Receiver<Footage>,
    pub(crate) woken: Receiver<()>,
    pub(crate) free: fn(&Path) -> io::Result<u64>,
}

impl Writer {
    /// Runs until no more films will come.
    pub(super) fn run(self) {
        if let Err(error) = self.store.remove_unfinished() {
            tracing::warn!(%error, "an unfinished film could not be deleted");
        }
        self.hold_to_limits();
        let mut due = Instant::now() + EVERY;
        let mut woken = self.woken.clone();
        loop {
            select! {
                recv(self.films) -> film => match film {
                    Ok(film) => self.write(&film),
                    Err(_) => return,
                },
                recv(woken) -> sign => if sign.is_err() {
                    woken = never();
                    continue;
                },
                default(due.saturating_duration_since(Instant::now())) => {}
            }
            self.hold_to_limits();
            due = Instant::now() + EVERY;
        }
    }

    fn write(&self, film: &Footage) {
        if !self.shared.keeps() || film.withdrawals != self.shared.withdrawals() {
            return;
        }
        let written = self
            .store
            .write(&film.id, &film.frames, LEAVE_FREE, self.free);
        match written {
            // Taken back meanwhile: whoever deletes films may have looked before this one was there.
            Ok(_) if film.withdrawals != self.shared.withdrawals() => {
                let path = self.store.path(film.id.session, film.id.rep);
                if let Err(error) = std::fs::remove_file(&path)
                    && error.kind() != io::ErrorKind::NotFound
                {
                    tracing::error!(path = %path.display(), %error, "a film that was taken back is left");
                }
            }
            Ok(bytes) => {
                tracing::debug!(rep = film.id.rep, frames = film.frames.len(), bytes, "film");
                let mut state = self.shared.state();
                state.written += 1;
                state.trouble = None;
            }
            Err(error) => self.shared.give_up(film.id.rep, &error.to_string()),
        }
    }

    fn hold_to_limits(&self) {
        let Some(limits) = self.shared.settings() else {
            return;
        };
        match self
            .store
            .enforce_limits(&limits, crate::wall_clock::now().into())
        {
            Ok((deleted, usage)) => {
                if deleted.total.films > 0 {
                    tracing::info!(
                        films = deleted.total.films,
                        bytes = deleted.total.bytes,
                        "films beyond the limits were deleted"
                    );
                }
                if let Some((path, error)) = deleted.failed.first() {
                    tracing::warn!(path = %path.display(), %error, "a film beyond the limits could not be deleted");
                }
                self.shared.state().usage = usage;
            }
            Err(error) => tracing::warn!(%error, "the films could not be looked after"),
        }
    }
}
