//! The clips that wait and the one that is read, on the thread `clips`.

use std::collections::VecDeque;
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::CLIP_SOURCE;
use super::files::{DeletedLater, Found};
use super::order::{ClipFailure, ClipNews, ClipOrder};
use crate::journal::{ClipSession, HitterId, JournalHandle, SessionId, StoredPlan, TakenClip};
use crate::private_file::{create_private, create_private_folder, with_suffix};
use crate::settings::Settings;

/// The largest clip, bytes: ten minutes of what phones film in full size.
pub(crate) const LARGEST_BYTES: u64 = 2 << 30;
/// Clips that wait.
pub(crate) const MOST_WAITING: usize = 12;
/// Clips that are still shown once they are through.
const SHOWN_AFTER: usize = 24;
/// News come every second; so many without another frame, and something hangs.
const MOST_NEWS_WITHOUT_A_FRAME: u32 = 300;
/// How long the end waits for what is read.
const END_PATIENCE: Duration = Duration::from_secs(3);
/// The disk keeps so much for the journal beside a clip.
const FREE_BYTES: u64 = 1 << 30;

/// A clip in the list; its number is never used again while the program runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct ClipId(pub(crate) u64);

/// A clip that was sent whole, and whose it is.
#[derive(Debug)]
pub(crate) struct ClipToRead {
    /// In the folder of [`Clips::folder`].
    pub(crate) file: PathBuf,
    /// The beginning of its SHA-256, as hexadecimal digits.
    pub(crate) digest: String,
    /// What its file was called, for whoever sent it.
    pub(crate) name: String,
    /// Who hits in it; `None` for nobody named.
    pub(crate) hitter: Option<HitterId>,
    /// The hitter's height, where it is known.
    pub(crate) height_cm: Option<f64>,
    pub(crate) filmed_at: Timestamp,
    /// How many times slower than life it plays; `None` where the file is to say.
    pub(crate) slowed: Option<f64>,
    pub(crate) plan: Option<StoredPlan>,
    pub(crate) settings: Settings,
    pub(crate) journal: PathBuf,
    pub(crate) writer: JournalHandle,
}

/// How far a clip is.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum ClipState {
    Waiting,
    /// So many frames of so many, where that is known.
    Reading(u64, Option<u64>),
    /// The session, and whether a part of the clip is damaged.
    Stored(SessionId, bool),
    Failed(ClipFailure),
}

impl ClipState {
    /// Whether nothing more comes of it.
    pub(crate) fn is_over(&self) -> bool {
        matches!(self, Self::Stored(..) | Self::Failed(_))
    }
}

/// A clip as the page shows it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ShownClip {
    pub(crate) id: ClipId,
    pub(crate) name: String,
    pub(crate) hitter: Option<HitterId>,
    pub(crate) state: ClipState,
}

/// There is no room for another clip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoRoom {
    /// Too many wait.
    Waiting,
    /// The disk is too full.
    Disk,
}

/// The clips. Cheap to clone.
#[derive(Clone, Default)]
pub(crate) struct Clips(Arc<Mutex<Inner>>);

#[derive(Default)]
struct Inner {
    last: u64,
    shown: VecDeque<ShownClip>,
    waiting: VecDeque<(ClipId, ClipToRead, DeletedLater)>,
    reading: Option<Reading>,
    /// Reads what waits; it may be through.
    thread: Option<JoinHandle<()>>,
    runs: bool,
    has_swept: bool,
    has_ended: bool,
}

/// The clip that is read now.
struct Reading {
    id: ClipId,
    child: Option<Child>,
}

impl Reading {
    fn kill(&mut self) {
        if let Some(child) = &mut self.child {
            kill(child);
        }
    }
}

fn kill(child: &mut Child) {
    if let Err(error) = child.kill() {
        tracing::warn!(%error, "the reading of a clip could not be ended");
    }
}

impl Clips {
    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where the clips of a journal lie until they are read.
    pub(crate) fn folder(journal: &Path) -> PathBuf {
        with_suffix(journal, ".clips")
    }

    /// Deletes what a run before this one, which was killed, left of its clips. To be called by whoever writes the journal; only the first
    /// call does something.
    pub(crate) fn sweep(&self, journal: &Path) {
        if std::mem::replace(&mut self.inner().has_swept, true) {
            return;
        }
        let folder = Self::folder(journal);
        let is_left = fs::read_dir(&folder).is_ok_and(|mut files| files.next().is_some());
        match fs::remove_dir_all(folder) {
            Ok(()) if is_left => tracing::info!("clips that were not read before are deleted"),
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => tracing::warn!(%error, "clips that were left cannot be deleted"),
        }
    }

