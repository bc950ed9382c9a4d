//! What is kept of a recording, what is refused, and what a broken folder costs.

use hound::WavReader;

use super::*;
use crate::sound::CueSources;
use crate::sound::synth::{TARGET_LUFS, loudest_momentary};

/// So many seconds of a 440 Hz tone between half seconds of silence, stereo at 44.1 kHz.
fn recording(loud_secs: f32, level: f32) -> Vec<u8> {
    let spec = WavSpec {
        channels: 2,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut file = io::Cursor::new(Vec::new());
    let mut wav = WavWriter::new(&mut file, spec).unwrap();
    for index in 0..((1.0 + loud_secs) * 44_100.0) as usize {
        let secs = index as f32 / 44_100.0;
        let heard = secs > 0.5 && secs < 0.5 + loud_secs;
        let value = level * (secs * 440.0 * std::f32::consts::TAU).sin();
        let step = if heard { (value * 32767.0) as i16 } else { 0 };
        wav.write_sample(step).unwrap();
        wav.write_sample(step).unwrap();
    }
    wav.finalize().unwrap();
    file.into_inner()
}

fn cue(id: &str, words: &str, millis: i64) -> OwnCue {
    OwnCue {
        id: id.to_owned(),
        words: words.to_owned(),
        file: None,
        tone: None,
        say: None,
        by: Some("Ana".to_owned()),
        recorded_at: Some(Timestamp::from_millisecond(millis).unwrap()),
    }
}

struct Cage {
    folder: tempfile::TempDir,
    sources: CueSources,
}

impl Cage {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.db");
        Self {
            sources: CueSources::new(Language::English, None, Some(&journal)),
            folder,
        }
    }

    fn own(&self) -> &OwnCues {
        self.sources.own().unwrap()
    }

    fn place(&self) -> PathBuf {
        self.folder.path().join("journal.cues").join("en")
    }

    fn files(&self) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.place()) else {
            return Vec::new();
        };
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort_unstable();
        names
    }

    fn heard(&self) -> Vec<u8> {
        self.sources.heard("head_forward").unwrap().unwrap()
    }
}

#[test]
fn a_recording_is_kept_as_it_is_heard_and_goes_for_good() {
    let cage = Cage::new();
    let shipped = cage.heard();
    cage.own()
        .record(cue("head_forward", "quiet head", 5), recording(0.6, 0.02))
        .unwrap();
    assert_eq!(cage.files(), ["head_forward-5.wav", "phrases.toml"]);
    let wav = WavReader::open(cage.place().join("head_forward-5.wav")).unwrap();
    assert_eq!((wav.spec().sample_rate, wav.spec().channels), (48_000, 1));
    let kept: Vec<f32> = wav
        .into_samples::<i16>()
        .map(|sample| f32::from(sample.unwrap()) / 32768.0)
        .collect();
    let secs = kept.len() as f32 / SAMPLE_RATE_HZ as f32;
    assert!((secs - 0.6).abs() < 0.03, "{secs} s without the silence");
    let loudness = loudest_momentary(&kept).unwrap();
    assert!((loudness - TARGET_LUFS).abs() < 0.5, "{loudness} LUFS");
    // The tone, then just that: trimming it again takes next to nothing.
    let heard = cage.heard();
    assert!(heard != shipped);
    let library = cage.sources.load().unwrap();
    let cue_heard = library.cue(CueId::HeadForward).unwrap();
    assert!(wav_of(&cue_heard).unwrap() == heard);
    let tail = &cue_heard[cue_heard.len() - kept.len() + 960..][..kept.len() - 1920];
    let loudest = loudest_momentary(tail).unwrap();
    assert!((loudest - TARGET_LUFS).abs() < 0.5, "{loudest} LUFS");
    assert_eq!(cage.sources.words()["head_forward"], "quiet head");
    let listed = cage.own().list().unwrap();
    assert_eq!(listed[0].by.as_deref(), Some("Ana"));
    #[cfg(unix)]
    for (path, mode) in [
        (cage.place(), 0o700),
        (cage.place().join("phrases.toml"), 0o600),
        (cage.place().join("head_forward-5.wav"), 0o600),
    ] {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(
            fs::metadata(path).unwrap().permissions().mode() & 0o777,
            mode
        );
    }

    // A second one takes the first one's place, and its file.
    cage.own()
        .record(cue("head_forward", "quiet", 9), recording(0.3, 0.5))
        .unwrap();
    assert_eq!(cage.files(), ["head_forward-9.wav", "phrases.toml"]);
    cage.own().remove("head_forward").unwrap();
    assert!(!cage.folder.path().join("journal.cues").exists());
    assert!(cage.heard() == shipped);
    cage.own().remove("head_forward").unwrap();
}

