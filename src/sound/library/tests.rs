//! The library of cues: lengths, levels, and a coach's own recordings.

use hound::{SampleFormat, WavSpec, WavWriter};

use super::*;
use crate::coach::PhraseId;
use crate::pitch::{Mark, MarkKind};
use crate::sound::SAMPLE_RATE_HZ;
use crate::sound::synth::{MAX_SAMPLE, TARGET_LUFS, loudest_momentary};

fn library() -> CueLibrary {
    CueLibrary::load(None).expect("the built-in cues load")
}

/// A coach's folder with one recording in it: `loud_secs` of a 440 Hz tone between half seconds
/// of silence, stereo at 44.1 kHz.
fn folder(list: &str, loud_secs: f32, level: f32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("phrases.toml"), list).expect("a list");
    let spec = WavSpec {
        channels: 2,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut wav = WavWriter::create(folder.path().join("mine.wav"), spec).expect("a file");
    for index in 0..((1.0 + loud_secs) * 44_100.0) as usize {
        let secs = index as f32 / 44_100.0;
        let heard = secs > 0.5 && secs < 0.5 + loud_secs;
        let value = if heard {
            level * (secs * 440.0 * std::f32::consts::TAU).sin()
        } else {
            0.0
        };
        wav.write_sample((value * 32767.0) as i16).expect("left");
        wav.write_sample((value * 32767.0) as i16).expect("right");
    }
    wav.finalize().expect("a whole file");
    folder
}

const MINE: &str =
    "[[phrase]]\nid = \"head_forward\"\nwords = \"quiet head\"\nfile = \"mine.wav\"\n";

fn libraries() -> impl Iterator<Item = CueLibrary> {
    Language::ALL
        .into_iter()
        .map(|language| CueLibrary::load_in(language, None).expect("the built-in cues load"))
}

/// Every id with words, sorted: the cues and the parts of sentences.
fn phrase_ids(library: &CueLibrary) -> Vec<&str> {
    let mut ids: Vec<&str> = library.phrases.keys().map(String::as_str).collect();
    ids.sort_unstable();
    ids
}

fn words_alone<'a>(library: &'a CueLibrary, id: &str) -> &'a [f32] {
    library.phrases[id].words_alone()
}

fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()))
}

#[test]
fn every_phrase_names_its_tone_and_its_own_file() {
    for language in Language::ALL {
        let list = read_list(language.phrases(), Path::new("built-in")).expect("the list parses");
        for phrase in &list {
            assert_eq!(phrase.file, Some(format!("{}.flac", phrase.id)));
            assert!(phrase.tone.is_some(), "{} names no tone", phrase.id);
        }
    }
}

/// The proof that a language is one list with its recordings: whatever one can say the other can,
/// with the same tone in front. Numbers are each language's own affair.
#[test]
fn all_languages_have_the_same_phrases() {
    let of = |library: &CueLibrary| -> Vec<(String, PhraseTone)> {
        phrase_ids(library)
            .into_iter()
            .filter(|id| !sentence::is_number_id(id))
            .map(|id| (id.to_owned(), library.phrases[id].tone))
            .collect()
    };
    let all: Vec<_> = libraries().map(|library| of(&library)).collect();
    assert!(all.windows(2).all(|pair| pair[0] == pair[1]));
}

#[test]
fn no_english_cue_has_more_than_four_words_no_spanish_one_more_than_five_and_no_two_are_alike() {
    for (language, most) in Language::ALL.into_iter().zip([4, 5]) {
        let words = phrase_words(language);
        let spoken = CueId::ALL.iter().filter(|id| **id != CueId::InBand);
        let mut said: Vec<&str> = spoken
            .flat_map(|id| [words.get(id.as_str()), words.get(&instruction_id(*id))])
            .flatten()
            .map(String::as_str)
            .collect();
        // A fault has both, a remark the one.
        assert!(said.len() > CueId::ALL.len() + 30);
        assert!(
            said.iter()
                .all(|words| words.split_whitespace().count() <= most),
            "{said:?}"
        );
        let all = said.len();
        said.sort_unstable();
        said.dedup();
        assert_eq!(said.len(), all);
    }
}

