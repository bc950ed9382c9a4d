//! `cagehand calibrate`: the camera's scale and roll from things that every cage has, once.
//!
//! First a still with a ruler is taken; somebody reads off it where a bat, something upright or home plate lie; then
//! what follows from these places goes into the settings file. `docs/calibration.md` has the steps.

mod clap_watch;
mod claps;
mod image_line;
mod lines;
mod still;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;

use self::image_line::{ImageLine, Point, READING_PX};
use self::lines::{Calibration, Lines, PLATE_FRONT_CM, PLATE_SIDE_CM};
use super::{Failure, journal_path, notice, terminal};
use crate::capture::{CameraSource, CaptureError, ClipSource, Frame, FrameSource, PlaybackRate};
use crate::daemon::{CalibrationMark, camera_request};
use crate::motion::{BodySeries, Scale};
use crate::paths;
use crate::picture_size::PictureSize;
use crate::pose::{Model, PoseFrame};
use crate::rep::View;
use crate::settings::{
    CameraValues, DEFAULT_FILE, EditError, HEIGHT_CM, Settings, edit_numbers, replace_file,
};

const CAUTION: &str = "\
While the still is taken and things are laid out nobody swings, the pitching machine is off, and its guards stay in place.";

/// A camera needs this long to get used to the light.
const SETTLE: Duration = Duration::from_secs(1);
/// How many frames of the hitter the height is compared on.
const COMPARED_FRAMES: usize = 40;
/// A roll less sure than this is hardly better than the one found from the hitter, degrees.
const SURE_ROLL_DEG: f64 = 0.5;
/// Two lengths that differ by more than this share cannot both be right.
const AGREE: f64 = 0.08;

/// Arguments of `calibrate`.
#[derive(Debug, Args)]
#[allow(
    clippy::struct_field_names,
    reason = "the unit stands at the end of the option's name"
)]
pub(super) struct Calibrate {
    /// Look at this clip instead of the camera.
    source: Option<PathBuf>,
    /// Look at this moment of the clip, seconds.
    #[arg(long, value_name = "SECS", default_value_t = 0.0, requires = "source")]
    at: f64,
    /// Without places: write a still with a ruler here. With places: the still in which they were read.
    #[arg(long, value_name = "FILE.png")]
    picture: Option<PathBuf>,
    /// Both ends of a bat on the ground where the hitter's feet go, pointing at the pitcher.
    #[arg(long, num_args = 2, value_names = ["X1,Y1", "X2,Y2"], requires = "bat_cm", allow_hyphen_values = true)]
    bat: Option<Vec<Point>>,
    /// The bat's length.
    #[arg(long, value_name = "N", requires = "bat")]
    bat_cm: Option<f64>,
    /// Top and foot of something upright: a post, a door's edge, a bat that hangs from its knob.
    #[arg(long, num_args = 2, value_names = ["X1,Y1", "X2,Y2"], allow_hyphen_values = true)]
    plumb: Option<Vec<Point>>,
    /// Its length, if it stands or hangs where the hitter's feet go.
    #[arg(long, value_name = "N", requires = "plumb")]
    plumb_cm: Option<f64>,
    /// Both ends of the edge of home plate that lies across the picture.
    #[arg(long, num_args = 2, value_names = ["X1,Y1", "X2,Y2"], allow_hyphen_values = true)]
    plate: Option<Vec<Point>>,
    /// That edge's length: 21.59 (a side, which runs toward the pitcher) where not told, 43.18 (the front) where the
    /// settings say that the view is rear or front.
    #[arg(long, value_name = "N", requires = "plate")]
    plate_cm: Option<f64>,
    /// From the camera to that edge of the plate.
    #[arg(long, value_name = "N", requires = "plate_to_feet_cm", value_parser = centimeters)]
    camera_to_plate_cm: Option<f64>,
    /// How much farther from the camera the hitter's feet are than that edge.
    #[arg(long, value_name = "N", requires = "camera_to_plate_cm", value_parser = centimeters)]
    plate_to_feet_cm: Option<f64>,
    /// How high the camera stands.
    #[arg(long, value_name = "N", default_value = "100", value_parser = centimeters)]
    camera_height_cm: f64,
    /// The camera was set square to the line to the pitcher with care: the bat then shows its roll too.
    #[arg(long, requires = "bat", conflicts_with = "plumb")]
    square: bool,
    /// Compare with the pose of a hitter of this height who stands in the picture now.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(HEIGHT_CM))]
    height_cm: Option<u16>,
    /// Find how much later sound is than the picture: somebody claps where the hitter stands, hands in view, a dozen times.
    #[arg(long, conflicts_with_all = ["picture", "bat", "plumb", "plate", "height_cm"])]
    clap: bool,
    /// With a clip: its sound, a WAV file whose first sample is the clip's time 0.
    #[arg(long, value_name = "FILE.wav", requires_all = ["clap", "source"])]
    hear: Option<PathBuf>,
    /// Say what would be written, and write nothing.
    #[arg(long)]
    dry_run: bool,
}

