//! `read-clip`: the second cagehand, which reads one clip for the page of the first and gives way to everything else.
//!
//! In: an order, one line of JSON. Out: news, lines of JSON, and what was found in a journal of its own. It ends with the cagehand that
//! started it.

use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use crate::capture::{CaptureError, ClipSource, PlaybackRate, SlowedBy};
use crate::clips::{CLIP_SOURCE, ClipFailure, ClipNews, ClipOrder, LONGEST_SECS};
use crate::journal::{Journal, JournalError};
use crate::settings::Settings;
use crate::sound::Output;
use crate::status::Health;
use crate::thread::{Lower, give_way};

use super::plan_choice::PlanOverride;
use super::replay::{ReplayOptions, ReplayRun, Slowed};
use super::stop::Stop;
use super::{DaemonError, Terminal};

/// How often news are given.
const NEWS_EVERY: Duration = Duration::from_secs(1);
/// No camera is faster: a clip whose length nobody knows is given up after so many frames.
const MOST_FPS: f64 = 240.0;

/// Reads the clip of an order; `news` gets what there is to say, the last of it once it is over.
pub(crate) fn read_clip(order: &ClipOrder, news: impl Fn(ClipNews) + Send + Sync + 'static) {
    step_back();
    let news = Arc::new(news);
    let last = match read(order, &news) {
        Ok(read) => read,
        Err(error) => {
            tracing::warn!(%error, "the clip was not read");
            ClipNews::Failed(failure_of(&error))
        }
    };
    news(last);
}

/// This process gives way, is the first to go where memory runs out, and goes with the one that started it.
fn step_back() {
    give_way(Lower::AsFarAsCanBe);
    #[cfg(target_os = "linux")]
    {
        let kill = Some(rustix::process::Signal::KILL);
        if let Err(error) = rustix::process::set_parent_process_death_signal(kill) {
            tracing::warn!(%error, "this process would outlive the one that started it");
        }
        if let Err(error) = std::fs::write("/proc/self/oom_score_adj", "1000") {
            tracing::debug!(%error, "memory is not taken from this process first");
        }
    }
}

fn read(
    order: &ClipOrder,
    news: &Arc<impl Fn(ClipNews) + Send + Sync + 'static>,
) -> Result<ClipNews, DaemonError> {
    let settings = match Settings::parse(&order.settings, Path::new("the settings in force")) {
        Ok(settings) => settings,
        Err(error) => {
            tracing::warn!(%error, "the clip was not read");
            return Ok(ClipNews::Failed(ClipFailure::Ended));
        }
    };
    let info = ClipSource::open(&order.clip)?.info().clone();
    let most_frames = (LONGEST_SECS * if info.fps > 0.0 { info.fps } else { MOST_FPS }) as u64;
    if info.frames.is_some_and(|frames| frames > most_frames) {
        return Ok(ClipNews::Failed(ClipFailure::TooLong));
    }
    let options = ReplayOptions {
        source: CLIP_SOURCE.into(),
        hear: None,
        rep_log: None,
        track: None,
        height_cm: order.height_cm,
        bats: None,
        rate: PlaybackRate::Fast,
        slowed: match order.slowed {
            None => Slowed::AsTheFileSays,
            Some(times) => {
                Slowed::By(
                    SlowedBy::times(times).map_err(|why| DaemonError::NotSlowed {
                        path: CLIP_SOURCE.into(),
                        why,
                    })?,
                )
            }
        },
        loops: std::num::NonZeroU32::MIN,
        sound: Output::Silent,
        model: settings.model.for_recordings(),
        journal: Some(order.found.clone()),
        usual: order.usual(),
        plan: order
            .new_plan()
            .map_or(PlanOverride::NoPlan, PlanOverride::Plan),
        explain: false,
    };
    let replay = ReplayRun {
        options: &options,
        settings: &settings,
        terminal: &Terminal::silent(),
        stop: Stop::new(),
        clock: Arc::new(OnceLock::new()),
    };
    let health = Arc::new(Health::default());
    let (over, is_over) = crossbeam_channel::bounded::<()>(0);
    let ticker = {
        let (health, news, stop) = (Arc::clone(&health), Arc::clone(news), replay.stop.clone());
        crate::thread::spawn("clip-news", move || {
            while is_over
                .recv_timeout(NEWS_EVERY)
                .is_err_and(|gone| gone.is_timeout())
            {
                let read = health.analyzed.load(Ordering::Relaxed);
                news(ClipNews::Frames {
                    read,
                    of: info.frames,
                });
                if read > most_frames {
                    stop.request();
                }
            }
        })?
    };
    let ran = replay.run_clip(&order.clip, &health);
    drop(over);
    // It only says how far it is.
    let _ = ticker.join();
    let (counts, damage) = ran?;
    if health.analyzed.load(Ordering::Relaxed) > most_frames {
        return Ok(ClipNews::Failed(ClipFailure::TooLong));
    }
    if counts.bodies == 0 {
        return Ok(ClipNews::Failed(ClipFailure::NobodyFound));
    }
    Ok(ClipNews::Read {
        movements: movements(&order.found)?,
        damaged: damage.is_some(),
    })
}

/// How much there is to look at in a journal.
fn movements(found: &Path) -> Result<u64, JournalError> {
    let reader = Journal::read_only(found)?;
    let sessions = reader.sessions()?;
    let mut movements = sessions
        .iter()
        .map(|session| u64::from(session.swings + session.takes))
        .sum();
    for session in &sessions {
        movements += reader.not_counted_of(session.id)?.len() as u64;
    }
    Ok(movements)
}

fn failure_of(error: &DaemonError) -> ClipFailure {
    match error {
        DaemonError::Capture(CaptureError::NeedsFfmpeg { .. }) => ClipFailure::NeedsFfmpeg,
        DaemonError::Capture(CaptureError::NoIndex { .. }) => ClipFailure::CutShort,
        DaemonError::Capture(_) => ClipFailure::Unreadable,
        DaemonError::NotSlowed { .. } => ClipFailure::NotSlowed,
        DaemonError::NobodyFound { .. } => ClipFailure::NobodyFound,
        _ => ClipFailure::Ended,
    }
}
