use super::*;
use crate::rep::Heard;
use crate::status::{CameraState, MicrophoneState, SoundState};

/// Most errors are in English by their own `Display`.
const ONLY_SPANISH: &str = "fault.";

#[test]
fn both_lists_have_the_same_keys_and_no_empty_texts() {
    let [english, spanish] = Language::ALL.map(|language| Messages::of(language, Lengths::Metric));
    let keys = |messages: &Messages| -> Vec<String> {
        let keys = messages.messages.keys();
        keys.filter(|key| !key.starts_with(ONLY_SPANISH))
            .cloned()
            .collect()
    };
    assert!(keys(english).len() > 50);
    assert_eq!(keys(english), keys(spanish));
    for messages in [english, spanish] {
        assert!(messages.messages.values().all(|t| !t.trim().is_empty()));
        for name in MeasureName::ALL {
            assert_ne!(messages.measure(*name), name.name());
        }
        assert_ne!(messages.cue(CueId::HeadForward), "head_forward");
        let has = |key: String| assert!(messages.messages.contains_key(&key), "{key}");
        for reason in QuietReason::ALL {
            has(format!("quiet.{reason}"));
        }
        for reason in NotMeasured::ALL {
            has(format!("not_measured.{reason}"));
        }
        for reason in NotCountedReason::ALL {
            has(format!("not_counted.{reason}"));
        }
        for kind in ScheduleKind::ALL {
            has(format!("schedule.{kind}"));
        }
        for state in ReadyState::ALL {
            has(format!("js.ready.{}", state.key()));
        }
        for state in CameraState::ALL {
            has(format!("health.camera_stand.{state}"));
        }
        for ear in [Heard::Nothing, Heard::Unclear] {
            has(format!("rep.ear.{}", ear.name()));
        }
        has("rep.ear.contact".to_owned());
        for state in MicrophoneState::ALL {
            has(format!("health.microphone.{state}"));
        }
        for state in SoundState::ALL {
            has(format!("health.sound.{state}"));
        }
        for phase in [
            Phase::Away,
            Phase::Set,
            Phase::Gather,
            Phase::Stride,
            Phase::Planted,
            Phase::Swing,
            Phase::Finish,
        ] {
            has(format!("phase.{}", phase.name()));
        }
        for part in ["heel", "knee", "hip", "hands"] {
            has(format!("part.{part}"));
        }
        for level in Level::ALL {
            has(format!("level.{}", level.name()));
        }
    }
    // What is the same in both languages is so on purpose.
    const SAME: [&str; 10] = [
        "swing",
        "swings",
        "{} swing",
        "{} swings",
        "plan",
        "pose",
        "video",
        "{} video, {} mb",
        "{} videos, {} mb",
        "n",
    ];
    for (key, text) in &spanish.messages {
        let is_english = english.messages.get(key) == Some(text);
        let is_wanted = SAME.contains(&text.to_lowercase().as_str());
        assert!(
            !is_english || is_wanted,
            "{key} is English in the Spanish list"
        );
    }
    // The same gaps in both, or one language would lose a number.
    for (key, text) in &english.messages {
        assert_eq!(
            text.matches("{}").count(),
            spanish.t(key).matches("{}").count(),
            "{key}"
        );
    }
}

#[test]
fn the_source_of_a_session_is_shown_as_noted_or_in_spanish() {
    let [english, spanish] = Language::ALL.map(|language| Messages::of(language, Lengths::Metric));
    let camera = "camera 0: 1280 x 720, 60 frames a second, through nokhwa";
    for (noted, shown) in [
        (camera, camera),
        ("recording /a/b.mp4", "recording b.mp4"),
        ("/a/b.track.jsonl", "b.track.jsonl"),
        (r"C:\a\b.mp4", "b.mp4"),
        ("clip 0011aaff", "clip"),
    ] {
        assert_eq!(english.source(noted), shown);
    }
    assert_eq!(spanish.source("clip 0011aaff"), "video de celular");
    assert_eq!(
        spanish.source(camera),
        "cámara 0: 1280 x 720, 60 cuadros por segundo, a través de nokhwa"
    );
}

fn files_below(folder: &std::path::Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_below(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs" || e == "html") {
            found.push(path);
        }
    }
}

/// A text in quotes that begins as the keys of the lists do is a key.
#[test]
fn every_key_in_code_and_templates_is_in_the_lists() {
    let spanish = Messages::of(Language::Spanish, Lengths::Metric);
    let prefixes: std::collections::BTreeSet<&str> = spanish
        .messages
        .keys()
        .filter_map(|key| key.split_once('.'))
        .map(|(prefix, _)| prefix)
        .collect();
    let mut files = Vec::new();
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page");
    files_below(&folder, &mut files);
    let mut keys = 0;
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        for part in text.split('"') {
            let is_key = part.split_once('.').is_some_and(|(prefix, rest)| {
                prefixes.contains(prefix)
                    && !rest.is_empty()
                    && rest
                        .chars()
                        .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || "_.".contains(c))
            });
            let is_file = [".html", ".js", ".css"]
                .iter()
                .any(|end| part.ends_with(end));
            if is_key && !is_file && !part.ends_with('.') {
                keys += 1;
                assert!(
                    spanish.messages.contains_key(part),
                    "{part} in {}",
                    path.display()
                );
            }
        }
    }
    assert!(keys > 150, "{keys}");
}