/// A distance in a cage.
fn centimeters(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(cm) if (1.0..=3000.0).contains(&cm) => Ok(cm),
        _ => Err("it must be 1 to 3000 centimetres".to_owned()),
    }
}

impl Calibrate {
    /// Runs the command; `file` is the settings file, which need not exist.
    pub(super) fn run(self, settings: &Settings, file: Option<PathBuf>) -> Result<(), Failure> {
        terminal::println(notice::in_language(settings.cues.language));
        terminal::println(CAUTION);
        if self.clap {
            let found = self.watch_claps(settings)?;
            return self.write("microphone", &found, &settings_file(file)?);
        }
        if self.bat.is_none() && self.plumb.is_none() && self.plate.is_none() {
            return match &self.picture {
                Some(path) => self.take_still(settings, path),
                None => Err(Failure::Request(
                    "nothing to do: take a still with --picture FILE.png, then tell what you read in it with --plumb, \
                     --bat or --plate"
                        .into(),
                )),
            };
        }
        let found = self
            .lines(settings)?
            .calibrate()
            .map_err(Failure::Request)?;
        print_calibration(&found, self.square);
        if let Some(height_cm) = self.height_cm {
            self.compare_height(settings, f64::from(height_cm), &found)?;
        }
        let values = values(&found);
        if values == CameraValues::default() {
            return Err(Failure::Finding(
                "neither scale nor roll follows from these lines; the settings stay as they are"
                    .into(),
            ));
        }
        self.write("camera", &values.numbers(), &settings_file(file)?)?;
        if !self.dry_run {
            CalibrationMark::beside(&journal_path(None, settings)?).clear();
        }
        Ok(())
    }

