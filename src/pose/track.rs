//! Pose tracks: the poses of a recording as JSON Lines, read and written.
//!
//! A header line names the landmarks; each line after it is a frame. A track may have fewer than the model's 33
//! landmarks. A frame may have a `world` list of metric landmarks beside `points`.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::num::NonZeroU32;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::{
    Body, CameraMotion, CameraPlace, ImagePoint, LANDMARK_COUNT, Landmark, PoseFrame, SeenBat,
    TrunkTurn, WorldPoint,
};
use crate::capture::{NotSlowed, SlowedBy};
use crate::output_file::{self, Existing};
use crate::picture_size::PictureSize;
use crate::time::CaptureTime;

mod line;

pub(crate) use line::TurnOnLine;
use line::{BatOnLine, FrameLine, camera_numbers};

/// How a track begins.
const TRACK_START: &[u8] = b"{\"format\":\"pose-track\"";

/// The first line of a track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrackHeader {
    format: String,
    version: u32,
    /// Nominal frames a second.
    pub fps: f64,
    /// Picture width in pixels.
    pub width: u32,
    /// Picture height in pixels.
    pub height: u32,
    landmarks: Vec<String>,
}

impl TrackHeader {
    /// The size of the pictures that the points were found in.
    pub(crate) fn picture(&self) -> PictureSize {
        PictureSize {
            width_px: self.width,
            height_px: self.height,
        }
    }
}

/// Why a track could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum TrackError {
    /// Opening, reading or writing failed.
    #[error("{path}: {source}")]
    Io {
        /// The track.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The content is not a pose track.
    #[error("{path}, line {line}: {what}")]
    Content {
        /// The track.
        path: PathBuf,
        /// Line number from 1.
        line: usize,
        /// What is wrong and what was expected.
        what: String,
    },
}

/// Reads a track frame by frame.
pub struct TrackReader {
    path: PathBuf,
    lines: io::Lines<BufReader<File>>,
    line: usize,
    header: TrackHeader,
    columns: Vec<Option<Landmark>>,
    index: u64,
    last: Option<CaptureTime>,
    /// How many more times the track is read.
    repeats_left: u32,
    /// Added to the times of this repeat.
    time_offset: CaptureTime,
    slowed: SlowedBy,
}

impl TrackReader {
    /// Opens a track and reads its header.
    ///
    /// # Errors
    /// Where the file cannot be read, is empty, or its first line is not a track header.
    pub fn open(path: &Path) -> Result<Self, TrackError> {
        let io_error = |source| TrackError::Io {
            path: path.to_owned(),
            source,
        };
        let content = |what: String| TrackError::Content {
            path: path.to_owned(),
            line: 1,
            what,
        };
        let mut lines = BufReader::new(File::open(path).map_err(io_error)?).lines();
        let first = lines
            .next()
            .ok_or_else(|| content("the file is empty".into()))?
            .map_err(io_error)?;
        let header: TrackHeader = serde_json::from_str(&first).map_err(|e| {
            content(format!(
                "not a pose track header ({e}); expected {{\"format\":\"pose-track\",…}}"
            ))
        })?;
        if header.format != "pose-track" || header.version != 1 {
            return Err(content(format!(
                "format {:?} version {} is not known here; this program reads \"pose-track\" version 1",
                header.format, header.version
            )));
        }
        if !(header.fps.is_finite() && header.fps > 0.0) {
            return Err(content(format!(
                "fps is {}, it must be above 0",
                header.fps
            )));
        }
        let columns: Vec<_> = header
            .landmarks
            .iter()
            .map(|n| Landmark::from_name(n))
            .collect();
        if columns.iter().all(Option::is_none) {
            return Err(content(
                "none of its landmark names is known, such as \"left_wrist\"".into(),
            ));
        }
        Ok(Self {
            path: path.to_owned(),
            lines,
            line: 1,
            header,
            columns,
            index: 0,
            last: None,
            repeats_left: 0,
            time_offset: CaptureTime::default(),
            slowed: SlowedBy::NOT,
        })
    }

    /// Reads the track this many times in a row. Indices and times go on: the first frame of a repeat comes one frame after
    /// the last frame before it.
    #[must_use]
    pub(crate) fn looped(mut self, times: NonZeroU32) -> Self {
        self.repeats_left = times.get() - 1;
        self
    }

