//! The health figures: collected, and as lines for a person.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use serde::{Deserialize, Serialize};

pub(super) mod metrics;

use crate::journal::Storage;
use crate::machine;
use crate::sound::DeviceState;
use crate::status::Health;

/// How the daemon is. Milliseconds; counts are since the start.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct HealthFigures {
    /// The program's version.
    pub version: String,
    /// How long it runs, seconds.
    pub up_secs: u64,
    /// Whether the camera has the hitter.
    pub ready: String,
    /// Frames that the camera gave.
    pub frames: u64,
    /// Frames a second since the start.
    pub fps: f64,
    /// Frames that nobody looked at because a newer one had come.
    pub dropped: u64,
    /// Frames with a body.
    pub bodies: u64,
    /// Which pose model is in use and why.
    pub model: String,
    /// Time that the pose model takes for a frame: median, 95 % and 99 %, as the three below.
    pub pose_ms: Option<[f64; 3]>,
    /// From capture to the end of the analysis.
    pub seen_ms: Option<[f64; 3]>,
    /// From the deciding frame's capture to the first sample of a cue.
    pub cue_ms: Option<[f64; 3]>,
    /// From a swing's finish to the first sample of its cue.
    pub finish_to_cue_ms: Option<[f64; 3]>,
    /// From a frame's capture to the first sample of the tone that follows the head.
    pub tone_ms: Option<[f64; 3]>,
    /// Swings.
    pub swings: u32,
    /// Takes.
    pub takes: u32,
    /// The last rep as the terminal showed it.
    pub last_rep: Option<String>,
    /// The plan in force.
    pub plan: Option<String>,
    /// What the sound device does.
    pub sound: String,
    /// Cues heard.
    pub cues_heard: u64,
    /// What the journal does; empty where there is none.
    pub journal: String,
    /// Reps stored.
    pub reps_stored: u64,
    /// Entries that wait for the disk.
    pub reps_waiting: usize,
    /// Room for the journal, bytes.
    pub disk_free_bytes: Option<u64>,
    /// What is wrong with the settings file; the settings before it are in force.
    pub settings_trouble: Option<String>,
    /// Settings that were edited and wait for a restart.
    pub settings_waiting: Vec<String>,
    /// How often the camera, the pose model, the rep finder, the sound and the journal were started again.
    pub restarts: [u64; 5],
    /// Whether the cage's screen may show the camera's picture.
    pub picture_shown: bool,
    /// Pictures that were made for it.
    pub pictures_made: u64,
    /// Whether a film of each rep is kept.
    pub video_kept: bool,
    /// Where films lie; absent where this run keeps none and deletes none.
    pub video_folder: Option<PathBuf>,
    /// Films there are.
    pub video_films: u64,
    /// Their bytes.
    pub video_bytes: u64,
    /// Films of logged reps that were given up.
    pub video_given_up: u64,
    /// Frames that are missing in films because packing did not keep up.
    pub video_frames_dropped: u64,
    /// Time that packing a frame takes.
    pub video_pack_ms: Option<f64>,
    /// Why the last film was given up.
    pub video_trouble: Option<String>,
    /// The hottest sensor, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// How often the processor was slowed down for heat.
    pub throttled: Option<u64>,
    /// Memory held, bytes.
    pub memory_bytes: Option<u64>,
}

/// What [`HealthFigures::restarts`] counts, in its order.
pub(super) const RESTARTED: [&str; 5] = ["camera", "pose", "rep", "sound", "journal"];

