//! The health figures as lines for a person, and as metrics.

pub(super) mod metrics;

use std::fmt::Display;

use super::i18n::Messages;
use crate::rep::Lengths;
use crate::sound::Language;
use crate::status::{HealthFigures, JournalState, MicrophoneState};

/// What [`HealthFigures::restarts`] counts, in its order.
pub(super) const RESTARTED: [&str; 5] = ["camera", "pose", "rep", "sound", "journal"];

/// The figures as pairs of text, for the terminal.
pub(crate) fn health_lines(f: &HealthFigures) -> Vec<(String, String)> {
    let english = Messages::of(Language::English, Lengths::Metric);
    localized_lines(f, f.model.clone(), f.stage.last_rep.clone(), english)
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
        ("health.hitter", i18n.ready(f.stage.ready)),
        (
            "health.camera",
            i18n.fill(
                "health.camera_is",
                &[&format!("{:.1}", f.fps), &f.dropped, &format!("{share:.2}")],
            ),
        ),
        (
            "health.camera_stand",
            i18n.named("health.camera_stand.", f.stage.camera_stand.as_str())
                .to_owned(),
        ),
        ("health.model", model),
        ("health.pose", quantiles(f.pose_ms)),
        ("health.bat", quantiles(f.bat_ms)),
        ("health.analysis", quantiles(f.seen_ms)),
        (
            "health.sound",
            format!(
                "{}, {}",
                i18n.named("health.sound.", f.stage.sound.as_str()),
                i18n.counted("count.cues", f.stage.cues_heard)
            ),
        ),
        ("health.microphone", microphone_text(f, i18n)),
        ("health.reps", reps_text(f, i18n)),
        (
            "health.last_rep",
            last_rep.unwrap_or_else(|| i18n.t("health.none_yet").to_owned()),
        ),
        (
            "health.plan",
            f.stage
                .plan
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
    lines.extend(facility_line(f, i18n));
    lines.extend(machine_lines(f, i18n));
    lines
        .into_iter()
        .map(|(key, text)| (i18n.t(key).to_owned(), text))
        .collect()
}

/// What the microphone does, and how sure it is of the time between sound and picture.
fn microphone_text(f: &HealthFigures, i18n: &Messages) -> String {
    let stage = &f.stage;
    let mut text = i18n
        .named("health.microphone.", stage.microphone.as_str())
        .to_owned();
    if let Some(name) = &stage.microphone_name {
        text += &format!(" ({name})");
    }
    if stage.microphone == MicrophoneState::Off {
        return text;
    }
    if let Some(room_db) = stage.room_db {
        text += "; ";
        text += &i18n.fill("health.room", &[&format!("{room_db:.0}")]);
    }
    if let Some([lag, spread]) = stage.sound_lag_ms {
        let figures: [&dyn Display; 2] = [&format!("{lag:.1}"), &format!("{spread:.1}")];
        text += "; ";
        text += &i18n.fill("health.sound_lag", &figures);
    }
    text += "; ";
    text + &i18n.counted("count.contacts", stage.contacts_heard)
}

fn reps_text(f: &HealthFigures, i18n: &Messages) -> String {
    let stage = &f.stage;
    let mut counts = vec![
        i18n.counted("count.swings", stage.swings),
        i18n.counted("count.takes", stage.takes),
    ];
    if stage.swings_and_misses > 0 {
        counts.push(i18n.counted("count.swings_and_misses", stage.swings_and_misses));
    }
    counts.join(", ")
}

type HealthLine = (&'static str, String);

fn settings_lines(f: &HealthFigures, i18n: &Messages) -> Vec<HealthLine> {
    let mut lines = Vec::new();
    if let Some(trouble) = &f.stage.settings_trouble {
        let trouble = i18n.detail(trouble, "fault.settings");
        lines.push((
            "health.settings",
            i18n.format("health.settings_are", trouble),
        ));
    }
    if !f.stage.settings_waiting.is_empty() {
        lines.push(("health.waiting", f.stage.settings_waiting.join(", ")));
    }
    lines
}

/// How long sounds take, once one was heard.
fn delay_lines(f: &HealthFigures, i18n: &Messages) -> Vec<HealthLine> {
    [
        ("health.frame_to_cue", f.cue_ms),
        ("health.finish_to_cue", f.finish_to_cue_ms),
        ("health.head_tone", f.tone_ms),
    ]
    .into_iter()
    .filter_map(|(key, times)| Some((key, quantile_text(times?, i18n))))
    .collect()
}

fn journal_line(f: &HealthFigures, i18n: &Messages) -> Option<HealthLine> {
    let state = match &f.stage.journal {
        JournalState::Absent => return None,
        JournalState::Stores => i18n.t("health.journal_stores").to_owned(),
        waits => i18n.detail(&waits.to_string(), "fault.storage").to_owned(),
    };
    let mut text = format!(
        "{state}; {}, {}",
        i18n.counted("count.reps_stored", f.stage.reps_stored),
        i18n.counted("count.reps_waiting", f.stage.reps_waiting)
    );
    if f.stage.reps_lost > 0 {
        text += "; ";
        text += &i18n.counted("count.reps_lost", f.stage.reps_lost);
    }
    Some(("health.journal", text))
}

fn machine_lines(f: &HealthFigures, i18n: &Messages) -> Vec<HealthLine> {
    let mut lines = Vec::new();
    if let Some(bytes) = f.disk_free_bytes {
        let gb = format!("{:.1}", bytes as f64 / 1e9);
        lines.push(("health.disk", i18n.format("health.disk_free", gb)));
    }
    if let Some(bytes) = f.machine.memory_bytes {
        lines.push(("health.memory", format!("{:.0} MB", bytes as f64 / 1e6)));
    }
    if let Some(celsius) = f.machine.temperature_c {
        let slowed = match f.machine.throttled {
            Some(0) => i18n.t("health.never_slowed").to_owned(),
            Some(times) => format!(", {}", i18n.counted("count.slowed", times)),
            None => String::new(),
        };
        lines.push(("health.heat", format!("{celsius:.0} °C{slowed}")));
    }
    lines
}

/// How it stands with the facility's store; nothing for a cage by itself.
fn facility_line(f: &HealthFigures, i18n: &Messages) -> Option<HealthLine> {
    let facility = f.facility.as_ref()?;
    let behind = i18n.counted("count.reps_behind", facility.reps_behind);
    let text = match (&facility.trouble, facility.connected) {
        (_, true) if facility.reps_behind == 0 => i18n.t("health.facility_whole").to_owned(),
        (_, true) => behind,
        (Some(why), false) => {
            format!("{}; {behind}", i18n.detail(why, "fault.facility"))
        }
        (None, false) => i18n.t("health.facility_not_yet").to_owned(),
    };
    Some(("health.facility", text))
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
    let mut parts = vec![match f.stage.video_kept {
        true => i18n.t("health.video_on").to_owned(),
        false => i18n.t("health.video_off").to_owned(),
    }];
    if f.stage.video_kept || f.stage.video_films > 0 {
        let mb = format!("{:.1}", f.stage.video_bytes as f64 / 1e6);
        let mut films = i18n.counted_with("count.films", f.stage.video_films, &[&mb]);
        if let Some(folder) = &f.stage.video_folder {
            films += &i18n.format("health.films_in", folder.display());
        }
        parts.push(films);
    }
    if f.stage.video_given_up + f.stage.video_frames_dropped > 0 {
        parts.push(format!(
            "{}, {}",
            i18n.counted("count.films_given_up", f.stage.video_given_up),
            i18n.counted("count.frames_left_out", f.stage.video_frames_dropped)
        ));
    }
    if let Some(why) = &f.stage.video_trouble {
        let why = i18n.detail(why, "fault.film");
        parts.push(i18n.format("health.last_film", why));
    }
    parts.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::StageFigures;

    #[test]
    fn figures_read_well() {
        let figures = HealthFigures {
            frames: 1000,
            dropped: 5,
            restarts: [1, 0, 0, 2, 0],
            stage: StageFigures {
                settings_trouble: Some("line 3: what is that".into()),
                ..StageFigures::default()
            },
            ..HealthFigures::default()
        };
        let i18n = Messages::of(Language::English, Lengths::Metric);
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
            stage: StageFigures {
                video_kept: true,
                video_films: 3,
                video_bytes: 42_000_000,
                ..StageFigures::default()
            },
            ..HealthFigures::default()
        };
        assert_eq!(
            video_text(&filmed, i18n),
            "A VIDEO OF EACH REP IS KEPT; 3 videos, 42.0 MB"
        );
        assert!(text("camera").contains("(0.50 %)"));
        let once = HealthFigures {
            stage: StageFigures {
                swings: 1,
                cues_heard: 1,
                ..StageFigures::default()
            },
            ..HealthFigures::default()
        };
        let lines = health_lines(&once);
        let told = |words: &str| lines.iter().any(|line| line.1.contains(words));
        assert!(told("1 swing, 0 takes") && told("1 cue heard"), "{lines:?}");
        assert_eq!(
            text("restarts"),
            "camera 1, pose 0, rep 0, sound 2, journal 0"
        );
        assert!(text("settings").contains("line 3"));
    }
}