    /// A new file for a clip of so many bytes, which is deleted again unless it is handed to [`Self::add`].
    ///
    /// # Errors
    /// Where there is no room for it, and where the disk does not take it.
    pub(crate) fn new_file(
        &self,
        journal: &Path,
        bytes: u64,
    ) -> io::Result<Result<NewClip, NoRoom>> {
        let folder = Self::folder(journal);
        let number = {
            let mut inner = self.inner();
            if inner.waiting.len() >= MOST_WAITING {
                return Ok(Err(NoRoom::Waiting));
            }
            inner.last += 1;
            inner.last
        };
        create_private_folder(&folder)?;
        if crate::machine::free_bytes(&folder)? < bytes.saturating_add(FREE_BYTES) {
            return Ok(Err(NoRoom::Disk));
        }
        let path = folder.join(format!("{number}.clip"));
        let file = create_private(&path)?;
        Ok(Ok(NewClip {
            file: Some(file),
            deleted_later: DeletedLater(path.clone()),
            path,
            id: ClipId(number),
        }))
    }

    /// Has a clip read after those that wait.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(crate) fn add(&self, new: NewClip, clip: ClipToRead) -> io::Result<()> {
        let NewClip {
            id, deleted_later, ..
        } = new;
        let mut inner = self.inner();
        if !inner.runs {
            let clips = self.clone();
            inner.thread = Some(crate::thread::spawn("clips", move || {
                crate::thread::give_way(crate::thread::Lower::Much);
                clips.read_all();
            })?);
            inner.runs = true;
        }
        inner.shown.push_back(ShownClip {
            id,
            name: clip.name.clone(),
            hitter: clip.hitter,
            state: ClipState::Waiting,
        });
        inner.waiting.push_back((id, clip, deleted_later));
        Ok(())
    }

    /// All clips, the last one first.
    pub(crate) fn shown(&self) -> Vec<ShownClip> {
        self.inner().shown.iter().rev().cloned().collect()
    }

    /// Gives a clip up, or takes one that is through out of the list.
    pub(crate) fn drop_clip(&self, id: ClipId) {
        self.drop_where(|clip| clip.id == id);
    }

    /// Gives up what waits of a hitter who is deleted, and shows nothing of theirs any more.
    pub(crate) fn drop_of(&self, whose: HitterId) {
        self.drop_where(|clip| clip.hitter == Some(whose));
    }

    /// Gives all up and waits until nothing is left of them, not for long: a disk that hangs must not keep the last rep waiting. Nothing is
    /// read any more.
    pub(crate) fn end(&self) {
        self.inner().has_ended = true;
        self.drop_where(|_| true);
        let thread = self.inner().thread.take();
        let Some(thread) = thread else { return };
        let began = Instant::now();
        while !thread.is_finished() && began.elapsed() < END_PATIENCE {
            std::thread::sleep(Duration::from_millis(10));
        }
        if thread.is_finished() && thread.join().is_err() {
            tracing::error!("the thread that reads clips had failed");
        }
    }

    fn drop_where(&self, is_dropped: impl Fn(&ShownClip) -> bool) {
        let mut inner = self.inner();
        let (gone, stay): (VecDeque<ShownClip>, _) = std::mem::take(&mut inner.shown)
            .into_iter()
            .partition(is_dropped);
        inner.shown = stay;
        let is_gone = |id: ClipId| gone.iter().any(|clip| clip.id == id);
        inner.waiting.retain(|(id, ..)| !is_gone(*id));
        if let Some(reading) = &mut inner.reading
            && is_gone(reading.id)
        {
            reading.kill();
        }
    }

    /// Reads what waits, and ends once nothing does.
    fn read_all(&self) {
        while let Some((id, clip, _deleted_later)) = self.next() {
            let state = match self.read(id, &clip) {
                Ok((session, damaged)) => ClipState::Stored(session, damaged),
                Err(failure) => ClipState::Failed(failure),
            };
            let mut inner = self.inner();
            inner.reading = None;
            inner.show(id, state);
            while inner.shown.len() > SHOWN_AFTER
                && let Some(oldest) = inner.shown.iter().position(|clip| clip.state.is_over())
            {
                inner.shown.remove(oldest);
            }
        }
    }

    fn next(&self) -> Option<(ClipId, ClipToRead, DeletedLater)> {
        let mut inner = self.inner();
        let next = inner.waiting.pop_front().filter(|_| !inner.has_ended);
        match &next {
            Some((id, ..)) => {
                let id = *id;
                inner.reading = Some(Reading { id, child: None });
                inner.show(id, ClipState::Reading(0, None));
            }
            None => inner.runs = false,
        }
        next
    }

    /// Whether this clip is still to be read.
    fn is_wanted(&self, id: ClipId) -> bool {
        self.inner().shown.iter().any(|clip| clip.id == id)
    }

    fn read(&self, id: ClipId, clip: &ClipToRead) -> Result<(SessionId, bool), ClipFailure> {
        let found = Found::beside(&clip.file);
        let order = ClipOrder {
            clip: clip.file.clone(),
            found: found.0.clone(),
            settings: clip.settings.text_for_clips(),
            plan: clip
                .plan
                .as_ref()
                .map(|plan| (plan.name.clone(), plan.text.clone())),
            height_cm: clip.height_cm,
            slowed: clip.slowed,
            usual: clip
                .hitter
                .map(|hitter| (clip.journal.clone(), hitter.get())),
        };
        let damaged = self.run(id, &order).map_err(|error| {
            tracing::warn!(%error, "a clip could not be given to a second cagehand");
            ClipFailure::Ended
        })??;
        if !self.is_wanted(id) {
            return Err(ClipFailure::Ended);
        }
        let session = ClipSession {
            hitter: clip.hitter,
            plan: clip.plan.as_ref().map(|plan| plan.id),
            began_at: clip.filmed_at,
            source: format!("{CLIP_SOURCE} {}", clip.digest),
        };
        match clip.writer.take_in_clip(found.0.clone(), session) {
            Ok(TakenClip::Session(session)) => Ok((session, damaged)),
            Ok(TakenClip::HereBefore) => Err(ClipFailure::ReadBefore),
            Ok(TakenClip::HitterGone) => Err(ClipFailure::HitterGone),
            Err(error) => {
                tracing::warn!(%error, "a clip's session could not be stored");
                Err(ClipFailure::NotStored)
            }
        }
    }

    /// Runs a second cagehand to its end; gives whether a part of the clip is damaged.
    fn run(&self, id: ClipId, order: &ClipOrder) -> io::Result<Result<bool, ClipFailure>> {
        let said = with_suffix(&order.clip, ".said");
        let _deleted = DeletedLater(said.clone());
        let mut child = this_program()?
            .arg("read-clip")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(create_private(&said)?)
            .spawn()?;
        let (stdin, stdout) = (child.stdin.take(), child.stdout.take());
        {
            let mut inner = self.inner();
            // Given up in the meantime.
            let is_wanted = inner.shown.iter().any(|clip| clip.id == id);
            if let Some(reading) = &mut inner.reading {
                reading.child = Some(child);
                if !is_wanted {
                    reading.kill();
                }
            }
        }
        if let Some(mut stdin) = stdin {
            let mut line = serde_json::to_vec(order)?;
            line.push(b'\n');
            // One that is gone already says so by saying nothing.
            let _ = stdin.write_all(&line);
        }
        let last = stdout.and_then(|stdout| self.follow(id, BufReader::new(stdout)));
        // All that it found is on the disk by then; what has not ended by itself hangs, and nobody waits for the list meanwhile.
        let child = self.inner().reading.as_mut().and_then(|r| r.child.take());
        if let Some(mut child) = child {
            kill(&mut child);
            child.wait()?;
        }
        if !matches!(last, Some(ClipNews::Read { .. })) && self.is_wanted(id) {
            let text = fs::read_to_string(&said).unwrap_or_default();
            let why = text.lines().last().unwrap_or_default();
            tracing::warn!(why, "a clip was not read");
        }
        Ok(match last {
            Some(ClipNews::Read { movements: 0, .. }) => Err(ClipFailure::NoSwing),
            Some(ClipNews::Read { damaged, .. }) => Ok(damaged),
            Some(ClipNews::Failed(failure)) => Err(failure),
            Some(ClipNews::Frames { .. }) | None => Err(ClipFailure::Ended),
        })
    }

    /// Shows the news; gives the last of them.
    fn follow(&self, id: ClipId, news: impl BufRead) -> Option<ClipNews> {
        let (mut before, mut same) = (0, 0);
        for line in news.lines() {
            match serde_json::from_str(&line.ok()?).ok()? {
                ClipNews::Frames { read, of } => {
                    same = if read == before { same + 1 } else { 0 };
                    before = read;
                    if same > MOST_NEWS_WITHOUT_A_FRAME {
                        return None;
                    }
                    self.inner().show(id, ClipState::Reading(read, of));
                }
                last => return Some(last),
            }
        }
        None
    }
}

impl Inner {
    fn show(&mut self, id: ClipId, state: ClipState) {
        if let Some(shown) = self.shown.iter_mut().find(|clip| clip.id == id) {
            shown.state = state;
        }
    }
}

/// A clip's file while it is being sent; it is deleted with this.
pub(crate) struct NewClip {
    /// `None` once it was taken.
    pub(crate) file: Option<File>,
    pub(crate) path: PathBuf,
    deleted_later: DeletedLater,
    id: ClipId,
}

/// The program that runs, whatever lies at its place by now.
fn this_program() -> io::Result<Command> {
    #[cfg(target_os = "linux")]
    let mut command = Command::new("/proc/self/exe");
    #[cfg(not(target_os = "linux"))]
    let mut command = Command::new(std::env::current_exe()?);
    // Ctrl-C is for us, who then end it.
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(&mut command, 0);
    Ok(command)
}