#[test]
fn what_cannot_be_heard_in_time_is_refused_and_changes_nothing() {
    let cage = Cage::new();
    let first = recording(0.4, 0.5);
    cage.own()
        .record(cue("head_forward", "first", 1), first)
        .unwrap();
    let before = (cage.files(), cage.heard());
    let refused = |bytes: Vec<u8>| {
        let error = cage.own().record(cue("head_forward", "x", 2), bytes);
        error.unwrap_err()
    };
    assert!(matches!(
        refused(recording(1.5, 0.5)),
        SoundError::LongSound { .. }
    ));
    assert!(matches!(
        refused(recording(0.5, 0.0)),
        SoundError::SilentSound { .. }
    ));
    for bytes in [b"RIFF".to_vec(), b"not a sound".to_vec(), Vec::new()] {
        assert!(matches!(refused(bytes), SoundError::DecodeSound { .. }));
    }
    // A header may claim any rate: what no recorder has is not converted.
    for rate in [1_u32, 0x7fff_ffff, 191_999] {
        let mut odd = recording(0.1, 0.5);
        odd[24..28].copy_from_slice(&rate.to_le_bytes());
        odd[28..32].copy_from_slice(&rate.wrapping_mul(4).to_le_bytes());
        assert!(
            matches!(refused(odd), SoundError::DecodeSound { .. }),
            "{rate}"
        );
    }
    assert!(matches!(
        refused(recording(40.0, 0.5)),
        SoundError::LongSound { .. }
    ));
    for id in ["opening", "do_ready", "n7", "../x"] {
        let refused = cage.own().record(cue(id, "x", 2), recording(0.3, 0.5));
        assert!(matches!(refused, Err(SoundError::NoSuchCue { .. })), "{id}");
        assert!(!cage.sources.has_cue(id), "{id}");
    }
    assert_eq!(cage.files(), before.0);
    assert!(cage.heard() == before.1, "what was heard before is heard");
}

#[cfg(unix)]
#[test]
fn a_list_that_cannot_be_written_leaves_the_recording_of_before() {
    let cage = Cage::new();
    cage.own()
        .record(cue("head_forward", "first", 1), recording(0.4, 0.5))
        .unwrap();
    let before = (cage.files(), cage.heard());
    // Where the new list would be written there is something that is no file.
    let blocked = cage.place().join("phrases.toml.new");
    fs::create_dir(&blocked).unwrap();
    fs::write(blocked.join("x"), "x").unwrap();
    let failed = cage
        .own()
        .record(cue("head_forward", "second", 2), recording(0.4, 0.5));
    assert!(matches!(failed, Err(SoundError::KeepSound { .. })));
    fs::remove_dir_all(&blocked).unwrap();
    assert_eq!(cage.files(), before.0);
    assert!(cage.heard() == before.1, "what was heard before is heard");
    assert_eq!(cage.sources.words()["head_forward"], "first");
}

#[test]
fn words_alone_change_what_is_shown_and_not_what_is_heard() {
    let cage = Cage::new();
    let shipped = cage.heard();
    cage.own()
        .show(cue("head_forward", "quiet head", 1))
        .unwrap();
    assert_eq!(cage.sources.other_words()["head_forward"], "quiet head");
    assert_eq!(
        (cage.files(), cage.heard()),
        (vec!["phrases.toml".into()], shipped)
    );
    // Other words for a recording leave it whose it is.
    cage.own()
        .record(cue("head_forward", "quiet head", 2), recording(0.4, 0.5))
        .unwrap();
    let by_another = OwnCue {
        by: Some("Kim".to_owned()),
        ..cue("head_forward", "eyes still", 3)
    };
    cage.own().show(by_another).unwrap();
    let listed = cage.own().list().unwrap();
    let now: Vec<_> = listed
        .iter()
        .map(|cue| (cue.words.as_str(), cue.by.as_deref(), cue.file.as_deref()))
        .collect();
    assert_eq!(
        now,
        [("eyes still", Some("Ana"), Some("head_forward-2.wav"))]
    );
}

#[test]
fn a_broken_folder_is_passed_over_and_keeps_no_run_from_starting() {
    let cage = Cage::new();
    let shipped = cage.heard();
    cage.own()
        .record(cue("head_forward", "mine", 1), recording(0.4, 0.5))
        .unwrap();
    cage.own()
        .record(cue("head_back", "mine too", 2), recording(0.4, 0.5))
        .unwrap();
    let others = cage.sources.heard("head_back").unwrap();
    // One recording is damaged: the other counts all the same.
    fs::write(cage.place().join("head_forward-1.wav"), "no sound").unwrap();
    assert!(cage.heard() == shipped);
    assert_eq!(cage.sources.heard("head_back").unwrap(), others);
    assert!(cage.sources.load().is_ok());
    for list in [
        "this is no list",
        "[[phrase]]\nid = \"luck\"\nwords = \"x\"\n",
    ] {
        fs::write(cage.place().join("phrases.toml"), list).unwrap();
        assert!(cage.sources.load().is_ok());
        assert!(cage.heard() == shipped);
    }
    // What somebody may still want is not written over.
    fs::write(cage.place().join("phrases.toml"), "this is no list").unwrap();
    assert!(cage.own().remove("head_back").is_err());
    assert!(cage.files().contains(&"head_back-2.wav".to_owned()));
}
