//! `landing-rows OUT KIND=FOLDER...`: the rows that the landing model is trained on, from pose tracks of hitters with known
//! truth.
//!
//! A folder holds `NAME.track.jsonl` and `NAME.truth.json`, as in `recordings/`. Written is `OUT`, a JSON line for each
//! moment that was looked at: the kind, the clip, the swing's contact, how far the landing lies from the moment, the values.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use cagehand::pose::track::TrackReader;
use cagehand::rep::{FoundRep, HitterSetup, RepFinder};
use serde_json::{Value, json};

/// Where the model is asked, seconds from the landing that the fall of the foot shows; the first row is the one that the
/// program begins with.
const SHIFTS_SECS: [f64; 5] = [0.0, -0.06, -0.03, 0.03, 0.06];
/// A swing is the one of the truth whose contact is as near as this, seconds.
const SAME_SWING_SECS: f64 = 0.35;

type Failure = Box<dyn std::error::Error>;

fn swings(track: &Path, height_cm: f64) -> Result<Vec<FoundRep>, Failure> {
    let mut finder = RepFinder::new(HitterSetup {
        height_cm: Some(height_cm),
        ..HitterSetup::default()
    });
    let mut reader = TrackReader::open(track)?;
    let mut found = Vec::new();
    while let Some(frame) = reader.next_frame()? {
        found.extend(finder.push(frame));
    }
    found.extend(finder.finish());
    Ok(found)
}

fn clip(out: &mut impl Write, kind: &str, track: &Path, truth: &Path) -> Result<(), Failure> {
    let truth: Value = serde_json::from_reader(File::open(truth)?)?;
    let height_m = truth["hitter_height_m"].as_f64().ok_or("no height")?;
    let segments = truth["segments"].as_array().ok_or("no segments")?;
    for found in swings(track, (100.0 * height_m).round())? {
        let Some(at) = found.rep.events.contact else {
            continue;
        };
        let plant = segments
            .iter()
            .filter(|s| s["segment"] == "rep")
            .find_map(|s| {
                let contact = s["events"]["contact"].as_f64()?;
                let same = (at.secs() - contact).abs() < SAME_SWING_SECS;
                same.then(|| s["events"]["plant"].as_f64())?
            });
        let Some(plant) = plant else { continue };
        for row in found.landing_rows(&SHIFTS_SECS) {
            let line = json!({
                "kind": kind, "clip": track.file_stem().map(|s| s.to_string_lossy()), "swing": at.secs(),
                "landing": plant - row.at.secs(), "values": row.values,
            });
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let usage = "landing-rows OUT KIND=FOLDER...";
    let mut out = BufWriter::new(File::create(arguments.next().ok_or(usage)?)?);
    for argument in arguments {
        let (kind, folder) = argument.split_once('=').ok_or(usage)?;
        let mut tracks: Vec<PathBuf> = std::fs::read_dir(folder)?
            .map(|entry| entry.map(|e| e.path()))
            .collect::<Result<_, _>>()?;
        tracks.retain(|p| p.to_string_lossy().ends_with(".track.jsonl"));
        tracks.sort();
        for track in tracks {
            let name = track.to_string_lossy().replace(".track.jsonl", "");
            let truth = PathBuf::from(format!("{name}.truth.json"));
            if truth.exists() {
                clip(&mut out, kind, &track, &truth)?;
            }
        }
    }
    out.flush()?;
    Ok(())
}
