//! Reads a clip through the `ffmpeg` and `ffprobe` programs, as child processes.
//!
//! ffprobe tells what the file holds. ffmpeg writes upright RGB pictures to its standard output and,
//! through its `showinfo` filter, one line a frame to its standard error; the line holds the stamp
//! of exactly the frame that follows on the other pipe. A helper thread reads the lines, so that
//! neither pipe can block the other. The children die with the reader.

use std::ffi::OsString;
use std::io::{BufRead, BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use super::ClipInfo;
use super::probe::{Probe, probe};
use super::said::{Line, Picture, TimeBase};
use crate::capture::{CaptureError, Frame};
use crate::thread::spawn;
use crate::time::CaptureTime;

/// The programs to run: names to be found on the search path, or paths.
#[derive(Clone, Debug)]
pub(super) struct Programs {
    pub ffmpeg: PathBuf,
    pub ffprobe: PathBuf,
}

impl Default for Programs {
    fn default() -> Self {
        Self {
            ffmpeg: "ffmpeg".into(),
            ffprobe: "ffprobe".into(),
        }
    }
}

/// Lines that may wait for their frame. ffmpeg works only a few frames ahead, as its other pipe is
/// short.
const LINES_AHEAD: usize = 4096;

/// A clip that has been opened and gave its first frame.
pub(super) struct Opened {
    pub info: ClipInfo,
    pub reader: FfmpegReader,
    pub first: Frame,
}

/// ffmpeg, running.
#[derive(Debug)]
pub(super) struct FfmpegReader {
    child: Child,
    pictures: Option<ChildStdout>,
    lines: Receiver<Picture>,
    listener: Option<JoinHandle<Complaints>>,
    width: usize,
    height: usize,
    frame_secs: f64,
    expected: Option<u64>,
    given: u64,
    last: Option<CaptureTime>,
    skip_until_after: Option<CaptureTime>,
    problem: Option<String>,
}

/// What ffmpeg complained of.
#[derive(Clone, Debug, Default)]
struct Complaints {
    count: u64,
    last: Option<String>,
}

impl FfmpegReader {
    /// `codec` names the contents for the message if ffmpeg is missing; none where nothing is known
    /// of the file.
    pub(super) fn open(
        path: &Path,
        programs: &Programs,
        codec: Option<&str>,
    ) -> Result<Opened, CaptureError> {
        let probe = probe(path, programs, codec)?;
        // The option's name changed in ffmpeg 5.1.
        let mut result = Self::start(path, programs, &probe, codec, "-fps_mode");
        if matches!(&result, Err(CaptureError::FfmpegFailed { reason, .. }) if reason.contains("fps_mode"))
        {
            result = Self::start(path, programs, &probe, codec, "-vsync");
        }
        let (reader, first) = result?;
        let info = ClipInfo {
            width: first.width,
            height: first.height,
            fps: probe.fps,
            frame_count: probe.frame_count,
            duration_secs: probe.duration_secs,
            codec: probe.codec,
            rotation: probe.rotation,
            built_in: false,
        };
        Ok(Opened {
            info,
            reader,
            first,
        })
    }

    fn start(
        path: &Path,
        programs: &Programs,
        probe: &Probe,
        codec: Option<&str>,
        rate_option: &str,
    ) -> Result<(Self, Frame), CaptureError> {
        let filters = if probe.interlaced {
            "yadif=deint=interlaced,showinfo"
        } else {
            "showinfo"
        };
        let mut child = Command::new(&programs.ffmpeg)
            .args([
                "-hide_banner",
                "-nostdin",
                "-nostats",
                "-loglevel",
                "level+info",
                "-copyts",
                "-i",
            ])
            .arg(file_argument(path))
            .args([
                "-map",
                "0:V:0",
                "-vf",
                filters,
                rate_option,
                "passthrough",
                "-f",
                "rawvideo",
                "-pix_fmt",
                "rgb24",
                "pipe:1",
            ])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| not_started(path, codec, error))?;
        let (pictures, said) = (child.stdout.take(), child.stderr.take());
        let (sender, lines) = sync_channel(LINES_AHEAD);
        // From here on dropping the reader ends the child.
        let mut reader = Self {
            child,
            pictures,
            lines,
            listener: None,
            width: 0,
            height: 0,
            frame_secs: if probe.fps > 0.0 {
                1.0 / probe.fps
            } else {
                0.0
            },
            expected: probe.frame_count,
            given: 0,
            last: None,
            skip_until_after: None,
            problem: None,
        };
        if let Some(said) = said {
            let listener = spawn("ffmpeg-listener", move || listen(said, &sender));
            reader.listener =
                Some(listener.map_err(|error| {
                    failed(path, format!("no thread could be started ({error})"))
                })?);
        }
        let mut first = Frame::default();
        if reader.next_frame(&mut first) {
            return Ok((reader, first));
        }
        Err(match reader.problem.take() {
            Some(problem) => failed(path, problem),
            None => CaptureError::NoFrames { path: path.into() },
        })
    }

    /// Leaves out the frames up to and including this stamp.
    pub(super) fn skip_until_after(&mut self, stamp: Option<CaptureTime>) {
        self.skip_until_after = stamp;
    }

    /// ffmpeg patches what it cannot decode, so no frame is known to be lost.
    pub(super) fn lost(&self) -> u64 {
        0
    }

    /// What ffmpeg complained of; complete at the end of the clip.
    pub(super) fn problem(&self) -> Option<&str> {
        self.problem.as_deref()
    }

    /// The next frame; false at the end.
    pub(super) fn next_frame(&mut self, into: &mut Frame) -> bool {
        loop {
            if !self.read_frame(into) {
                return false;
            }
            if self
                .skip_until_after
                .is_none_or(|stamp| into.captured_at > stamp)
            {
                return true;
            }
        }
    }

    fn read_frame(&mut self, into: &mut Frame) -> bool {
        let Some(pictures) = &mut self.pictures else {
            return false;
        };
        // The line is written before the frame; the sender goes away when ffmpeg ends.
        let Ok(line) = self.lines.recv() else {
            self.finish();
            return false;
        };
        if self.given == 0 && self.width == 0 {
            // ffmpeg scales later frames to the first one's size, should the size change.
            (self.width, self.height) = (line.width, line.height);
        }
        if pictures
            .read_exact(into.resized(self.width, self.height))
            .is_err()
        {
            self.finish();
            return false;
        }
        into.index = self.given;
        into.captured_at = line.at.unwrap_or_else(|| {
            self.last.map_or(CaptureTime::default(), |last| {
                last.plus_secs(self.frame_secs)
            })
        });
        self.given += 1;
        self.last = Some(into.captured_at);
        true
    }

    /// Collects the child and what it had to say.
    fn finish(&mut self) {
        self.pictures = None;
        let status = self.child.wait();
        let complaints = self
            .listener
            .take()
            .and_then(|listener| listener.join().ok())
            .unwrap_or_default();
        self.problem = match (complaints.last, self.expected) {
            (Some(last), _) if complaints.count == 1 => Some(last),
            (Some(last), _) => Some(format!(
                "ffmpeg reported {} problems, at last: {last}",
                complaints.count
            )),
            (None, Some(expected)) if self.given < expected => Some(format!(
                "{} of the {expected} frames that the file promises could be read",
                self.given
            )),
            (None, _) => match status {
                Ok(status) if !status.success() => Some(format!("ffmpeg ended with {status}")),
                Ok(_) => None,
                Err(error) => Some(format!("ffmpeg was lost ({error})")),
            },
        };
    }
}

