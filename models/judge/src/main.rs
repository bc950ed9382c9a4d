//! `swing-rows OUT FOLDER...`: the rows that the swing judge is trained on, from pose tracks and from made motion.
//!
//! A folder holds `NAME.track.jsonl`; beside it may lie `NAME.truth.json` with the times of its swings, as in `recordings/`.
//! Written are `OUT.f32` (the values, 32-bit floats, little endian, row after row) and `OUT.jsonl` (what each row is). All
//! is drawn from fixed seeds: the same folders give the same rows.

mod copies;
mod made;

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use cagehand::pose::PoseFrame;
use cagehand::pose::track::TrackReader;
use cagehand::rep::{SwingCandidate, swing_candidates};
use cagehand_stage::Dice;
use serde_json::{Value, json};

/// Bursts slower than this are not looked at, standing heights a second.
const FLOOR: f64 = 0.5;
/// A live analysis sees this much of what came before a burst and between these after it, seconds.
const LIVE_SECS: (f64, f64, f64) = (6.0, 0.42, 0.85);
/// A live analysis is made this often, seconds.
const LIVE_STEP_SECS: f64 = 0.1;

type Failure = Box<dyn std::error::Error>;

/// Where rows go.
struct Rows {
    values: BufWriter<File>,
    meta: BufWriter<File>,
}

/// A stretch of frames and what is known of it.
pub(crate) struct Source {
    /// What it is, one word a kind of motion.
    pub kind: String,
    /// All copies of one source have the same name: a fold takes all of them or none.
    pub name: String,
    /// 0 for the source itself.
    pub copy: usize,
    pub frames: Vec<PoseFrame>,
    /// When the hands of its swings are fastest or the bat meets the ball, seconds; `None` where that is not known.
    pub swings: Option<Vec<f64>>,
    /// Its seconds in the source's own.
    pub pace: f64,
}

impl Rows {
    fn create(out: &Path) -> Result<Self, Failure> {
        let open = |ending| File::create(out.with_extension(ending)).map(BufWriter::new);
        Ok(Self {
            values: open("f32")?,
            meta: open("jsonl")?,
        })
    }

    /// One row for each burst as the whole stretch shows it, and one as a live analysis does.
    fn add(&mut self, source: &Source, dice: &mut Dice) -> Result<(), Failure> {
        for whole in swing_candidates(&source.frames, FLOOR) {
            self.write(source, "whole", &whole)?;
        }
        let Some(first) = source.frames.first() else {
            return Ok(());
        };
        // What follows a burst is not there yet when a live analysis looks.
        let (back, early, late) = LIVE_SECS;
        let mut done = first.captured_at;
        for look in &source.frames {
            let now = look.captured_at;
            let since = dice.between(early, late);
            if now.secs_since(done) < since + LIVE_STEP_SECS {
                continue;
            }
            let shown: Vec<PoseFrame> = source
                .frames
                .iter()
                .filter(|f| (0.0..=back).contains(&now.secs_since(f.captured_at)))
                .cloned()
                .collect();
            for candidate in swing_candidates(&shown, FLOOR) {
                let ago = now.secs_since(candidate.at);
                if (since..since + LIVE_STEP_SECS).contains(&ago) {
                    self.write(source, "live", &candidate)?;
                }
            }
            done = now.plus_secs(-since);
        }
        Ok(())
    }

    fn write(
        &mut self,
        source: &Source,
        seen: &str,
        candidate: &SwingCandidate,
    ) -> Result<(), Failure> {
        for value in &candidate.moments {
            self.values.write_all(&value.to_le_bytes())?;
        }
        let start = source
            .frames
            .first()
            .map_or(candidate.at, |f| f.captured_at);
        let meta = json!({
            "kind": source.kind, "name": source.name, "copy": source.copy, "seen": seen,
            "at": candidate.at.secs_since(start) / source.pace, "speed": candidate.hand_speed,
            "swings": source.swings,
        });
        writeln!(self.meta, "{meta}")?;
        Ok(())
    }
}

fn frames_of(path: &Path) -> Result<Vec<PoseFrame>, Failure> {
    let mut reader = TrackReader::open(path)?;
    let mut frames = Vec::new();
    while let Some(frame) = reader.next_frame()? {
        frames.push(frame);
    }
    Ok(frames)
}

/// Contacts of the swings in a clip's truth.
fn contacts(path: &Path) -> Result<Option<Vec<f64>>, Failure> {
    if !path.exists() {
        return Ok(None);
    }
    let truth: Value = serde_json::from_reader(File::open(path)?)?;
    let segments = truth["segments"]
        .as_array()
        .ok_or("truth without segments")?;
    let swings = segments.iter().filter(|s| s["segment"] == "rep");
    Ok(Some(
        swings
            .filter_map(|s| s["events"]["contact"].as_f64())
            .collect(),
    ))
}

fn folder(rows: &mut Rows, path: &Path) -> Result<(), Failure> {
    const TRACK: &str = ".track.jsonl";
    let mut tracks: Vec<PathBuf> = std::fs::read_dir(path)?
        .map(|entry| entry.map(|e| e.path()))
        .collect::<Result<_, _>>()?;
    tracks.retain(|p| p.to_string_lossy().ends_with(TRACK));
    tracks.sort();
    for (number, track) in tracks.iter().enumerate() {
        let file = track.file_name().unwrap_or_default().to_string_lossy();
        let name = file.trim_end_matches(TRACK).to_owned();
        let swings = contacts(&track.with_file_name(format!("{name}.truth.json")))?;
        let kind = match &swings {
            Some(_) => "rendered".to_owned(),
            None => name
                .trim_end_matches(|c: char| c.is_ascii_digit() || c == '_')
                .to_owned(),
        };
        let mut dice = Dice::new(1_000 + number as u64);
        let source = Source {
            kind,
            name,
            copy: 0,
            frames: frames_of(track)?,
            swings,
            pace: 1.0,
        };
        rows.add(&source, &mut dice)?;
        for copy in 1..=copies::count(&source) {
            rows.add(&copies::copy(&source, copy, &mut dice), &mut dice)?;
        }
    }
    Ok(())
}

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let out = arguments.next().ok_or("swing-rows OUT FOLDER...")?;
    let mut rows = Rows::create(&out)?;
    for path in arguments {
        folder(&mut rows, &path)?;
    }
    made::all(|source, dice| rows.add(source, dice))?;
    rows.values.flush()?;
    rows.meta.flush()?;
    Ok(())
}