#[test]
fn no_sound_is_too_long_too_loud_or_clicks() {
    for library in libraries() {
        let cues = CueId::ALL.iter().map(|id| {
            let samples = library.cue(*id).expect("a sound");
            (id.as_str(), samples.to_vec(), MAX_CUE)
        });
        let parts = phrase_ids(&library).into_iter().map(|id| {
            let words = words_alone(&library, id);
            (id, words.to_vec(), MAX_PART)
        });
        for (id, samples, most) in cues.chain(parts) {
            let lasts = duration_of(samples.len());
            assert!(lasts <= most, "{id} lasts {lasts:?}");
            let peak = peak(&samples);
            assert!(
                (0.1..=MAX_SAMPLE + 1e-4).contains(&peak),
                "{id} peaks at {peak}"
            );
            let ends = [samples[0], samples[samples.len() - 1]];
            assert!(
                ends.iter().all(|s| s.abs() < 0.001),
                "{id} begins or ends with a step: {ends:?}"
            );
        }
    }
}

#[test]
fn a_cue_is_audible_within_5_ms() {
    for library in libraries() {
        for id in CueId::ALL {
            let samples = library.cue(*id).expect("a sound");
            let peak = peak(&samples);
            let first = samples
                .iter()
                .position(|s| s.abs() > 0.05 * peak)
                .expect("a sound");
            assert!(
                first < samples_in(Duration::from_millis(5)),
                "{id} begins after {first} samples"
            );
        }
    }
}

/// Measured by an implementation of EBU R128 that is not ours; words and tones apart, because the
/// louder of the two would hide the other.
#[test]
fn all_words_and_tones_of_all_languages_are_equally_loud_within_1_lu() {
    let mut all: Vec<(String, f64)> = Vec::new();
    let mut measure = |name: String, samples: &[f32]| {
        all.push((name, loudest_momentary(samples).expect("a reading")));
    };
    for tone in [Tone::InBand, Tone::Out, Tone::Notice] {
        measure(format!("{tone:?}"), &leveled_tone(tone).expect("a tone"));
    }
    let delivery = DeliverySounds::new().expect("sounds");
    for kind in [MarkKind::Beat, MarkKind::Release, MarkKind::Plate] {
        measure(format!("{kind:?}"), delivery.of(kind));
    }
    for (language, library) in Language::ALL.into_iter().zip(libraries()) {
        for id in phrase_ids(&library) {
            let words = words_alone(&library, id);
            measure(format!("{} {id}", language.code()), words);
        }
    }
    all.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (lowest, highest) = (&all[0], &all[all.len() - 1]);
    println!("{} sounds, from {lowest:?} to {highest:?} LUFS", all.len());
    assert!(highest.1 - lowest.1 < 1.0, "{lowest:?} to {highest:?}");
    assert!(lowest.1 > TARGET_LUFS - 1.0 && highest.1 < TARGET_LUFS + 1.0);
}

#[test]
fn a_sentence_is_its_words_in_order_after_a_tone() {
    let library = library();
    let said = [
        Said::Count(10, PhraseId::Swings),
        Said::Pause,
        Said::Number(7),
        Said::Phrase(PhraseId::InRange),
    ];
    let samples = library.sentence(&said).expect("it can be said");
    let tone = samples_in(BREATH);
    assert!(samples[..tone].iter().all(|s| *s == 0.0), "a breath first");
    let mut from = tone + library.notice.len();
    assert!(samples[tone..from] == library.notice[..], "then the tone");
    for id in ["n10", "swings", "n7", "in_range"] {
        let words = words_alone(&library, id);
        let rest = &samples[from..];
        let begins = rest
            .windows(words.len())
            .position(|window| window == words)
            .unwrap_or_else(|| panic!("{id} is missing or out of order"));
        assert!(
            rest[..begins].iter().all(|s| *s == 0.0),
            "silence before {id}"
        );
        from += begins + words.len();
    }
    assert_eq!(from, samples.len());
}

#[test]
fn what_cannot_be_said_is_named() {
    let mut library = library();
    let error = |library: &CueLibrary, said: &[Said]| {
        library.sentence(said).expect_err("no words").to_string()
    };
    assert!(error(&library, &[Said::Number(1000)]).contains("`1000`"));
    let endless: Vec<Said> = (0..40).map(|_| Said::Number(777)).collect();
    assert!(error(&library, &endless).contains("say less"));
    for id in ["opening", "swings", "head_back"] {
        library.phrases.remove(id);
    }
    assert!(error(&library, &[Said::Phrase(PhraseId::Opening)]).contains("`opening`"));
    assert!(error(&library, &[Said::Count(3, PhraseId::Swings)]).contains("`swings`"));
    assert!(error(&library, &[Said::Cue(CueId::HeadBack)]).contains("`head_back`"));
    let missing = library.samples(&Sound::Cue(CueId::HeadBack));
    assert!(matches!(missing, Err(SoundError::NoSuchCue { .. })));
}

