//! What each fuzz target does with its bytes: reads them as the program would, and holds the reader to what it promises.
//!
//! In: any bytes. Out: nothing; a panic is a finding. The ordinary tests run the same functions on the inputs that once
//! were findings (`tests/integration/fuzzed.rs`), so this file knows nothing of the fuzzer.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use cagehand::capture::{ClipSource, Frame, MjpegDecoder};
use cagehand::coach::Plan;
use cagehand::journal::{
    ExportFormat, Journal, RepFilter, decode_timeline, encode_timeline, rep_line,
};
use cagehand::page_fuzzing;
use cagehand::pose::track::TrackReader;
use cagehand::rep::{HitterSetup, RepFinder};
use cagehand::settings::{CameraValues, Settings, changes, edit_numbers, explain};
use cagehand::sound::CueLibrary;
use cagehand::video::Film;
use tempfile::TempDir;

/// Takes bytes, panics on a finding.
pub type Target = fn(&[u8]);

/// All of them, by name.
pub const TARGETS: [(&str, Target); 11] = [
    ("settings", settings),
    ("plan", plan),
    ("track", track),
    ("clip", clip),
    ("journal", journal),
    ("timeline", timeline),
    ("film", film),
    ("picture", picture),
    ("cues", cues),
    ("keys", keys),
    ("forms", forms),
];

/// Frames of a clip or a track that are looked at: enough to get past the start, few enough to be quick.
const FRAMES: usize = 12;
const TRACK_FRAMES: usize = 400;

/// A settings file: read, explained, compared, edited. An edit of good settings gives good settings.
pub fn settings(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let path = Path::new("fuzz.toml");
    let read = Settings::parse(text, path);
    let _ = explain(text);
    let values = CameraValues {
        known_length: Some((150.0, 300.0)),
        roll_deg: Some(1.5),
    };
    let edited = edit_numbers(text, "camera", &values.numbers(), path);
    if let Err(error) = &read {
        assert!(!error.to_string().is_empty());
    }
    if let (Ok(read), Ok((edited, _))) = (read, edited) {
        let after = Settings::parse(&edited, path)
            .unwrap_or_else(|error| panic!("an edit made good settings bad: {error}"));
        assert_eq!(after.camera.roll_deg, Some(1.5));
        assert_eq!(
            after.bands, read.bands,
            "an edit of the camera changed bands"
        );
        let _ = changes(&read, &after);
    }
}

/// A plan: what is read is written as text that reads back as the same plan.
pub fn plan(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    if let Ok(plan) = Plan::parse(text) {
        let written = plan.to_text();
        let again = Plan::parse(&written)
            .unwrap_or_else(|error| panic!("a plan cannot be read back: {error}\n{written}"));
        assert_eq!(again, plan, "{written}");
    }
}

/// A pose track: stamps rise, and whatever coordinates it holds, the finder takes them.
pub fn track(data: &[u8]) {
    let (_folder, path) = written("track.jsonl", data);
    let Ok(mut reader) = TrackReader::open(&path) else {
        return;
    };
    let mut finder = RepFinder::new(HitterSetup::default());
    let mut last = None;
    let mut frames = Vec::new();
    for _ in 0..TRACK_FRAMES {
        let Ok(Some(frame)) = reader.next_frame() else {
            break;
        };
        assert!(last.is_none_or(|last| frame.captured_at > last));
        last = Some(frame.captured_at);
        frames.push(frame.clone());
        let _ = finder.push(frame);
    }
    let _ = finder.finish();
    let packed = encode_timeline(&frames).expect("a few frames can be packed");
    let unpacked = decode_timeline(&packed).expect("what was packed can be unpacked");
    assert_eq!(unpacked.len(), frames.len());
}

/// A clip, without the ffmpeg program: frames are whole and their stamps rise.
pub fn clip(data: &[u8]) {
    let (_folder, path) = written("clip.mp4", data);
    let Ok(mut clip) = ClipSource::open(&path) else {
        return;
    };
    let mut frame = Frame::default();
    let mut last = None;
    for _ in 0..FRAMES {
        if !matches!(clip.next_frame(&mut frame), Ok(true)) {
            break;
        }
        assert_eq!(frame.rgb.len(), 3 * frame.width * frame.height);
        assert!(
            last.is_none_or(|last| frame.captured_at > last),
            "stamps rise"
        );
        last = Some(frame.captured_at);
    }
    let _ = (clip.lost(), clip.problem());
}

