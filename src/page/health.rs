//! The health figures: collected, and as lines for a person.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use serde::{Deserialize, Serialize};

pub(super) mod metrics;

use super::i18n::Messages;
use crate::journal::Storage;
use crate::machine;
use crate::sound::{DeviceState, Language};
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

/// [`HealthFigures::journal`] where all is well.
const STORES: &str = "stores";

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
            Some(Storage::Working) => STORES.to_owned(),
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
            model: health
                .model()
                .map(|reason| reason.to_string())
                .unwrap_or_default(),
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

/// The figures as pairs of text, for the terminal.
pub(crate) fn health_lines(f: &HealthFigures) -> Vec<(String, String)> {
    let english = Messages::of(Language::English);
    localized_lines(f, f.model.clone(), f.last_rep.clone(), english)
}

/// The figures as pairs of text in a language, which the model in use and the last rep are in already.
pub(super) fn localized_lines(
    f: &HealthFigures,
    model: String,
    last_rep: Option<String>,
    i18n: &Messages,
) -> Vec<(String, String)> {
    let none = || i18n.t("health.none").to_owned();
    let quantiles = |ms: Option<[f64; 3]>| {
        ms.map_or_else(
            || i18n.t("health.not_known").to_owned(),
            |ms| quantile_text(ms, i18n),
        )
    };
    let share = 100.0 * f.dropped as f64 / f.frames.max(1) as f64;
    let restarts: Vec<String> = RESTARTED
        .iter()
        .zip(f.restarts)
        .map(|(stage, times)| format!("{} {times}", i18n.named("health.stage.", stage)))
        .collect();
    let mut lines = vec![
        ("health.version", f.version.clone()),
        (
            "health.up",
            format!("{} h {} min", f.up_secs / 3600, f.up_secs / 60 % 60),
        ),
        ("health.hitter", i18n.ready(&f.ready).to_owned()),
        (
            "health.camera",
            i18n.fill(
                "health.camera_is",
                &[&format!("{:.1}", f.fps), &f.dropped, &format!("{share:.2}")],
            ),
        ),
        ("health.model", model),
        ("health.pose", quantiles(f.pose_ms)),
        ("health.analysis", quantiles(f.seen_ms)),
        (
            "health.sound",
            i18n.fill(
                "health.sound_is",
                &[&i18n.named("health.sound.", &f.sound), &f.cues_heard],
            ),
        ),
        (
            "health.reps",
            i18n.fill("health.reps_are", &[&f.swings, &f.takes]),
        ),
        (
            "health.last_rep",
            last_rep.unwrap_or_else(|| i18n.t("health.none_yet").to_owned()),
        ),
        (
            "health.plan",
            f.plan
                .as_deref()
                .map_or_else(none, |plan| i18n.plan_name(plan).to_owned()),
        ),
        ("health.restarts", restarts.join(", ")),
    ];
    lines.extend(settings_lines(f, i18n));
    lines.push(("health.picture", picture_text(f, i18n)));
    lines.push(("health.video", video_text(f, i18n)));
    lines.extend(delay_lines(f, i18n));
    lines.extend(journal_line(f, i18n));
    lines.extend(machine_lines(f, i18n));
    lines
        .into_iter()
        .map(|(key, text)| (i18n.t(key).to_owned(), text))
        .collect()
}

type Line = (&'static str, String);

fn settings_lines(f: &HealthFigures, i18n: &Messages) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some(trouble) = &f.settings_trouble {
        let trouble = i18n.detail(trouble, "fault.settings");
        lines.push((
            "health.settings",
            i18n.format("health.settings_are", trouble),
        ));
    }
    if !f.settings_waiting.is_empty() {
        lines.push(("health.waiting", f.settings_waiting.join(", ")));
    }
    lines
}

/// How long sounds take, once one was heard.
fn delay_lines(f: &HealthFigures, i18n: &Messages) -> Vec<Line> {
    [
        ("health.frame_to_cue", f.cue_ms),
        ("health.finish_to_cue", f.finish_to_cue_ms),
        ("health.head_tone", f.tone_ms),
    ]
    .into_iter()
    .filter_map(|(key, times)| Some((key, quantile_text(times?, i18n))))
    .collect()
}

