//! What every handler knows, and how it reaches the journal without holding up the others.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::{Instant, SystemTime};

use tokio::sync::{Semaphore, watch};

use super::audit::AuditTrail;
use super::auth::{
    AskedBy, AuthEvent, Client, CredentialError, Credentials, FormTokens, LoginThrottle, Moment,
    Requester, Role, WebSession, WebSessions, report, role_at_the_machine,
};
use super::error::PageError;
use super::server::Slots;
use super::{PageUse, SessionControl};
use crate::clips::Clips;
use crate::journal::{
    DeletionReport, DeletionTarget, Edit, JournalError, JournalHandle, JournalReader,
};
use crate::settings::PageSettings;
use crate::sound::Language;
use crate::status::Health;

/// Keys that are checked at one moment: each takes a core for some tens of milliseconds, and 19 MB.
const HASHES: usize = 2;
/// Connections on which an office reads the parts of one page.
const READERS: usize = 4;
/// Streams of the live state that are open at one moment, of all and of one address.
const STREAMS: usize = 48;
pub(super) const STREAMS_OF_ONE: usize = 12;

/// What the handlers know. Cheap to clone.
#[derive(Clone)]
pub(super) struct AppState {
    pub(super) health: Arc<Health>,
    pub(super) started: Moment,
    pub(super) control: Arc<dyn SessionControl>,
    /// The language of requests that ask for none.
    pub(super) language: Language,
    pub(super) login_throttle: LoginThrottle,
    pub(super) form_tokens: FormTokens,
    pub(super) streams: Arc<Slots>,
    pub(super) audit: AuditTrail,
    /// How often cues were changed: open screens then show other words.
    pub(super) cues_changed: Arc<watch::Sender<u64>>,
    /// Clips of coaches that wait and are read.
    pub(super) clips: Clips,
    /// One clip is sent at a moment: it keeps one of the few threads that pages are made on.
    pub(super) clip_sender: Arc<Semaphore>,
    rules: Arc<RwLock<Arc<PageSettings>>>,
    hashes: Arc<Semaphore>,
    web_sessions: Arc<Mutex<WebSessions>>,
    used_codes: Arc<Mutex<HashMap<String, u64>>>,
    keys: Arc<Mutex<Option<KeysRead>>>,
}

/// The credentials as they were read, and what their file looked like then.
struct KeysRead {
    path: PathBuf,
    stamp: Option<FileStamp>,
    keys: Arc<Credentials>,
}

/// Tells a file from what it was before: each change is another file under the same name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct FileStamp {
    modified: Option<SystemTime>,
    length: u64,
    number: u64,
}

impl FileStamp {
    fn of(path: &Path) -> Option<Self> {
        let file = std::fs::metadata(path).ok()?;
        #[cfg(unix)]
        let number = std::os::unix::fs::MetadataExt::ino(&file);
        #[cfg(not(unix))]
        let number = 0;
        Some(Self {
            modified: file.modified().ok(),
            length: file.len(),
            number,
        })
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl AppState {
    pub(super) fn new(
        health: Arc<Health>,
        control: Arc<dyn SessionControl>,
        language: Language,
    ) -> Self {
        Self {
            health,
            started: Moment::new(Instant::now(), crate::wall_clock::now()),
            control,
            language,
            login_throttle: LoginThrottle::default(),
            form_tokens: FormTokens::new(),
            streams: Arc::new(Slots::new(STREAMS)),
            audit: AuditTrail::default(),
            cues_changed: Arc::default(),
            clips: Clips::default(),
            clip_sender: Arc::new(Semaphore::new(1)),
            rules: Arc::default(),
            hashes: Arc::new(Semaphore::new(HASHES)),
            web_sessions: Arc::default(),
            used_codes: Arc::default(),
            keys: Arc::default(),
        }
    }

    /// The settings of the page that are in force.
    pub(super) fn rules(&self) -> Arc<PageSettings> {
        Arc::clone(&self.rules.read().unwrap_or_else(PoisonError::into_inner))
    }

    pub(super) fn set_rules(&self, rules: PageSettings) {
        *self.rules.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(rules);
    }

    pub(super) fn web_sessions(&self) -> MutexGuard<'_, WebSessions> {
        lock(&self.web_sessions)
    }

    /// The one-time code that each coach used last.
    pub(super) fn used_codes(&self) -> MutexGuard<'_, HashMap<String, u64>> {
        lock(&self.used_codes)
    }

    /// Now, by both clocks.
    pub(super) fn moment(&self) -> Moment {
        Moment::new(Instant::now(), crate::wall_clock::now())
    }