    /// Takes the track to be of a film that plays that many times slower than life: its frames get the times at which they
    /// happened.
    ///
    /// # Errors
    /// Where no camera films as many frames a second as it would then have.
    pub(crate) fn slowed(mut self, slowed: SlowedBy) -> Result<Self, NotSlowed> {
        self.header.fps = slowed.life_fps(self.header.fps)?;
        self.slowed = slowed;
        Ok(self)
    }

    /// The track's header.
    pub(crate) fn header(&self) -> &TrackHeader {
        &self.header
    }

    /// The next frame; `None` at the end.
    ///
    /// # Errors
    /// Where a line cannot be read, is not a frame, or is not later than the one before; where a repeated track cannot be
    /// opened again.
    pub fn next_frame(&mut self) -> Result<Option<PoseFrame>, TrackError> {
        match self.next_in_file()? {
            Some(frame) => Ok(Some(frame)),
            None => match self.last.filter(|_| self.repeats_left > 0) {
                Some(last) => self.first_of_next_repeat(last),
                None => Ok(None),
            },
        }
    }

    fn first_of_next_repeat(&mut self, last: CaptureTime) -> Result<Option<PoseFrame>, TrackError> {
        let fresh = Self::open(&self.path)?;
        self.lines = fresh.lines;
        self.line = fresh.line;
        self.repeats_left -= 1;
        self.last = None;
        self.time_offset = CaptureTime::default();
        let Some(mut first) = self.next_in_file()? else {
            return Ok(None);
        };
        self.time_offset = last.plus_secs(1.0 / self.header.fps) - first.captured_at;
        first.captured_at = first.captured_at + self.time_offset;
        self.last = Some(first.captured_at);
        Ok(Some(first))
    }

    fn next_in_file(&mut self) -> Result<Option<PoseFrame>, TrackError> {
        let text = loop {
            let Some(text) = self.lines.next() else {
                return Ok(None);
            };
            self.line += 1;
            let text = text.map_err(|source| TrackError::Io {
                path: self.path.clone(),
                source,
            })?;
            if !text.trim().is_empty() {
                break text;
            }
        };
        let line: FrameLine =
            serde_json::from_str(&text).map_err(|e| self.content(format!("not a frame: {e}")))?;
        let captured_at = self.slowed.in_life(CaptureTime::from_secs(line.t)) + self.time_offset;
        if !line.t.is_finite() || self.last.is_some_and(|last| captured_at <= last) {
            return Err(self.content(format!(
                "time {} does not come after the frame before",
                line.t
            )));
        }
        self.last = Some(captured_at);
        let camera = line.camera.map(|camera| self.camera(camera)).transpose()?;
        let body = match line.points {
            None => None,
            Some(points) => Some(Body {
                lite: line.lite,
                ..self.body(&points, line.world.as_deref())?
            }),
        };
        let bat = line.bat.map(|bat| self.bat(&bat)).transpose()?;
        let turn = line.turn.map(|turn| self.turn(&turn)).transpose()?;
        let frame = PoseFrame {
            camera,
            bat,
            turn,
            ..PoseFrame::new(self.index, captured_at, body)
        };
        self.index += 1;
        Ok(Some(frame))
    }

    fn bat(&self, bat: &BatOnLine) -> Result<SeenBat, TrackError> {
        let numbers = [
            bat.knob[0],
            bat.knob[1],
            bat.tip[0],
            bat.tip[1],
            bat.confidence,
        ];
        if numbers.iter().any(|number| !number.is_finite()) {
            return Err(self.content("a bat's place is not a number".into()));
        }
        Ok(SeenBat {
            knob_px: bat.knob,
            tip_px: bat.tip,
            probability: bat.confidence,
        })
    }

    fn turn(&self, turn: &TurnOnLine) -> Result<TrunkTurn, TrackError> {
        turn.turn()
            .ok_or_else(|| self.content("a turn is not a number".into()))
    }

    fn camera(&self, camera: Option<[f64; 4]>) -> Result<CameraMotion, TrackError> {
        let Some([dx_px, dy_px, roll_deg, zoom]) = camera else {
            return Ok(CameraMotion::Lost);
        };
        let place = CameraPlace {
            dx_px,
            dy_px,
            roll_deg,
            zoom,
        };
        if !place.is_sane() {
            return Err(self.content(format!(
                "camera is [{dx_px}, {dy_px}, {roll_deg}, {zoom}]; expected pixels right and down, degrees, and an enlargement"
            )));
        }
        Ok(CameraMotion::At(place))
    }

