//! The program's log: lines for people on standard error, and JSON lines in files that are rotated and limited.
//!
//! In: the events of every room, from any thread. Out: standard error, which a service manager collects, and files in a folder
//! if the settings name one. The files are written by a thread of their own, `log`, behind a bounded queue: a slow or full disk
//! loses lines and never holds up the daemon. No event may hold a hitter's name; tests look for it.

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
const QUEUED_LINES: usize = 8192;

/// What goes into files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct LogFiles {
    /// The folder; it is made where there is none.
    pub folder: PathBuf,
    /// Events below this are left out.
    pub level: Level,
    /// How much is kept.
    pub limits: LogLimits,
}

/// The format of lines on standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum LogFormat {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line, as in the files.
    Json,
}

/// Flushes the log files when it is dropped, so it belongs at the top of the program.
#[must_use]
pub(crate) struct Logging {}

impl Drop for Logging {
    fn drop(&mut self) {
        if let Some(log) = FILE_LOG.get() {
            let worker = lock(log).worker.take();
            close(worker);
        }
    }
}

/// Starts the log. `verbose` is the number of `-v`, which `RUST_LOG` overrides; both are for standard error only. Where the
/// folder cannot be used, a warning goes there and no files are written. To be called once.
pub(crate) fn start(verbose: u8, format: LogFormat, files: Option<&LogFiles>) -> Logging {
    let level = match verbose {
        0 => "warn,symphonia_core=error,symphonia_bundle_mp3=error",
        1 => "info,tract=warn,symphonia_core=error",
        _ => "cagehand=trace,info,tract=warn",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    let stderr_layer: Box<dyn Layer<Registry> + Send + Sync> = match format {
        LogFormat::Text => fmt::layer()
            .with_writer(io::stderr)
            .with_ansi(io::stderr().is_terminal())
            .with_target(false)
            .with_filter(filter)
            .boxed(),
        LogFormat::Json => json(io::stderr).with_filter(filter).boxed(),
    };
    // The file layer is always installed, so that settings can turn it on later; without files nothing passes its filter.
    let current = CurrentFile::default();
    let (filter, level) = reload::Layer::new(EnvFilter::new("off"));
    let file_layer = json(current.clone()).with_filter(filter).boxed();
    tracing_subscriber::registry()
        .with(vec![stderr_layer, file_layer])
        .init();
    let log = FileLog {
        current,
        set_level: Box::new(move |to| {
            if let Err(error) = level.reload(to) {
                tracing::error!(%error, "the level of the log files cannot be changed");
            }
        }),
        worker: None,
    };
    let log = FILE_LOG.get_or_init(|| Mutex::new(log));
    if let Some(files) = files
        && let Err(error) = open(&mut lock(log), Some(files))
    {
        tracing::warn!(folder = %files.folder.display(), %error, "no log files: make the folder and let this user write there");
    }
    Logging {}
}

/// Writes to other files from now on, with another level or other limits, or to none. Where the new folder cannot be used the
/// log stays as it was.
///
/// # Errors
/// What the system says of the folder.
pub(crate) fn set_files(files: Option<&LogFiles>) -> io::Result<()> {
    match FILE_LOG.get() {
        Some(log) => open(&mut lock(log), files),
        None => Ok(()),
    }
}

/// The log into files, which settings can change while the program runs.
struct FileLog {
    current: CurrentFile,
    set_level: Box<dyn Fn(EnvFilter) + Send>,
    /// The writing thread, with its count of lost lines.
    worker: Option<(ErrorCounter, WorkerGuard)>,
}

static FILE_LOG: OnceLock<Mutex<FileLog>> = OnceLock::new();

fn lock(log: &Mutex<FileLog>) -> MutexGuard<'_, FileLog> {
    log.lock().unwrap_or_else(PoisonError::into_inner)
}

fn open(log: &mut FileLog, files: Option<&LogFiles>) -> io::Result<()> {
    let next = match files {
        None => None,
        Some(files) => {
            let file = RotatingFile::open(&files.folder, files.limits)?;
            let (writer, guard) = NonBlockingBuilder::default()
                .buffered_lines_limit(QUEUED_LINES)
                .thread_name("log")
                .finish(file);
            Some((writer, guard))
        }
    };
    (log.set_level)(files.map_or_else(|| EnvFilter::new("off"), |files| file_filter(files.level)));
    let (writer, worker) = match next {
        Some((writer, guard)) => {
            let lost = writer.error_counter();
            (Some(writer), Some((lost, guard)))
        }
        None => (None, None),
    };
    *log.current
        .0
        .write()
        .unwrap_or_else(PoisonError::into_inner) = writer;
    close(std::mem::replace(&mut log.worker, worker));
    Ok(())
}

/// Writes what is queued and reports lost lines.
fn close(worker: Option<(ErrorCounter, WorkerGuard)>) {
    let Some((lost, guard)) = worker else { return };
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

/// Our own events from this level on; of libraries only warnings and errors.
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