    fn take_still(&self, settings: &Settings, path: &Path) -> Result<(), Failure> {
        let ends_well = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("png"));
        if !ends_well {
            return Err(Failure::Request(format!(
                "--picture {}: the file's name must end in .png",
                path.display()
            )));
        }
        let mut frame = Frame::default();
        self.first_frame(&mut self.open(settings)?, &mut frame)?;
        still::write(&frame, path)
            .map_err(|e| Failure::Request(format!("{}: cannot be written: {e}", path.display())))?;
        terminal::println(&format!(
            "{}: {} x {} pixels, a number every 100. Read in it where the ends lie, then for example",
            path.display(),
            frame.width,
            frame.height
        ));
        terminal::println(&format!(
            "  cagehand calibrate --picture {} --plumb X1,Y1 X2,Y2 --bat X1,Y1 X2,Y2 --bat-cm 84",
            path.display()
        ));
        Ok(())
    }

    fn open(&self, settings: &Settings) -> Result<FrameSource, Failure> {
        Ok(match &self.source {
            Some(path) => FrameSource::from_clip(ClipSource::open(path)?, PlaybackRate::Fast),
            None => FrameSource::Camera(Box::new(CameraSource::open(&camera_request(settings))?)),
        })
    }

    /// The frame to use: a camera's once it has settled, a clip's at the moment asked for.
    fn first_frame(&self, source: &mut FrameSource, frame: &mut Frame) -> Result<(), Failure> {
        let started = Instant::now();
        let mut first = None;
        while next_frame(source, frame)? {
            let first = *first.get_or_insert(frame.captured_at);
            let reached = match source {
                FrameSource::Camera(_) => started.elapsed() >= SETTLE,
                _ => frame.captured_at.secs_since(first) >= self.at,
            };
            if reached {
                return Ok(());
            }
        }
        Err(Failure::Request(format!(
            "{}: the recording has no frame at {} s",
            self.source
                .as_deref()
                .unwrap_or(Path::new("camera"))
                .display(),
            self.at
        )))
    }

    /// The lines of the command line, checked against the picture.
    fn lines(&self, settings: &Settings) -> Result<Lines, Failure> {
        let size = self.picture_size(settings)?;
        let line = |points: &Option<Vec<Point>>, what: &str| {
            points
                .as_deref()
                .and_then(|points| points.try_into().ok())
                .map(|ends: [Point; 2]| ImageLine::new(ends, what, size))
                .transpose()
                .map_err(Failure::Request)
        };
        let along_the_view = matches!(settings.camera.view, Some(View::Rear | View::Front));
        if along_the_view && self.bat.is_some() {
            return Err(Failure::Request(
                "--bat: from the rear or the front a bat that points at the pitcher points at the camera; use --plumb with \
                 --plumb-cm, or --plate"
                    .into(),
            ));
        }
        let plate_cm = self.plate_cm.unwrap_or(match along_the_view {
            true => PLATE_FRONT_CM,
            false => PLATE_SIDE_CM,
        });
        Ok(Lines {
            bat: line(&self.bat, "--bat")?.zip(self.bat_cm),
            plumb: line(&self.plumb, "--plumb")?.map(|line| (line, self.plumb_cm)),
            plate: line(&self.plate, "--plate")?.map(|line| (line, plate_cm)),
            square: self.square,
            distances_cm: self.camera_to_plate_cm.zip(self.plate_to_feet_cm),
            height_cm: self.camera_height_cm,
        })
    }

    /// The size of the picture that the points were read in: the still's, else what the settings ask of the camera.
    fn picture_size(&self, settings: &Settings) -> Result<PictureSize, Failure> {
        let requested = PictureSize {
            width_px: settings.camera.width,
            height_px: settings.camera.height,
        };
        let Some(path) = &self.picture else {
            return Ok(requested);
        };
        let size = still::picture_size(path).map_err(|e| {
            Failure::Request(format!(
                "{}: this is no still in which places could have been read: {e}. Take it first, with --picture alone",
                path.display()
            ))
        })?;
        if size != requested {
            terminal::println(&format!(
                "the still is {} x {}, the settings ask the camera for {} x {}: what follows holds for the still's size",
                size.width_px, size.height_px, requested.width_px, requested.height_px
            ));
        }
        Ok(size)
    }

    /// Compares the scale with the one that follows from a hitter's height.
    fn compare_height(
        &self,
        settings: &Settings,
        height_cm: f64,
        found: &Calibration,
    ) -> Result<(), Failure> {
        let mut source = self.open(settings)?;
        let fps = source.fps();
        let mut tracker = Model::Full.tracker()?;
        let mut frame = Frame::default();
        self.first_frame(&mut source, &mut frame)?;
        let mut poses: Vec<PoseFrame> = Vec::with_capacity(COMPARED_FRAMES);
        while poses.len() < COMPARED_FRAMES {
            poses.push(tracker.next(&frame)?);
            if !next_frame(&mut source, &mut frame)? {
                break;
            }
        }
        let scale = BodySeries::from_frames(&poses, fps)
            .and_then(|body| Scale::from_body(&body, Some(height_cm)));
        let Some(scale) = scale else {
            terminal::println(
                "height   nobody was found in the picture; the scale was not compared",
            );
            return Ok(());
        };
        terminal::println(&format!(
            "height   {height_cm:.0} cm make {:.4} cm a pixel by the hitter's pose, give or take {:.0} %",
            scale.cm_per_px,
            100.0 * scale.spread
        ));
        if let Some(known) = found.lengths.first() {
            terminal::println(&agreement(
                known.of,
                "height",
                known.cm_per_px() / scale.cm_per_px,
            ));
        }
        Ok(())
    }

    fn write(
        &self,
        section: &str,
        numbers: &[(&'static str, f64)],
        file: &Path,
    ) -> Result<(), Failure> {
        let old = match std::fs::read_to_string(file) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => DEFAULT_FILE.to_owned(),
            Err(source) => {
                return Err(crate::settings::SettingsError::Unreadable {
                    path: file.to_owned(),
                    source,
                }
                .into());
            }
        };
        let (new, changes) = edit_numbers(&old, section, numbers, file)?;
        // What is written must be what the program takes.
        Settings::parse(&new, file)?;
        if changes.is_empty() {
            terminal::println(&format!("{}: has these values already", file.display()));
            return Ok(());
        }
        terminal::println(&format!("{}, [{section}]:", file.display()));
        for change in &changes {
            terminal::println(&format!(
                "  {:<16} {} -> {}",
                change.key, change.before, change.after
            ));
        }
        if self.dry_run {
            terminal::println("nothing was written (--dry-run)");
            return Ok(());
        }
        match replace_file(file, &new)? {
            Some(kept) => {
                terminal::println(&format!("written; the old file is {}", kept.display()))
            }
            None => terminal::println(
                "written; the file is new and has the defaults for everything else",
            ),
        }
        Ok(())
    }
}