    fn body(&self, points: &[[f32; 3]], world: Option<&[[f32; 3]]>) -> Result<Body, TrackError> {
        let expected = self.columns.len();
        if points.len() != expected {
            return Err(self.content(format!(
                "{} points, but the header names {expected} landmarks",
                points.len()
            )));
        }
        if points
            .iter()
            .flatten()
            .chain(world.into_iter().flatten().flatten())
            .any(|v| !v.is_finite())
        {
            return Err(self.content("a coordinate is not a number".into()));
        }
        let mut body = Body::empty();
        for (column, &[x_px, y_px, visibility]) in self.columns.iter().zip(points) {
            if let Some(landmark) = column {
                body.image[landmark.index()] = Some(ImagePoint {
                    x_px,
                    y_px,
                    visibility: visibility.clamp(0.0, 1.0),
                });
            }
        }
        if let Some(world) =
            world.filter(|w| w.len() == LANDMARK_COUNT && expected == LANDMARK_COUNT)
        {
            let mut all = [WorldPoint {
                x_m: 0.0,
                y_m: 0.0,
                z_m: 0.0,
            }; LANDMARK_COUNT];
            for (column, &[x_m, y_m, z_m]) in self.columns.iter().zip(world) {
                if let Some(landmark) = column {
                    all[landmark.index()] = WorldPoint { x_m, y_m, z_m };
                }
            }
            body.world = Some(all);
        }
        Ok(body)
    }

    fn content(&self, what: String) -> TrackError {
        TrackError::Content {
            path: self.path.clone(),
            line: self.line,
            what,
        }
    }
}

/// Writes a track frame by frame, with all 33 landmarks.
pub struct TrackWriter {
    path: PathBuf,
    out: BufWriter<File>,
}

impl TrackWriter {
    /// Creates the file and writes the header.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub(crate) fn create(path: &Path, fps: f64, picture: PictureSize) -> Result<Self, TrackError> {
        let io_error = |source| TrackError::Io {
            path: path.to_owned(),
            source,
        };
        let header = TrackHeader {
            format: "pose-track".into(),
            version: 1,
            fps,
            width: picture.width_px,
            height: picture.height_px,
            landmarks: Landmark::ALL.iter().map(|l| l.name().to_owned()).collect(),
        };
        let mut writer = Self {
            path: path.to_owned(),
            out: BufWriter::new(
                output_file::open(path, Existing::Replace(TRACK_START)).map_err(io_error)?,
            ),
        };
        writer.line(&header)?;
        Ok(writer)
    }

    /// Appends a frame, with its turn where that counts from the plate.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub(crate) fn frame(&mut self, frame: &PoseFrame) -> Result<(), TrackError> {
        let round = |v: f32, unit: f32| (v * unit).round() / unit;
        let body = frame.body.as_ref();
        let points = body.map(|b| {
            b.image
                .iter()
                .map(|p| {
                    p.map_or([0.0; 3], |p| {
                        [
                            round(p.x_px, 100.0),
                            round(p.y_px, 100.0),
                            round(p.visibility, 1000.0),
                        ]
                    })
                })
                .collect()
        });
        let world = body.and_then(|b| b.world.as_ref()).map(|w| {
            w.iter()
                .map(|p| [p.x_m, p.y_m, p.z_m].map(|v| round(v, 1e4)))
                .collect()
        });
        let t = (frame.captured_at.secs() * 1e6).round() / 1e6;
        self.line(&FrameLine {
            t,
            points,
            world,
            lite: body.is_some_and(|b| b.lite),
            camera: frame.camera.map(camera_numbers),
            bat: frame.bat.map(|bat| BatOnLine {
                knob: bat.knob_px.map(|v| round(v, 100.0)),
                tip: bat.tip_px.map(|v| round(v, 100.0)),
                confidence: round(bat.probability, 1000.0),
            }),
            turn: frame.turn.as_ref().and_then(TurnOnLine::of),
        })
    }

    /// Writes what is still buffered.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub(crate) fn finish(mut self) -> Result<(), TrackError> {
        self.out.flush().map_err(|source| TrackError::Io {
            path: self.path.clone(),
            source,
        })
    }

    fn line(&mut self, value: &impl Serialize) -> Result<(), TrackError> {
        serde_json::to_writer(&mut self.out, value)
            .map_err(io::Error::from)
            .and_then(|()| self.out.write_all(b"\n"))
            .map_err(|source| TrackError::Io {
                path: self.path.clone(),
                source,
            })
    }
}

#[cfg(test)]
mod tests;