    /// The credentials as they are now.
    pub(super) fn credentials(&self) -> Result<Arc<Credentials>, CredentialError> {
        let Some(journal) = self.control.journal() else {
            return Ok(Arc::default());
        };
        let path = Credentials::file_beside(&journal);
        let stamp = FileStamp::of(&path);
        let mut read = lock(&self.keys);
        if let Some(read) = read
            .as_ref()
            .filter(|read| read.path == path && read.stamp == stamp)
        {
            return Ok(Arc::clone(&read.keys));
        }
        let keys = Arc::new(Credentials::read(&path)?);
        if read.as_ref().is_some_and(|before| before.keys != keys) {
            report(self, &AuthEvent::KeysChanged, None);
        }
        *read = Some(KeysRead {
            path,
            stamp,
            keys: Arc::clone(&keys),
        });
        drop(read);
        self.web_sessions()
            .use_file_beside(&journal, &keys, self.moment());
        Ok(keys)
    }

    /// The session that a cookie's token belongs to, and the role of its requests.
    pub(super) fn session_and_role(
        &self,
        token: Option<&str>,
        client: Client,
        asked_by: AskedBy,
    ) -> (Option<WebSession>, Role) {
        let keys = self
            .credentials()
            .inspect_err(|error| tracing::warn!(%error, "nothing opens without its keys"))
            .ok();
        let session = keys.as_deref().zip(token).and_then(|(keys, token)| {
            self.web_sessions()
                .find(token, keys, asked_by, self.moment())
        });
        let at_the_machine = match client.is_here {
            true => role_at_the_machine(&self.rules(), keys.as_deref()),
            false => Role::Anonymous,
        };
        let own = session
            .as_ref()
            .map_or(Role::Anonymous, |session| session.who.role());
        (session, own.max(at_the_machine))
    }

    /// Whether anybody beyond this machine may look in now: only with a PIN and a password set, whatever was so at the start.
    pub(super) fn may_serve_beyond(&self) -> bool {
        self.credentials()
            .is_ok_and(|keys| keys.has_pin() && keys.has_coach())
    }

    /// Checks keys on a thread of its own, a few at one moment.
    pub(super) async fn hash<T: Send + 'static>(
        &self,
        work: impl FnOnce(Self) -> T + Send + 'static,
    ) -> Result<T, PageError> {
        let permit = Arc::clone(&self.hashes).acquire_owned().await;
        let state = self.clone();
        Ok(tokio::task::spawn_blocking(move || {
            let _permit = permit;
            work(state)
        })
        .await?)
    }

    /// Queries the journal, on a thread of its own.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        query: impl FnOnce(&JournalReader) -> Result<T, JournalError> + Send + 'static,
    ) -> Result<T, PageError> {
        let control = Arc::clone(&self.control);
        let result = tokio::task::spawn_blocking(move || {
            let reader = control.reader()?;
            Some(reader.and_then(|reader| query(&reader)))
        })
        .await?;
        Ok(result.ok_or(PageError::NoJournal)??)
    }

    /// Queries the journal for each of these; gives the answers in their order. An office asks the store some at one moment; in a
    /// cage one thread does it, since the others are for the hitter.
    pub(super) async fn read_each<I, T>(
        &self,
        of: Vec<I>,
        query: impl Fn(&JournalReader, I) -> Result<T, JournalError> + Copy + Send + 'static,
    ) -> Result<Vec<T>, PageError>
    where
        I: Send + 'static,
        T: Send + 'static,
    {
        let at_once = match self.control.purpose() {
            PageUse::Office => READERS,
            PageUse::Cage | PageUse::Review | PageUse::ReadOnlyReview => 1,
        };
        let (count, mut left) = (of.len(), of.into_iter());
        let mut shares = Vec::new();
        for _ in 0..at_once {
            let share: Vec<I> = left.by_ref().take(count.div_ceil(at_once)).collect();
            let state = self.clone();
            shares.push(tokio::spawn(async move {
                let read = move |reader: &JournalReader| {
                    let each = share.into_iter().map(|one| query(reader, one));
                    each.collect::<Result<Vec<T>, _>>()
                };
                state.read(read).await
            }));
        }
        let mut answers = Vec::with_capacity(count);
        for share in shares {
            answers.extend(share.await??);
        }
        Ok(answers)
    }

    /// Where changes of the journal go.
    pub(super) fn writer(&self) -> Result<JournalHandle, PageError> {
        if self.control.purpose() == PageUse::ReadOnlyReview {
            return Err(PageError::ReadOnly);
        }
        self.control.journal_writer().ok_or(PageError::NoJournal)
    }

    /// Whether the journal can be changed here.
    pub(super) fn can_write(&self) -> bool {
        self.writer().is_ok()
    }

    /// Lets the journal's writer make a change for somebody.
    pub(super) async fn edit(&self, edit: Edit, by: &Requester) -> Result<i64, PageError> {
        let writer = self.writer()?;
        let by = by.account().to_owned();
        Ok(tokio::task::spawn_blocking(move || writer.edit(edit, &by)).await??)
    }

    /// Lets the journal's writer delete a hitter or a session for good.
    pub(super) async fn delete(&self, whom: DeletionTarget) -> Result<DeletionReport, PageError> {
        let control = Arc::clone(&self.control);
        let writer = self.writer()?;
        if let DeletionTarget::Hitter(hitter) = whom {
            self.clips.drop_of(hitter);
        }
        Ok(tokio::task::spawn_blocking(move || writer.delete(whom, control.texts())).await??)
    }
}
