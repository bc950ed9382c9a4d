//! The program's log: lines for people on standard error, and JSON lines in files that are rotated and limited.
//!
//! In: the events of every room, from any thread. Out: standard error, where a service's log takes them up, and files in a folder
//! if the settings name one. The files are written by a thread of their own, `log`, with a bounded row before it: a slow or
//! full disk costs lines and never holds up the daemon. No event may hold a hitter's name; tests look for it.

mod rotating;

use std::io::{self, IsTerminal};
use std::path::PathBuf;

use tracing::Level;
use tracing_appender::non_blocking::{ErrorCounter, NonBlockingBuilder, WorkerGuard};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, Registry, fmt};

pub use rotating::{LogLimits, RotatingFile};

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
pub enum Form {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line, as in the files.
    Json,
}

/// Keeps the log going; what waits is written when it is dropped, so it belongs at the top of the program.
#[must_use]
pub struct Logging {
    files: Option<(ErrorCounter, WorkerGuard)>,
}

impl Drop for Logging {
    fn drop(&mut self) {
        if let Some((lost, guard)) = self.files.take() {
            drop(guard);
            let lost = lost.dropped_lines();
            if lost > 0 {
                tracing::warn!(
                    lost,
                    "log lines were left out of the files: the disk was too slow"
                );
            }
        }
    }
}

/// Starts the log. `verbose` is the number of `-v` and `RUST_LOG` overrules it; both say what goes to standard error only. A
/// folder that cannot be used is told there and costs the files only. To be called once.
pub fn start(verbose: u8, form: Form, files: Option<&LogFiles>) -> Logging {
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
    let opened = files.map(|files| {
        let file = RotatingFile::open(&files.folder, files.limits)?;
        let (writer, guard) = NonBlockingBuilder::default()
            .buffered_lines_limit(WAITING_LINES)
            .thread_name("log")
            .finish(file);
        let lost = writer.error_counter();
        let layer = json(writer).with_filter(file_filter(files.level)).boxed();
        Ok::<_, io::Error>((layer, (lost, guard)))
    });
    let (layer, kept, trouble) = match opened {
        Some(Ok((layer, kept))) => (Some(layer), Some(kept), None),
        Some(Err(error)) => (None, None, Some(error)),
        None => (None, None, None),
    };
    let layers: Vec<Box<dyn Layer<Registry> + Send + Sync>> =
        std::iter::once(to_people).chain(layer).collect();
    tracing_subscriber::registry().with(layers).init();
    if let (Some(error), Some(files)) = (trouble, files) {
        tracing::warn!(folder = %files.folder.display(), %error, "no log files: make the folder and let this user write there");
    }
    Logging { files: kept }
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