impl Drop for FfmpegReader {
    fn drop(&mut self) {
        // Either may fail only because the child has already ended, which is what is wanted.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Reads ffmpeg's messages until it ends: stamps go to `sender`, complaints are kept.
fn listen(said: ChildStderr, sender: &SyncSender<Picture>) -> Complaints {
    let mut complaints = Complaints::default();
    let mut time_base = TimeBase::default();
    let mut reader = BufReader::new(said);
    let mut bytes = Vec::new();
    loop {
        bytes.clear();
        match reader.read_until(b'\n', &mut bytes) {
            Ok(0) | Err(_) => return complaints,
            Ok(_) => {}
        }
        match Line::read(&String::from_utf8_lossy(&bytes), time_base) {
            Line::TimeBase(told) => time_base = told,
            // When nobody listens any more the reader is being dropped; ffmpeg is ended by it.
            Line::Picture(picture) => drop(sender.send(picture)),
            Line::Complaint(text) => {
                complaints.count += 1;
                complaints.last = Some(text);
            }
            Line::Other => {}
        }
    }
}

/// A path as ffmpeg must be given it, so that no name is taken for an address or an option.
pub(super) fn file_argument(path: &Path) -> OsString {
    let mut argument = OsString::from("file:");
    argument.push(path);
    argument
}

/// The error for a program that could not be started.
pub(super) fn not_started(path: &Path, codec: Option<&str>, error: std::io::Error) -> CaptureError {
    match (error.kind(), codec) {
        (ErrorKind::NotFound, Some(codec)) => CaptureError::NeedsFfmpeg {
            path: path.into(),
            codec: codec.into(),
        },
        (ErrorKind::NotFound, None) => CaptureError::NotVideo {
            path: path.into(),
            what: "its kind is not known here; with ffmpeg installed more kinds can be read".into(),
        },
        _ => failed(path, format!("it could not be started ({error})")),
    }
}

/// The error for a program that ran and failed.
pub(super) fn failed(path: &Path, reason: String) -> CaptureError {
    CaptureError::FfmpegFailed {
        path: path.into(),
        reason,
    }
}