/// A damaged journal: it is read as far as it goes, refused without a byte changed, or set aside with all its bytes.
pub fn journal(data: &[u8]) {
    let (_folder, path) = written("journal.db", data);
    if let Ok(reader) = Journal::read_only(&path) {
        let _ = (reader.version(), reader.counts(), reader.findings());
        let _ = (reader.hitters(), reader.sessions(), reader.last_rep());
        let _ = reader.for_each_rep(&RepFilter::default(), |rep| {
            let _ = rep_line(&rep.judged);
            let _ = reader.timeline(rep.id);
            Ok(())
        });
        for format in [ExportFormat::JsonLines, ExportFormat::Csv] {
            let _ = reader.export_reps(&RepFilter::default(), format, std::io::sink());
        }
    }
    let (_folder, path) = written("journal.db", data);
    if Journal::open(&path).is_err() {
        let left = fs::read(&path).expect("a refused journal is still there");
        assert!(left == data, "a refused journal was changed");
    }
    let (_folder, path) = written("journal.db", data);
    match Journal::open_or_quarantine(&path) {
        Ok(journal) => {
            if let Some(quarantined) = &journal.report().quarantined {
                let kept = fs::read(&quarantined.path).expect("what was set aside is there");
                assert!(kept == data, "a journal that was set aside lost bytes");
            }
        }
        Err(_) => {
            let left = fs::read(&path).expect("a refused journal is still there");
            assert!(left == data, "a refused journal was changed");
        }
    }
}

/// The landmarks of a rep as bytes: what unpacks can be packed again and is the same. Bytes that begin with an odd one are
/// taken for what is inside the packing, so that the fuzzer need not learn to deflate.
pub fn timeline(data: &[u8]) {
    let packed;
    let bytes = match data {
        [first, frames, inside @ ..] if first % 2 == 1 => {
            packed = wrapped(u32::from(*frames), inside);
            &packed
        }
        [_, rest @ ..] => rest,
        [] => data,
    };
    if let Ok(frames) = decode_timeline(bytes) {
        let again = encode_timeline(&frames).expect("what was unpacked can be packed");
        let twice = decode_timeline(&again).expect("what was packed can be unpacked");
        assert_eq!(frames.len(), twice.len());
        for (one, two) in frames.iter().zip(&twice) {
            assert_eq!((one.captured_at, one.index), (two.captured_at, two.index));
            assert_eq!(one.body.is_some(), two.body.is_some());
            assert_eq!(one.bat.is_some(), two.bat.is_some());
            assert_eq!(one.turn.is_some(), two.turn.is_some());
        }
    }
}

/// A film of a rep: each picture that its index promises is read or refused, and no time leads past its end.
pub fn film(data: &[u8]) {
    let (_folder, path) = written("film.avi", data);
    let Ok(mut film) = Film::open(&path) else {
        return;
    };
    assert!(film.frames() > 0);
    let _ = film.id();
    for frame in 0..film.frames().min(FRAMES) {
        let secs = film.time_secs(frame).expect("each frame has a time");
        assert!(film.nearest(secs) < film.frames());
        let _ = film.jpeg(frame);
    }
    assert!(film.jpeg(film.frames()).is_err());
}

/// A picture as a camera sends it: pixels are whole where it is taken.
pub fn picture(data: &[u8]) {
    let mut frame = Frame::default();
    let mut decoder = MjpegDecoder::default();
    // The second finds what the first left behind.
    for _ in 0..2 {
        if decoder.decode(data, &mut frame).is_ok() {
            assert_eq!(frame.rgb.len(), 3 * frame.width * frame.height);
        }
    }
}

/// A coach's own cue: the first line says how much of the rest is the list, the remainder is the sound that it names.
pub fn cues(data: &[u8]) {
    static BUILT_IN: OnceLock<CueLibrary> = OnceLock::new();
    let Some((&length, rest)) = data.split_first() else {
        return;
    };
    let (list, sound) = rest.split_at(usize::from(length).min(rest.len()));
    let (folder, _list) = written("phrases.toml", list);
    for name in ["a.wav", "a.flac", "a.ogg", "a.mp3"] {
        fs::write(folder.path().join(name), sound).expect("the input can be written");
    }
    let built_in = BUILT_IN.get_or_init(|| CueLibrary::load(None).expect("the built-in cues load"));
    if let Err(error) = built_in.clone().replace_from(folder.path()) {
        assert!(!error.to_string().is_empty());
    }
}

/// The page's file of keys: what is read is written as text that reads back as the same keys.
pub fn keys(data: &[u8]) {
    if let Ok(text) = std::str::from_utf8(data) {
        page_fuzzing::keys(text);
    }
}

/// What is posted to the page: nothing passes without its token, and what passes is what may be stored.
pub fn forms(data: &[u8]) {
    page_fuzzing::forms(data);
}

/// Bytes in a timeline's header and packing, as `docs/journal.md` gives them.
fn wrapped(frames: u32, inside: &[u8]) -> Vec<u8> {
    let mut bytes = b"TL\x02\x00".to_vec();
    bytes.extend_from_slice(&frames.to_le_bytes());
    bytes.extend_from_slice(&(inside.len() as u32).to_le_bytes());
    let mut deflate = flate2::write::ZlibEncoder::new(bytes, flate2::Compression::fast());
    deflate.write_all(inside).expect("memory takes everything");
    deflate.finish().expect("memory takes everything")
}

/// Writes bytes to a file in a folder of its own, which goes when the first of the two is dropped.
fn written(name: &str, data: &[u8]) -> (TempDir, PathBuf) {
    let folder = TempDir::new().expect("a folder for the input");
    let path = folder.path().join(name);
    fs::write(&path, data).expect("the input can be written");
    (folder, path)
}
