//! What a file holds, according to the `ffprobe` program, which does not decode it.

use std::io::{self, Read};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde::Deserialize;

use super::super::frame_rate::nominal_fps;
use super::programs::{Programs, failed, file_argument, not_started};
use crate::capture::CaptureError;
use crate::time::CaptureTime;

/// Packets read to find the frame rate; enough for some seconds of any clip.
const PACKETS_READ: &str = "%+#900";

/// How long the program may take, and how often it is looked at.
const PATIENCE: Duration = Duration::from_secs(30);
const LOOK_EVERY: Duration = Duration::from_millis(10);

/// What the file holds.
#[derive(Debug)]
pub(super) struct Probe {
    pub codec: String,
    /// Zero where unknown.
    pub fps: f64,
    pub frame_count: Option<u64>,
    pub interlaced: bool,
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    packets: Vec<Packet>,
    #[serde(default)]
    streams: Vec<Stream>,
    format: Option<Format>,
}

#[derive(Deserialize)]
struct Packet {
    pts_time: Option<String>,
    dts_time: Option<String>,
}

#[derive(Default, Deserialize)]
struct Stream {
    codec_name: Option<String>,
    profile: Option<String>,
    pix_fmt: Option<String>,
    field_order: Option<String>,
    avg_frame_rate: Option<String>,
    nb_frames: Option<String>,
}

#[derive(Deserialize)]
struct Format {
    format_name: Option<String>,
}

/// `codec` is for the message if the program is missing.
pub(super) fn probe(
    path: &Path,
    programs: &Programs,
    codec: Option<&str>,
) -> Result<Probe, CaptureError> {
    let child = Command::new(&programs.ffprobe)
        .args(["-protocol_whitelist", "file", "-v", "error", "-select_streams", "V:0", "-read_intervals", PACKETS_READ, "-show_entries"])
        .arg(
            "packet=pts_time,dts_time:stream=codec_name,profile,pix_fmt,field_order,avg_frame_rate,nb_frames:\
             format=format_name",
        )
        .args(["-of", "json"])
        .arg(file_argument(path))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| not_started(path, codec, error))?;
    let output = output_in_time(child, PATIENCE)
        .map_err(|error| failed(path, format!("ffprobe gave no answer ({error})")))?;
    if !output.status.success() {
        let errors = String::from_utf8_lossy(&output.stderr);
        let last = errors
            .lines()
            .rev()
            .find(|line| !line.trim().is_empty())
            .unwrap_or("it gave no reason")
            .trim();
        // ffprobe puts the file's name before the reason; our error has it already.
        let reason = last
            .strip_prefix(&*file_argument(path).to_string_lossy())
            .unwrap_or(last)
            .trim_start_matches([':', ' ']);
        return Err(match codec {
            Some(_) => failed(path, reason.to_owned()),
            None => CaptureError::NotVideo {
                path: path.into(),
                what: format!("ffmpeg does not know it either: {reason}"),
            },
        });
    }
    let answer = serde_json::from_slice(&output.stdout)
        .map_err(|error| failed(path, format!("ffprobe's answer makes no sense ({error})")))?;
    interpret(path, answer)
}

/// What a program says until it ends. One that does not end in time is killed: a file can keep it busy for ever.
fn output_in_time(mut child: Child, patience: Duration) -> io::Result<Output> {
    let all_of = |name: &str, stream: Option<Box<dyn Read + Send>>| {
        crate::thread::spawn(name, move || {
            let mut bytes = Vec::new();
            // Whatever came before a fault is still worth reading.
            let _ = stream.map(|mut stream| stream.read_to_end(&mut bytes));
            bytes
        })
    };
    let out = child.stdout.take().map(|out| Box::new(out) as _);
    let err = child.stderr.take().map(|err| Box::new(err) as _);
    let (out, err) = (all_of("ffprobe-out", out)?, all_of("ffprobe-err", err)?);
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait()? {
            break status;
        }
        if begun.elapsed() > patience {
            child.kill()?;
            child.wait()?;
            return Err(io::ErrorKind::TimedOut.into());
        }
        std::thread::sleep(LOOK_EVERY);
    };
    Ok(Output {
        status,
        stdout: out.join().unwrap_or_default(),
        stderr: err.join().unwrap_or_default(),
    })
}