impl HealthFigures {
    /// The figures now.
    pub(crate) fn of(health: &Health, up: Duration) -> Self {
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let stage = health.stage();
        let frames = count(&health.frames);
        let sound = match stage.sound.map(|sound| sound.device) {
            Some(DeviceState::Open) => "plays",
            Some(DeviceState::Absent) => "no device",
            Some(DeviceState::File) => "into a file",
            Some(DeviceState::Off) | None => "off",
        };
        let journal = match stage.journal.as_ref().map(|journal| &journal.storage) {
            Some(Storage::Working) => "stores".to_owned(),
            Some(Storage::Waiting { why, .. }) => format!("waits: {why}"),
            None => String::new(),
        };
        let films = stage.films.unwrap_or_default();
        Self {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            up_secs: up.as_secs(),
            ready: stage.ready.to_owned(),
            frames,
            fps: frames as f64 / up.as_secs_f64().max(1.0),
            dropped: count(&health.dropped),
            bodies: count(&health.bodies),
            model: health.model(),
            pose_ms: health.pose.quantiles_ms(),
            seen_ms: health.seen.quantiles_ms(),
            cue_ms: health.cue.quantiles_ms(),
            finish_to_cue_ms: health.finish_to_cue.quantiles_ms(),
            tone_ms: health.tone.quantiles_ms(),
            swings: stage.counts.swings,
            takes: stage.counts.takes,
            last_rep: stage.last_rep,
            plan: stage.plan,
            sound: sound.to_owned(),
            cues_heard: stage.sound.map_or(0, |sound| sound.heard),
            journal,
            reps_stored: stage.journal.as_ref().map_or(0, |j| j.stored_reps),
            reps_waiting: stage.journal.as_ref().map_or(0, |j| j.waiting),
            disk_free_bytes: stage
                .journal_path
                .as_deref()
                .and_then(|path| machine::free_bytes(path).ok()),
            restarts: [
                count(&health.camera_reopens),
                count(&health.pose_restarts),
                stage.rep_restarts,
                stage.sound_restarts,
                stage.journal.as_ref().map_or(0, |j| j.restarts),
            ],
            settings_trouble: stage.settings_trouble,
            settings_waiting: stage.settings_waiting,
            picture_shown: health.preview.is_allowed(),
            pictures_made: health.preview.made(),
            video_kept: films.keep,
            video_folder: Some(films.folder).filter(|folder| !folder.as_os_str().is_empty()),
            video_films: films.usage.films,
            video_bytes: films.usage.bytes,
            video_given_up: films.given_up,
            video_frames_dropped: films.dropped,
            video_pack_ms: films.encode_ms,
            video_trouble: films.trouble,
            temperature_c: machine::temperature_c(),
            throttled: machine::throttled(),
            memory_bytes: machine::resident_bytes(),
        }
    }
}

/// The figures as pairs of words, for the terminal and the page.
pub(crate) fn health_lines(f: &HealthFigures) -> Vec<(&'static str, String)> {
    let told = |ms: Option<[f64; 3]>| ms.map_or_else(|| "not known yet".to_owned(), quantile_words);
    let share = 100.0 * f.dropped as f64 / f.frames.max(1) as f64;
    let restarts: Vec<String> = RESTARTED
        .iter()
        .zip(f.restarts)
        .map(|(what, times)| format!("{what} {times}"))
        .collect();
    let mut lines = vec![
        ("version", f.version.clone()),
        (
            "up",
            format!("{} h {} min", f.up_secs / 3600, f.up_secs / 60 % 60),
        ),
        ("hitter", f.ready.clone()),
        (
            "camera",
            format!(
                "{:.1} frames a second, {} dropped ({share:.2} %)",
                f.fps, f.dropped
            ),
        ),
        ("model", f.model.clone()),
        ("pose", told(f.pose_ms)),
        ("capture to analysis", told(f.seen_ms)),
        ("sound", format!("{}, {} cues heard", f.sound, f.cues_heard)),
        ("reps", format!("{} swings, {} takes", f.swings, f.takes)),
        (
            "last rep",
            f.last_rep.clone().unwrap_or_else(|| "none yet".into()),
        ),
        ("plan", f.plan.clone().unwrap_or_else(|| "none".into())),
        ("started again", restarts.join(", ")),
    ];
    if let Some(trouble) = &f.settings_trouble {
        lines.push((
            "settings",
            format!("{trouble}. The settings before stay in force"),
        ));
    }
    if !f.settings_waiting.is_empty() {
        lines.push(("waits for a restart", f.settings_waiting.join(", ")));
    }
    lines.push(("picture", picture_words(f)));
    lines.push(("video", video_words(f)));
    for (what, times) in [
        ("frame to cue", f.cue_ms),
        ("finish to cue", f.finish_to_cue_ms),
        ("frame to head tone", f.tone_ms),
    ] {
        if let Some(ms) = times {
            lines.push((what, quantile_words(ms)));
        }
    }
    if !f.journal.is_empty() {
        lines.push((
            "journal",
            format!(
                "{}; {} reps stored, {} waiting",
                f.journal, f.reps_stored, f.reps_waiting
            ),
        ));
    }
    if let Some(bytes) = f.disk_free_bytes {
        lines.push(("disk", format!("{:.1} GB free", bytes as f64 / 1e9)));
    }
    if let Some(bytes) = f.memory_bytes {
        lines.push(("memory", format!("{:.0} MB", bytes as f64 / 1e6)));
    }
    if let Some(celsius) = f.temperature_c {
        let slowed = match f.throttled {
            Some(0) => ", never slowed down for it".to_owned(),
            Some(times) => format!(", slowed down for it {times} times"),
            None => String::new(),
        };
        lines.push(("heat", format!("{celsius:.0} °C{slowed}")));
    }
    lines
}