#[test]
fn a_mark_of_a_delivery_is_heard_at_its_sample() {
    let library = library();
    let mark = |at_secs, kind| Mark { at_secs, kind };
    let marks = [
        mark(0.0, MarkKind::Beat),
        mark(0.9, MarkKind::Release),
        mark(1.3125, MarkKind::Plate),
    ];
    let samples = library.delivery.mix(&marks).expect("a delivery");
    for mark in marks {
        let sound = library.delivery.of(mark.kind);
        let first = (mark.at_secs * f64::from(SAMPLE_RATE_HZ)).round() as usize;
        assert_eq!(samples[first..first + sound.len()], *sound);
    }
    let together = [mark(0.5, MarkKind::Plate); 3];
    let peak = peak(&library.delivery.mix(&together).expect("a delivery"));
    assert!(peak <= MAX_SAMPLE + 1e-4, "{peak}");
    for marks in [
        &[] as &[Mark],
        &[mark(-0.1, MarkKind::Beat)],
        &[mark(f64::NAN, MarkKind::Beat)],
        &[mark(15.1, MarkKind::Beat)],
    ] {
        assert!(library.delivery.mix(marks).is_err(), "{marks:?}");
    }
}

#[test]
fn languages_are_known_by_their_code() {
    for language in Language::ALL {
        assert_eq!(Language::from_code(language.code()), Some(language));
    }
    assert_eq!(Language::from_code("tlh"), None);
}

#[test]
fn a_coach_replaces_one_cue_and_keeps_the_rest() {
    let (built_in, folder) = (library(), folder(MINE, 0.6, 0.02));
    let own = CueLibrary::load(Some(folder.path())).expect("it loads");
    assert_eq!(own.cue(CueId::HeadBack), built_in.cue(CueId::HeadBack));
    let samples = own.cue(CueId::HeadForward).expect("a sound");
    let tone = synth::tone_samples(Tone::Out).len() + samples_in(GAP);
    let words_secs = (samples.len() - tone) as f32 / SAMPLE_RATE_HZ as f32;
    assert!(
        (words_secs - 0.6).abs() < 0.03,
        "the silence is trimmed: {words_secs} s are left"
    );
    let loudness = loudest_momentary(&samples[tone..]).expect("a reading");
    assert!(
        (loudness - TARGET_LUFS).abs() < 0.5,
        "and the level raised: {loudness} LUFS"
    );
}

#[test]
fn a_faulty_folder_is_refused_by_name() {
    let message = |list: &str, secs: f32, level: f32| {
        let folder = folder(list, secs, level);
        CueLibrary::load(Some(folder.path()))
            .expect_err("it is faulty")
            .to_string()
    };
    assert!(
        message(&MINE.replace("head_forward", "head_frwd"), 0.5, 0.5)
            .contains("`head_frwd`, which is no cue")
    );
    assert!(
        message(
            &MINE.replace("head_forward", CueId::InBand.as_str()),
            0.5,
            0.5
        )
        .contains("`in_band`, which is no cue")
    );
    assert!(message(&MINE.repeat(2), 0.5, 0.5).contains("two entries for `head_forward`"));
    assert!(message(&MINE.replace("words", "wrds"), 0.5, 0.5).contains("wrds"));
    assert!(message(&MINE.replace("mine.wav", "yours.wav"), 0.5, 0.5).contains("yours.wav"));
    assert!(message(&MINE.replace("mine.wav", "phrases.toml"), 0.5, 0.5).contains("cannot decode"));
    assert!(message(MINE, 0.5, 0.0).contains("mine.wav is silent"));
    assert!(
        message(MINE, 2.0, 0.5).contains("there is room for 13"),
        "a cue has room for 1.3 s of words"
    );
    let nowhere = CueLibrary::load(Some(Path::new("no/such/folder")))
        .expect_err("no folder")
        .to_string();
    assert!(nowhere.contains("no/such/folder/phrases.toml"), "{nowhere}");
}

/// A language that says its ones before its tens needs every number recorded.
#[test]
fn a_coachs_language_may_bring_its_own_numbers() {
    let list = MINE
        .replace("head_forward", "n21")
        .replace("quiet head", "einundzwanzig");
    let folder = folder(&list, 0.6, 0.5);
    let own = CueLibrary::load_in(Language::English, Some(folder.path())).expect("it loads");
    let said = own.sentence(&[Said::Number(21)]).expect("it can be said");
    assert!(said.ends_with(words_alone(&own, "n21")));
}