fn interpret(path: &Path, answer: Answer) -> Result<Probe, CaptureError> {
    let Some(stream) = answer.streams.into_iter().next() else {
        return Err(CaptureError::NoVideoTrack { path: path.into() });
    };
    let container = answer
        .format
        .as_ref()
        .and_then(|format| format.format_name.as_deref())
        .unwrap_or_default();
    if container == "image2" || container.ends_with("_pipe") {
        return Err(CaptureError::StillPicture {
            path: path.into(),
            kind: "an image file",
        });
    }
    if container == "tty" {
        return Err(CaptureError::NotVideo {
            path: path.into(),
            what: "it holds text".into(),
        });
    }
    let secs = |text: &Option<String>| {
        text.as_ref()
            .and_then(|text| text.parse::<f64>().ok())
            .filter(|secs| secs.is_finite())
    };
    let mut timestamps: Vec<CaptureTime> = answer
        .packets
        .iter()
        .filter_map(|packet| secs(&packet.pts_time).or_else(|| secs(&packet.dts_time)))
        .map(CaptureTime::from_secs)
        .collect();
    timestamps.sort_unstable();
    let fps = match nominal_fps(&timestamps) {
        0.0 => stream
            .avg_frame_rate
            .as_deref()
            .and_then(fraction)
            .unwrap_or(0.0),
        fps => fps,
    };
    Ok(Probe {
        codec: codec_name(&stream),
        fps,
        frame_count: stream
            .nb_frames
            .as_ref()
            .and_then(|count| count.parse().ok())
            .filter(|count| *count > 0),
        interlaced: matches!(
            stream.field_order.as_deref(),
            Some("tt" | "bb" | "tb" | "bt")
        ),
    })
}

fn fraction(text: &str) -> Option<f64> {
    let (numerator, denominator) = text.split_once('/')?;
    let value = numerator.parse::<f64>().ok()? / denominator.parse::<f64>().ok()?;
    value.is_finite().then_some(value)
}

fn codec_name(stream: &Stream) -> String {
    let name = match stream.codec_name.as_deref() {
        Some("h264") => "H.264",
        Some("hevc") => "HEVC",
        Some("vp8") => "VP8",
        Some("vp9") => "VP9",
        Some("av1") => "AV1",
        Some("mjpeg") => "Motion JPEG",
        Some("mpeg4") => "MPEG-4 Part 2",
        Some("mpeg2video") => "MPEG-2",
        Some("prores") => "ProRes",
        Some("gif") => "GIF",
        Some(name) => name,
        None => "unknown codec",
    };
    let details: Vec<&str> = [stream.profile.as_deref(), stream.pix_fmt.as_deref()]
        .into_iter()
        .flatten()
        .collect();
    if details.is_empty() {
        name.to_owned()
    } else {
        format!("{name} ({})", details.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(json: &str) -> Result<Probe, CaptureError> {
        interpret(Path::new("clip"), serde_json::from_str(json).unwrap())
    }

    #[test]
    fn a_phone_clip_is_interpreted() {
        let probe = check(
            r#"{"packets":[{"pts_time":"0.000000","dts_time":"-0.033"},{"pts_time":"0.066667"},{"pts_time":"0.033333"}],
                "streams":[{"codec_name":"hevc","profile":"Main 10","pix_fmt":"yuv420p10le","field_order":"progressive",
                  "avg_frame_rate":"30/1","nb_frames":"3","duration":"0.100000","side_data_list":[{},{"rotation":-90}]}],
                "format":{"format_name":"mov,mp4,m4a,3gp,3g2,mj2","duration":"0.120000"}}"#,
        )
        .unwrap();
        assert_eq!(probe.codec, "HEVC (Main 10, yuv420p10le)");
        assert!((probe.fps - 30.0).abs() < 0.01, "{}", probe.fps);
        assert_eq!((probe.frame_count, probe.interlaced), (Some(3), false));
    }

    #[test]
    fn a_program_that_does_not_end_is_killed() {
        let run = |script: &str, patience| {
            let child = Command::new("sh")
                .args(["-c", script])
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap();
            output_in_time(child, Duration::from_millis(patience))
        };
        let begun = Instant::now();
        let stuck = run("exec sleep 60", 100).unwrap_err();
        assert_eq!(stuck.kind(), io::ErrorKind::TimedOut);
        assert!(begun.elapsed() < Duration::from_secs(20));
        let ended = run("echo out; echo err >&2; exit 3", 20_000).unwrap();
        assert_eq!(
            (ended.status.code(), &*ended.stdout, &*ended.stderr),
            (Some(3), &b"out\n"[..], &b"err\n"[..])
        );
    }

    #[test]
    fn a_file_without_pictures_or_with_only_one_is_refused() {
        assert!(matches!(
            check(r#"{"streams":[],"format":{"format_name":"wav"}}"#),
            Err(CaptureError::NoVideoTrack { .. })
        ));
        let picture = r#"{"streams":[{"codec_name":"png"}],"format":{"format_name":"png_pipe"}}"#;
        assert!(matches!(
            check(picture),
            Err(CaptureError::StillPicture { .. })
        ));
    }
}