fn quantile_words([p50, p95, p99]: [f64; 3]) -> String {
    format!("{p50:.1} ms, 95 % within {p95:.1}, 99 % within {p99:.1} ms")
}

/// Whether the page shows what the camera sees, so that nobody overlooks it.
fn picture_words(f: &HealthFigures) -> String {
    match f.picture_shown {
        true => format!(
            "THE CAMERA'S PICTURE IS SHOWN on the cage screen, not stored; {} made",
            f.pictures_made
        ),
        false => "off, the page shows a stick figure only".to_owned(),
    }
}

/// Whether pictures are kept, so that nobody overlooks it.
fn video_words(f: &HealthFigures) -> String {
    let mut words = match f.video_kept {
        true => "A FILM OF EACH REP IS KEPT".to_owned(),
        false => "off, no picture is stored".to_owned(),
    };
    if f.video_kept || f.video_films > 0 {
        let mb = f.video_bytes as f64 / 1e6;
        let _ = write!(words, "; {} films, {mb:.1} MB", f.video_films);
        if let Some(folder) = &f.video_folder {
            let _ = write!(words, ", in {}", folder.display());
        }
    }
    if f.video_given_up + f.video_frames_dropped > 0 {
        let _ = write!(
            words,
            "; {} films given up, {} frames left out",
            f.video_given_up, f.video_frames_dropped
        );
    }
    if let Some(why) = &f.video_trouble {
        let _ = write!(words, "; the last one: {why}");
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_told_in_words_and_come_back_from_json() {
        let figures = HealthFigures {
            frames: 1000,
            dropped: 5,
            restarts: [1, 0, 0, 2, 0],
            settings_trouble: Some("line 3: what is that".into()),
            ..HealthFigures::default()
        };
        let lines = health_lines(&figures);
        let told = |what: &str| &lines.iter().find(|l| l.0 == what).unwrap().1;
        assert_eq!(told("video"), "off, no picture is stored");
        assert!(told("picture").starts_with("off"));
        let shown = HealthFigures {
            picture_shown: true,
            pictures_made: 7,
            ..HealthFigures::default()
        };
        assert_eq!(
            picture_words(&shown),
            "THE CAMERA'S PICTURE IS SHOWN on the cage screen, not stored; 7 made"
        );
        let filmed = HealthFigures {
            video_kept: true,
            video_films: 3,
            video_bytes: 42_000_000,
            ..HealthFigures::default()
        };
        assert_eq!(
            video_words(&filmed),
            "A FILM OF EACH REP IS KEPT; 3 films, 42.0 MB"
        );
        assert!(told("camera").contains("(0.50 %)"));
        assert_eq!(
            told("started again"),
            "camera 1, pose 0, rep 0, sound 2, journal 0"
        );
        assert!(told("settings").contains("line 3"));
        let text = serde_json::to_string(&figures).unwrap();
        assert_eq!(
            serde_json::from_str::<HealthFigures>(&text).unwrap(),
            figures
        );
    }
}
