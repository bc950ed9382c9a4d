//! The program's log: lines for people on standard error, and JSON lines in files that are rotated and limited.
//!
//! In: the events of every room, from any thread. Out: standard error, where a service's log takes them up, and files in a folder
//! if the settings name one. The files are written by a thread of their own, `log`, with a bounded row before it: a slow or
//! full disk costs lines and never holds up the daemon. No event may hold a hitter's name; tests look for it.

mod rotating;

use std::io::{self, IsTerminal};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};

use tracing::Level;
use tracing_appender::non_blocking::{ErrorCounter, NonBlocking, NonBlockingBuilder, WorkerGuard};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, Registry, fmt, reload};

pub(crate) use rotating::{LogLimits, RotatingFile};

/// Lines that may wait for the disk; about 2 MB.
const WAITING_LINES: usize = 8192;

/// What goes into files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogFiles {
    /// The folder; it is made where there is none.
    pub folder: PathBuf,
    /// Events below this are left out.
    pub level: Level,
    /// How much is kept.
    pub limits: LogLimits,
}

/// How lines on standard error look.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Form {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line, as in the files.
    Json,
}

/// Keeps the log going; what waits is written when it is dropped, so it belongs at the top of the program.
#[must_use]
pub(crate) struct Logging {}

impl Drop for Logging {
    fn drop(&mut self) {
        if let Some(ways) = WAYS.get() {
            let kept = lock(ways).kept.take();
            close(kept);
        }
    }
}

/// Starts the log. `verbose` is the number of `-v` and `RUST_LOG` overrules it; both say what goes to standard error only. A
/// folder that cannot be used is told there and costs the files only. To be called once.
pub(crate) fn start(verbose: u8, form: Form, files: Option<&LogFiles>) -> Logging {
    let level = match verbose {
        0 => "warn,symphonia_core=error,symphonia_bundle_mp3=error",
        1 => "info,tract=warn,symphonia_core=error",
        _ => "cagehand=trace,info,tract=warn",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    let to_people: Box<dyn Layer<Registry> + Send + Sync> = match form {
        Form::Text => fmt::layer()
            .with_writer(io::stderr)
            .with_ansi(io::stderr().is_terminal())
            .with_target(false)
            .with_filter(filter)
            .boxed(),
        Form::Json => json(io::stderr).with_filter(filter).boxed(),
    };
    // The way into files is always there, so that settings can open it later; without files nothing passes its filter.
    let current = CurrentFile::default();
    let (filter, level) = reload::Layer::new(EnvFilter::new("off"));
    let to_files = json(current.clone()).with_filter(filter).boxed();
    tracing_subscriber::registry()
        .with(vec![to_people, to_files])
        .init();
    let ways = Ways {
        current,
        set_level: Box::new(move |to| {
            if let Err(error) = level.reload(to) {
                tracing::error!(%error, "the level of the log files cannot be changed");
            }
        }),
        kept: None,
    };
    let ways = WAYS.get_or_init(|| Mutex::new(ways));
    if let Some(files) = files
        && let Err(error) = open(&mut lock(ways), Some(files))
    {
        tracing::warn!(folder = %files.folder.display(), %error, "no log files: make the folder and let this user write there");
    }
    Logging {}
}

/// Lets the log go into other files, with another level or other limits, or into none, from now on. Where the new folder
/// cannot be used the log stays as it was.
///
/// # Errors
/// What the system says of the folder.
pub(crate) fn revise(files: Option<&LogFiles>) -> io::Result<()> {
    match WAYS.get() {
        Some(ways) => open(&mut lock(ways), files),
        None => Ok(()),
    }
}

/// What it takes to change the files while the program runs.
struct Ways {
    current: CurrentFile,
    set_level: Box<dyn Fn(EnvFilter) + Send>,
    kept: Option<(ErrorCounter, WorkerGuard)>,
}

static WAYS: OnceLock<Mutex<Ways>> = OnceLock::new();

fn lock(ways: &Mutex<Ways>) -> MutexGuard<'_, Ways> {
    ways.lock().unwrap_or_else(PoisonError::into_inner)
}

fn open(ways: &mut Ways, files: Option<&LogFiles>) -> io::Result<()> {
    let next = match files {
        None => None,
        Some(files) => {
            let file = RotatingFile::open(&files.folder, files.limits)?;
            let (writer, guard) = NonBlockingBuilder::default()
                .buffered_lines_limit(WAITING_LINES)
                .thread_name("log")
                .finish(file);
            Some((writer, guard))
        }
    };
    (ways.set_level)(files.map_or_else(|| EnvFilter::new("off"), |files| file_filter(files.level)));
    let (writer, kept) = match next {
        Some((writer, guard)) => {
            let lost = writer.error_counter();
            (Some(writer), Some((lost, guard)))
        }
        None => (None, None),
    };
    *ways
        .current
        .0
        .write()
        .unwrap_or_else(PoisonError::into_inner) = writer;
    close(std::mem::replace(&mut ways.kept, kept));
    Ok(())
}

/// Writes what waits and tells what was left out.
fn close(kept: Option<(ErrorCounter, WorkerGuard)>) {
    let Some((lost, guard)) = kept else { return };
    drop(guard);
    let lost = lost.dropped_lines();
    if lost > 0 {
        tracing::warn!(
            lost,
            "log lines were left out of the files: the disk was too slow"
        );
    }
}

/// The file that lines go to now, if there is one.
#[derive(Clone, Default)]
struct CurrentFile(Arc<RwLock<Option<NonBlocking>>>);

impl<'a> fmt::MakeWriter<'a> for CurrentFile {
    type Writer = Box<dyn io::Write>;

    fn make_writer(&'a self) -> Self::Writer {
        let current = self.0.read().unwrap_or_else(PoisonError::into_inner);
        match &*current {
            Some(writer) => Box::new(writer.clone()),
            None => Box::new(io::sink()),
        }
    }
}

/// Ours at this level; of others only what is amiss.
fn file_filter(level: Level) -> EnvFilter {
    let others = match level {
        Level::ERROR => "error",
        _ => "warn",
    };
    EnvFilter::new(format!(
        "{others},symphonia_core=error,symphonia_bundle_mp3=error,cagehand={level}"
    ))
}

fn json<W>(writer: W) -> impl Layer<Registry> + Send + Sync
where
    W: for<'a> fmt::MakeWriter<'a> + Send + Sync + 'static,
{
    fmt::layer()
        .json()
        .with_current_span(false)
        .with_span_list(false)
        .with_thread_names(true)
        .with_writer(writer)
}
