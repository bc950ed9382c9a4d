//! Reads a clip through the `ffmpeg` and `ffprobe` programs, as child processes.
//!
//! ffprobe says what the file holds. ffmpeg writes upright RGB frames to its standard output and, through
//! its `showinfo` filter, one line per frame to its standard error; the line holds the timestamp of exactly
//! the frame that follows on the other pipe. A thread of its own reads the lines, so that neither pipe can
//! block the other. The children die with the reader.

mod log;
mod probe;
mod programs;

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use self::log::{FrameReport, LogLine, TimeBase};
use self::probe::{Probe, probe};
pub(super) use self::programs::Programs;
use self::programs::{failed, file_argument, not_started};
use super::ClipInfo;
use crate::capture::{CaptureError, Frame};
use crate::picture_size::PictureSize;
use crate::thread::spawn;
use crate::time::CaptureTime;

/// Lines that may wait for their frame. ffmpeg works only a few frames ahead, as the other pipe is short.
const LINES_AHEAD: usize = 4096;

/// A clip that is open, with its first frame.
pub(super) struct OpenedClip {
    pub info: ClipInfo,
    pub reader: FfmpegReader,
    pub first: Frame,
}

/// A running ffmpeg.
#[derive(Debug)]
pub(super) struct FfmpegReader {
    child: Child,
    /// `None` once ffmpeg has ended.
    pixels: Option<ChildStdout>,
    lines: Receiver<FrameReport>,
    log_reader: Option<JoinHandle<ErrorLog>>,
    /// Of the first frame; ffmpeg scales later ones to it, should the size change.
    size: Option<PictureSize>,
    /// How far apart frames without a timestamp are taken to be; zero where unknown.
    frame_secs: f64,
    expected_frames: Option<u64>,
    frames_read: u64,
    last_at: Option<CaptureTime>,
    skip_until_after: Option<CaptureTime>,
    problem: Option<String>,
}

/// The errors that ffmpeg printed.
#[derive(Clone, Debug, Default)]
struct ErrorLog {
    count: u64,
    last: Option<String>,
}

impl FfmpegReader {
    /// Starts ffmpeg and reads the first frame. `codec` names the contents for the message if ffmpeg is
    /// missing; `None` where nothing is known of the file.
    pub(super) fn open(
        path: &Path,
        programs: &Programs,
        codec: Option<&str>,
    ) -> Result<OpenedClip, CaptureError> {
        let probe = probe(path, programs, codec)?;
        // The option's name changed in ffmpeg 5.1.
        let mut result = Self::start(path, programs, &probe, codec, "-fps_mode");
        if matches!(&result, Err(CaptureError::FfmpegFailed { reason, .. }) if reason.contains("fps_mode"))
        {
            result = Self::start(path, programs, &probe, codec, "-vsync");
        }
        let (reader, first) = result?;
        let info = ClipInfo {
            frames: probe.frame_count,
            size: first.size(),
            fps: probe.fps,
            capture_fps: None,
            codec: probe.codec,
        };
        Ok(OpenedClip {
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
                // A file may name others to be read, also on other machines: it gets itself alone.
                "-protocol_whitelist",
                "file",
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
        let (pixels, log) = (child.stdout.take(), child.stderr.take());
        let (sender, lines) = sync_channel(LINES_AHEAD);
        // From here on dropping the reader ends the child.
        let mut reader = Self {
            child,
            pixels,
            lines,
            log_reader: None,
            size: None,
            frame_secs: if probe.fps > 0.0 {
                1.0 / probe.fps
            } else {
                0.0
            },
            expected_frames: probe.frame_count,
            frames_read: 0,
            last_at: None,
            skip_until_after: None,
            problem: None,
        };
        if let Some(log) = log {
            let thread = spawn("ffmpeg-log", move || read_log(log, &sender));
            reader.log_reader =
                Some(thread.map_err(|error| {
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

    /// Leaves out the frames up to and including this timestamp.
    pub(super) fn skip_until_after(&mut self, stamp: Option<CaptureTime>) {
        self.skip_until_after = stamp;
    }

    /// Always zero: ffmpeg conceals what it cannot decode, so no frame is known to be lost.
    pub(super) fn lost(&self) -> u64 {
        0
    }

    /// What went wrong; complete at the end of the clip.
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
        let Some(pixels) = &mut self.pixels else {
            return false;
        };
        // The line is written before the frame; the sender is dropped when ffmpeg ends.
        let Ok(line) = self.lines.recv() else {
            self.finish();
            return false;
        };
        let size = *self.size.get_or_insert(line.size);
        let rgb = into.resized(size.width_px as usize, size.height_px as usize);
        if pixels.read_exact(rgb).is_err() {
            self.finish();
            return false;
        }
        into.index = self.frames_read;
        into.captured_at = line.at.unwrap_or_else(|| {
            self.last_at.map_or(CaptureTime::default(), |last| {
                last.plus_secs(self.frame_secs)
            })
        });
        self.frames_read += 1;
        self.last_at = Some(into.captured_at);
        true
    }

    /// Waits for ffmpeg to end, and collects its errors.
    fn finish(&mut self) {
        self.pixels = None;
        let status = self.child.wait();
        let errors = self
            .log_reader
            .take()
            .and_then(|thread| thread.join().ok())
            .unwrap_or_default();
        self.problem = match (errors.last, self.expected_frames) {
            (Some(last), _) if errors.count == 1 => Some(last),
            (Some(last), _) => Some(format!(
                "ffmpeg reported {} problems, at last: {last}",
                errors.count
            )),
            (None, Some(expected)) if self.frames_read < expected => Some(format!(
                "{} of the {expected} frames that the file promises could be read",
                self.frames_read
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
        // Either fails only if the child has already ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Reads ffmpeg's log until it ends: lines about frames go to `sender`, errors are kept.
fn read_log(log: ChildStderr, sender: &SyncSender<FrameReport>) -> ErrorLog {
    let mut errors = ErrorLog::default();
    let mut time_base = TimeBase::default();
    let mut reader = BufReader::new(log);
    let mut bytes = Vec::new();
    loop {
        bytes.clear();
        match reader.read_until(b'\n', &mut bytes) {
            Ok(0) | Err(_) => return errors,
            Ok(_) => {}
        }
        match LogLine::parse(&String::from_utf8_lossy(&bytes), time_base) {
            LogLine::TimeBase(new) => time_base = new,
            // Without a receiver the reader is being dropped, which ends ffmpeg.
            LogLine::Frame(line) => drop(sender.send(line)),
            LogLine::Error(text) => {
                errors.count += 1;
                errors.last = Some(text);
            }
            LogLine::Other => {}
        }
    }
}