impl From<EditError> for Failure {
    fn from(error: EditError) -> Self {
        Failure::Request(error.to_string())
    }
}

fn settings_file(named: Option<PathBuf>) -> Result<PathBuf, Failure> {
    named.or_else(paths::user_settings).ok_or_else(|| {
        Failure::Request(
            "there is no home folder for the settings; name a file with --settings".into(),
        )
    })
}

/// The next frame that can be used; false at the end of a clip.
fn next_frame(source: &mut FrameSource, frame: &mut Frame) -> Result<bool, CaptureError> {
    let started = Instant::now();
    loop {
        match source.next_frame(frame) {
            Err(CaptureError::BadFrame { .. } | CaptureError::CameraTimeout { .. })
                if started.elapsed() < 5 * SETTLE => {}
            other => return other,
        }
    }
}

/// What goes into the settings, as finely as it was read.
fn values(found: &Calibration) -> CameraValues {
    let to = |digit: f64, value: f64| (value * digit).round() / digit;
    CameraValues {
        known_length: found
            .lengths
            .first()
            .map(|known| (to(100.0, known.cm), to(10.0, known.px))),
        roll_deg: found.roll_deg.map(|(deg, _)| to(100.0, deg)),
    }
}

/// Prints what was found with its uncertainty.
fn print_calibration(found: &Calibration, square: bool) {
    terminal::println(&format!(
        "If each end was read to {READING_PX} pixels (one standard deviation):"
    ));
    for known in &found.lengths {
        terminal::println(&format!(
            "{:<8} {} cm in {:.1} pixels: {:.4} cm a pixel, give or take {:.1} %",
            known.of,
            known.cm,
            known.px,
            known.cm_per_px(),
            100.0 * known.spread
        ));
    }
    if let [first, others @ ..] = found.lengths.as_slice() {
        for other in others {
            terminal::println(&agreement(
                other.of,
                first.of,
                other.cm_per_px() / first.cm_per_px(),
            ));
        }
    }
    if let Some((deg, spread_deg)) = found.roll_deg {
        terminal::println(&format!(
            "roll     {deg:.2} degrees, give or take {spread_deg:.2}; positive: a level edge falls to the right in the picture"
        ));
        if spread_deg > SURE_ROLL_DEG {
            terminal::println(
                "         a longer line would be surer: take a whole post rather than a bat",
            );
        }
    }
    match (found.off_square_deg, &found.roll_deg) {
        (Some(off), _) if !square && off.abs() < 1.0 => {
            terminal::println("square   by bat and upright together the camera stands square");
        }
        (Some(off), _) if !square => terminal::println(&format!(
            "square   the camera stands about {:.0} degrees off square, nearer to the picture's {} end of the bat; taken out of \
             the bat's length",
            off.abs(),
            if off > 0.0 { "right" } else { "left" }
        )),
        (Some(_), _) => terminal::println(
            "square   as you said; each degree off square would be a quarter of a degree in the roll",
        ),
        (None, None) if found.lengths.iter().any(|l| l.of == "bat") => terminal::println(
            "roll     not from a bat alone: its fall is the roll only from square (--square); a post told with --plumb shows it",
        ),
        _ => {}
    }
    if let Some(why) = &found.unused {
        terminal::println(why);
    }
}

/// How a second scale agrees with the first, from their quotient.
fn agreement(of: &str, than: &str, quotient: f64) -> String {
    let percent = 100.0 * (quotient - 1.0);
    let verdict = match percent.abs() <= 100.0 * AGREE {
        true => "they agree",
        false => "they do not agree: look at the places, the lengths and the distances again",
    };
    format!(
        "         the {of} gives {percent:+.1} % against the {than} in centimetres a pixel; {verdict}"
    )
}