fn journal_line(f: &HealthFigures, i18n: &Messages) -> Option<Line> {
    if f.journal.is_empty() {
        return None;
    }
    let state = match f.journal == STORES {
        true => i18n.t("health.journal_stores"),
        false => i18n.detail(&f.journal, "fault.storage"),
    };
    Some((
        "health.journal",
        i18n.fill(
            "health.journal_is",
            &[&state, &f.reps_stored, &f.reps_waiting],
        ),
    ))
}

fn machine_lines(f: &HealthFigures, i18n: &Messages) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some(bytes) = f.disk_free_bytes {
        let gb = format!("{:.1}", bytes as f64 / 1e9);
        lines.push(("health.disk", i18n.format("health.disk_free", gb)));
    }
    if let Some(bytes) = f.memory_bytes {
        lines.push(("health.memory", format!("{:.0} MB", bytes as f64 / 1e6)));
    }
    if let Some(celsius) = f.temperature_c {
        let slowed = match f.throttled {
            Some(0) => i18n.t("health.never_slowed").to_owned(),
            Some(times) => i18n.format("health.slowed", times),
            None => String::new(),
        };
        lines.push(("health.heat", format!("{celsius:.0} °C{slowed}")));
    }
    lines
}

fn quantile_text([p50, p95, p99]: [f64; 3], i18n: &Messages) -> String {
    let ms = [p50, p95, p99].map(|ms| format!("{ms:.1}"));
    i18n.fill("health.quantiles", &[&ms[0], &ms[1], &ms[2]])
}

/// Whether the page shows what the camera sees, so that nobody overlooks it.
fn picture_text(f: &HealthFigures, i18n: &Messages) -> String {
    match f.picture_shown {
        true => i18n.format("health.picture_on", f.pictures_made),
        false => i18n.t("health.picture_off").to_owned(),
    }
}

/// Whether pictures are kept, so that nobody overlooks it.
fn video_text(f: &HealthFigures, i18n: &Messages) -> String {
    let mut parts = vec![match f.video_kept {
        true => i18n.t("health.video_on").to_owned(),
        false => i18n.t("health.video_off").to_owned(),
    }];
    if f.video_kept || f.video_films > 0 {
        let mb = format!("{:.1}", f.video_bytes as f64 / 1e6);
        let mut films = i18n.fill("health.films", &[&f.video_films, &mb]);
        if let Some(folder) = &f.video_folder {
            films += &i18n.format("health.films_in", folder.display());
        }
        parts.push(films);
    }
    if f.video_given_up + f.video_frames_dropped > 0 {
        parts.push(i18n.fill(
            "health.films_given_up",
            &[&f.video_given_up, &f.video_frames_dropped],
        ));
    }
    if let Some(why) = &f.video_trouble {
        let why = i18n.detail(why, "fault.film");
        parts.push(i18n.format("health.last_film", why));
    }
    parts.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_well_and_come_back_from_json() {
        let figures = HealthFigures {
            frames: 1000,
            dropped: 5,
            restarts: [1, 0, 0, 2, 0],
            settings_trouble: Some("line 3: what is that".into()),
            ..HealthFigures::default()
        };
        let i18n = Messages::of(Language::English);
        let lines = health_lines(&figures);
        let text = |what: &str| &lines.iter().find(|l| l.0 == what).unwrap().1;
        assert_eq!(text("video"), "off, no picture is stored");
        assert!(text("picture").starts_with("off"));
        let shown = HealthFigures {
            picture_shown: true,
            pictures_made: 7,
            ..HealthFigures::default()
        };
        assert_eq!(
            picture_text(&shown, i18n),
            "THE CAMERA'S PICTURE IS SHOWN on the cage screen, not stored; 7 made"
        );
        let filmed = HealthFigures {
            video_kept: true,
            video_films: 3,
            video_bytes: 42_000_000,
            ..HealthFigures::default()
        };
        assert_eq!(
            video_text(&filmed, i18n),
            "A FILM OF EACH REP IS KEPT; 3 films, 42.0 MB"
        );
        assert!(text("camera").contains("(0.50 %)"));
        assert_eq!(
            text("started again"),
            "camera 1, pose 0, rep 0, sound 2, journal 0"
        );
        assert!(text("settings").contains("line 3"));
        let json = serde_json::to_string(&figures).unwrap();
        assert_eq!(
            serde_json::from_str::<HealthFigures>(&json).unwrap(),
            figures
        );
    }
}
