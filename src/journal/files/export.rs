//! Exports: reps as JSON Lines or CSV, and a rep's landmarks as a pose track.
//!
//! Reps are read and written one at a time, so a journal of any size needs little memory. Runs on
//! the caller's thread.

use std::io::{self, BufWriter, Write};

use serde_json::json;

use super::csv_rows;
use crate::journal::error::JournalError;
use crate::journal::record::RepId;
use crate::journal::rep_json::{LineOrigin, rep_line_with_origin, rounded};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::JournalReader;
use crate::journal::store::query::{RepFilter, StoredRep};
use crate::pose::track::TurnOnLine;
use crate::pose::{Body, LANDMARK_COUNT, Landmark, PoseFrame};

/// The format of an export.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExportFormat {
    /// The rep log's objects, with `session`, `hitter` and `logged_at` behind its keys.
    JsonLines,
    /// A table with a header line, comma separated.
    Csv,
}

impl JournalReader {
    /// Writes the wanted reps to `out` and returns how many there were.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`] and [`JournalError::NoSuchSession`] before anything is
    /// written; [`JournalError::Output`] where `out` fails; those of the disk.
    pub fn export_reps(
        &self,
        filter: &RepFilter,
        format: ExportFormat,
        out: impl Write,
    ) -> Result<u64, JournalError> {
        // A wrong filter must fail before the header is written.
        self.conditions(filter)?;
        match format {
            ExportFormat::JsonLines => {
                let mut out = BufWriter::new(out);
                let count = self.for_each_rep(filter, |stored| {
                    writeln!(out, "{}", exported_line(stored)).map_err(JournalError::Output)
                })?;
                out.flush().map_err(JournalError::Output)?;
                Ok(count)
            }
            ExportFormat::Csv => {
                let mut table = csv::Writer::from_writer(out);
                let failed = |error: csv::Error| JournalError::Output(io::Error::from(error));
                table.write_record(csv_rows::header()).map_err(failed)?;
                let count = self.for_each_rep(filter, |stored| {
                    table.write_record(csv_rows::row(&stored)).map_err(failed)
                })?;
                table.flush().map_err(JournalError::Output)?;
                Ok(count)
            }
        }
    }

    /// Writes a rep's landmarks to `out` as a pose track (`.track.jsonl`), which replays like a clip.
    ///
    /// The track has the landmarks that the rep has in any frame, and the bat where one was seen, the trunk's turn
    /// where it was read. Where one of them is missing in a
    /// frame it is written at its last place with visibility 0. Metric landmarks are written where the track has all
    /// landmarks.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`], [`JournalError::NoTimeline`], [`JournalError::Timeline`],
    /// [`JournalError::Output`], and those of the disk.
    pub(crate) fn export_timeline(&self, rep: RepId, out: impl Write) -> Result<(), JournalError> {
        let stored = self.rep(rep)?;
        let (picture, mut frames) =
            self.timeline(rep)?
                .ok_or_else(|| JournalError::NoTimeline {
                    path: self.path.clone(),
                    rep,
                })?;
        let (_, turns) = stored.judged.rep.turns_from_plate(&frames);
        for (frame, turn) in frames.iter_mut().zip(turns) {
            frame.turn = turn;
        }
        let bodies = || frames.iter().filter_map(|frame| frame.body.as_ref());
        let landmarks: Vec<Landmark> = Landmark::ALL
            .into_iter()
            .filter(|landmark| bodies().any(|body| body.point(*landmark).is_some()))
            .collect();
        let mut out = BufWriter::new(out);
        let names: Vec<&str> = landmarks.iter().map(|landmark| landmark.name()).collect();
        // Written by hand because the contract fixes the order of the keys, which serde_json's objects sort.
        writeln!(
            out,
            r#"{{"format":"pose-track","version":1,"fps":{},"width":{},"height":{},"landmarks":{}}}"#,
            json!(stored.judged.rep.fps),
            picture.width_px,
            picture.height_px,
            json!(names),
        )
        .map_err(JournalError::Output)?;
        let mut last = vec![(0.0, 0.0); landmarks.len()];
        for frame in &frames {
            writeln!(out, "{}", track_line(frame, &landmarks, &mut last))
                .map_err(JournalError::Output)?;
        }
        out.flush().map_err(JournalError::Output)
    }
}

/// A rep as one line of an export.
pub(in crate::journal) fn exported_line(stored: StoredRep) -> String {
    let origin = LineOrigin {
        session: stored.session.get(),
        hitter: stored.hitter_name,
        logged_at: stamp_text(stored.logged_at),
        marked: stored.marked,
        struck: stored.excluded,
        label_override: stored.label_override,
        moved: stored.moved,
        made_to_count: stored.made_to_count,
    };
    rep_line_with_origin(&stored.judged, origin)
}

fn track_line(frame: &PoseFrame, landmarks: &[Landmark], last: &mut [(f64, f64)]) -> String {
    // Dividing whole nanoseconds gives the decimal that is nearest, such as 0.016666667.
    let secs = frame.captured_at.nanos() as f64 / 1e9;
    let body = frame.body.as_ref();
    let points = body.map(|body| track_points(body, landmarks, last));
    let mut line = format!(r#"{{"t":{},"points":{}"#, json!(secs), json!(points));
    // A reader can tell the metric landmarks apart only where there is one for each of the model's.
    let world = body.and_then(|body| body.world.as_ref());
    if let Some(world) = world.filter(|_| landmarks.len() == LANDMARK_COUNT) {
        // Stored to the millimeter.
        let meters = |m: f32| rounded(m.into(), 3);
        let world: Vec<_> = world
            .iter()
            .map(|w| (meters(w.x_m), meters(w.y_m), meters(w.z_m)))
            .collect();
        line += &format!(r#","world":{}"#, json!(world));
    }
    if body.is_some_and(|body| body.lite) {
        line += r#","lite":true"#;
    }
    if let Some(bat) = &frame.bat {
        let place = |px: [f32; 2]| px.map(|px| rounded(px.into(), 4));
        line += &format!(
            r#","bat":{{"knob":{},"tip":{},"confidence":{}}}"#,
            json!(place(bat.knob_px)),
            json!(place(bat.tip_px)),
            json!(rounded(bat.probability.into(), 4)),
        );
    }
    if let Some(turn) = frame.turn.as_ref().and_then(TurnOnLine::of) {
        // As it is declared: serde_json's values sort their keys.
        let text = serde_json::to_string(&turn).unwrap_or_default();
        line += &format!(r#","turn":{text}"#);
    }
    line.push('}');
    line
}

fn track_points(
    body: &Body,
    landmarks: &[Landmark],
    last: &mut [(f64, f64)],
) -> Vec<(f64, f64, f64)> {
    landmarks
        .iter()
        .zip(last)
        .map(|(landmark, last)| match body.point(*landmark) {
            Some(point) => {
                // Sixteenths of a pixel are exact in four decimals.
                *last = (rounded(point.x_px.into(), 4), rounded(point.y_px.into(), 4));
                (last.0, last.1, rounded(point.visibility.into(), 4))
            }
            None => (last.0, last.1, 0.0),
        })
        .collect()
}
