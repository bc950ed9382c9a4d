//! `cagehand check`: is this cage ready? Camera, light, framing, frame rate, speaker, disk, model, settings.

mod bat;
mod controls;
mod finding;
mod flicker;
mod grain;
mod hitter;
mod look_clock;
mod microphone;
mod page;
mod stand;

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

use clap::Args;

use self::bat::BatSight;
use self::finding::{Finding, Grade};
use self::flicker::{flicker, strip_brightness};
use self::grain::Grain;
use self::look_clock::LookClock;
use self::stand::stand;
use super::{Failure, journal_path, notice, terminal};
use crate::capture::{
    CameraMode, CameraSource, CaptureError, ClipSource, ControlStatus, Frame, FrameSource,
    PixelFormat, PlaybackRate,
};
use crate::coach::CueId;
use crate::daemon::{BenchmarkLoad, camera_request, choose_pair, source_at, wanted_rates};
use crate::machine::free_bytes;
use crate::pose::{BatReader, CameraWatch, Model};
use crate::settings::Settings;
use crate::sound::{Output, Sound, SoundOutput};
use crate::status::ModelReason;
use crate::time::CaptureTime;
use crate::video::FilmStore;

/// How long the camera is looked at.
const LOOK: Duration = Duration::from_secs(3);
/// How long a camera is given to come to rest with exposure, gain and focus.
const SETTLE: Duration = Duration::from_secs(12);
/// How often it is asked whether it has.
const ASK_EVERY: Duration = Duration::from_millis(250);
/// Mean brightness of a picture that is too dark, or so bright that it is washed out; 0 to 255.
const LIGHT: std::ops::RangeInclusive<f64> = 35.0..=220.0;
/// Space that the journal should have left.
const LEAST_FREE_BYTES: u64 = 500 * 1024 * 1024;

/// Arguments of `check`.
#[derive(Debug, Args)]
pub(super) struct Check {
    /// Look at this clip instead of the camera.
    #[arg(long, value_name = "CLIP")]
    clip: Option<std::path::PathBuf>,
    /// Do not play a sound.
    #[arg(long)]
    silent: bool,
}

impl Check {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        terminal::println(notice::in_language(settings.cues.language));
        let mut findings = self.look(settings)?;
        if !self.silent {
            findings.push(speaker(settings));
        }
        findings.push(microphone::microphone(settings)?);
        findings.push(disk(settings)?);
        findings.push(page::page(settings)?);
        findings.push(picture(settings));
        findings.push(video(settings)?);
        for finding in &findings {
            terminal::println(&finding.line());
        }
        let bad: Vec<&str> = findings
            .iter()
            .filter(|f| f.grade == Grade::Mend)
            .map(|f| f.what)
            .collect();
        if bad.is_empty() {
            return Ok(());
        }
        Err(Failure::Finding(format!(
            "needs fixing: {}",
            bad.join(", ")
        )))
    }

    /// Everything that needs pictures.
    fn look(&self, settings: &Settings) -> Result<Vec<Finding>, Failure> {
        let mut request = camera_request(settings);
        let source = match &self.clip {
            Some(path) => FrameSource::from_clip(ClipSource::open(path)?, PlaybackRate::REAL),
            None => match CameraSource::open(&request) {
                Ok(camera) => FrameSource::Camera(Box::new(camera)),
                Err(error) => {
                    let mut findings = vec![Finding {
                        what: "camera",
                        grade: Grade::Mend,
                        says: error.to_string(),
                    }];
                    if let Ok(all) = CameraSource::list(settings.camera.backend)
                        && !all.is_empty()
                    {
                        let names: Vec<String> = all.iter().map(|c| c.label()).collect();
                        findings[0].says += &format!(". Found: {}", names.join("; "));
                    }
                    return Ok(findings);
                }
            },
        };
        let chosen = choose_pair(settings.model, &wanted_rates(&source, settings), |fps| {
            BenchmarkLoad::Decoding { fps }
        })?;
        let mut source = source_at(source, chosen.fps, &mut request)?;
        source.drop_none();
        let promised = source.fps();
        let mut findings = vec![Finding {
            what: "camera",
            grade: Grade::Good,
            says: camera_says(&source),
        }];
        if let FrameSource::Camera(camera) = &source {
            findings.push(Finding {
                what: "modes",
                grade: Grade::Good,
                says: modes_say(&camera.info().modes),
            });
            if camera.controls().is_none() {
                findings.push(Finding {
                    what: "controls",
                    grade: Grade::Good,
                    says: format!(
                        "through {} exposure, gain, mains and focus cannot be set; they stay as the camera has them",
                        camera.info().backend.name()
                    ),
                });
            }
        }
        match watch_for(&mut source, LOOK) {
            Ok(seen) => {
                let says = seen.controls.as_ref().map(|now| {
                    let flickers = flicker(&seen.strip);
                    controls::findings(now, flickers)
                });
                findings.extend(seen.judge(promised, &mut source, settings)?);
                findings.push(machine(chosen.reason));
                findings.extend(says.into_iter().flatten());
            }
            Err(error) => findings.push(Finding {
                what: "frames",
                grade: Grade::Mend,
                says: error.to_string(),
            }),
        }
        Ok(findings)
    }
}

fn camera_says(source: &FrameSource) -> String {
    match source {
        FrameSource::Camera(camera) => {
            let (info, mode) = (camera.info(), camera.mode());
            format!(
                "{}: {} x {} at {:.0} frames a second, {}, through {}",
                info.label(),
                mode.size.width_px,
                mode.size.height_px,
                mode.fps,
                mode.format,
                info.backend.name()
            )
        }
        other => format!(
            "none; looking at {}",
            other
                .clip()
                .map(|c| c.path().display().to_string())
                .unwrap_or_default()
        ),
    }
}

/// The modes a camera offers: for each format its sizes, each with the fastest rate.
fn modes_say(modes: &[CameraMode]) -> String {
    let mut fastest = BTreeMap::<(PixelFormat, u32, u32), f64>::new();
    for mode in modes {
        let fps = fastest
            .entry((mode.format, mode.size.width_px, mode.size.height_px))
            .or_default();
        *fps = fps.max(mode.fps);
    }
    let mut text = String::from("offered, each with its fastest rate:");
    let mut last = None;
    for ((format, width, height), fps) in fastest {
        if last != Some(format) {
            let gap = if last.is_some() { ";" } else { "" };
            text += &format!("{gap} {format}");
            last = Some(format);
        }
        text += &format!(" {width} x {height} at {fps:.0}");
    }
    text
}

/// What a few seconds of frames show.
struct Seen {
    frames: u64,
    lost: u64,
    secs: f64,
    light: f64,
    last: Frame,
    /// What became of the wishes about exposure and the like; none for a clip.
    controls: Option<ControlStatus>,
    /// Whether the camera itself moved.
    moved: bool,
    /// Time in seconds and brightness of a strip of each picture.
    strip: Vec<(f64, f64)>,
    /// Standard deviation of a still pixel, of 255.
    noise: Option<f64>,
}

/// Lets a camera come to rest: exposure, gain and focus follow the light for a few seconds.
fn settle(source: &mut FrameSource, frame: &mut Frame) -> Result<(), CaptureError> {
    let (started, mut asked) = (Instant::now(), Instant::now());
    while started.elapsed() < SETTLE {
        let FrameSource::Camera(camera) = &*source else {
            return Ok(());
        };
        if asked.elapsed() >= ASK_EVERY {
            asked = Instant::now();
            if camera.controls().is_none_or(|now| now.settled) {
                return Ok(());
            }
        }
        match source.next_frame(frame) {
            Ok(_) | Err(CaptureError::BadFrame { .. } | CaptureError::CameraTimeout { .. }) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

fn watch_for(source: &mut FrameSource, time: Duration) -> Result<Seen, CaptureError> {
    let mut frame = Frame::default();
    let mut seen = Seen {
        frames: 0,
        lost: 0,
        secs: 0.0,
        light: 0.0,
        last: Frame::default(),
        controls: None,
        moved: false,
        strip: Vec::new(),
        noise: None,
    };
    settle(source, &mut frame)?;
    let (mut first, mut clock) = (None::<(u64, CaptureTime)>, LookClock::of(source));
    let mut light = 0.0;
    let (mut camera, mut grain) = (CameraWatch::default(), Grain::default());
    while clock.is_within(time) {
        match source.next_frame(&mut frame) {
            Ok(true) => {}
            Ok(false) => break,
            Err(CaptureError::BadFrame { .. } | CaptureError::CameraTimeout { .. }) => {
                seen.lost += 1;
                continue;
            }
            Err(error) => return Err(error),
        }
        clock.step(frame.captured_at);
        let (index, at) = *first.get_or_insert((frame.index, frame.captured_at));
        seen.frames += 1;
        seen.secs = frame.captured_at.secs_since(at);
        seen.lost = seen
            .lost
            .max((frame.index - index + 1).saturating_sub(seen.frames));
        light += f64::from(frame.brightness());
        seen.moved |= camera.step(&frame, None).is_some();
        grain.step(&frame);
        let strip = strip_brightness(&frame);
        seen.strip.push((frame.captured_at.secs_since(at), strip));
    }
    if let FrameSource::Camera(camera) = &*source {
        seen.controls = camera.controls();
    }
    seen.noise = grain.noise();
    seen.light = light / seen.frames.max(1) as f64;
    seen.last = frame;
    Ok(seen)
}

impl Seen {
    /// The lines of the report; `source` shows the hitter once more.
    fn judge(
        &self,
        promised: f64,
        source: &mut FrameSource,
        settings: &Settings,
    ) -> Result<Vec<Finding>, Failure> {
        let fps = if self.secs > 0.0 {
            (self.frames - 1) as f64 / self.secs
        } else {
            0.0
        };
        let mut findings = vec![Finding {
            what: "frames",
            grade: Grade::of(fps >= 0.9 * promised && fps >= 25.0 && self.lost * 50 <= self.frames),
            says: format!(
                "{fps:.1} frames a second ({promised:.0} expected), {} lost{}",
                self.lost,
                if fps >= 55.0 {
                    ""
                } else if fps < 0.9 * promised {
                    "; 60 or more is better for a swing: more light lets the camera run faster"
                } else {
                    "; 60 or more is better for a swing: a smaller picture may be faster, see the modes"
                }
            ),
        }];
        findings.push(stand(self.moved, settings)?);
        let lit = LIGHT.contains(&self.light);
        let advice = match lit {
            true => "",
            false if self.light < *LIGHT.start() => ": too dark, put more light on the hitter",
            false => ": too bright, keep lamps and windows out of the picture",
        };
        findings.push(Finding {
            what: "light",
            grade: Grade::of(lit),
            says: format!("mean brightness {:.0} of 255{advice}", self.light),
        });
        let mut tracker = Model::Full.tracker()?;
        let mut bats = settings.bat.then(BatReader::new).transpose()?;
        let hitter = hitter::watch(source, &mut tracker, bats.as_mut(), &self.last)?;
        findings.extend(hitter::findings(
            &hitter,
            self.last.height as f64,
            settings.camera.view,
        ));
        findings.extend(bat::findings(&BatSight {
            poses: &hitter,
            picture: self.last.size(),
            fps,
            taken_fps: fps * (1.0 + self.lost as f64 / self.frames.max(1) as f64),
            exposure_ms: self.controls.as_ref().and_then(|now| now.exposure_ms),
            noise: self.noise,
            height_cm: settings.hitter.height_cm,
            looked_for: settings.bat,
        }));
        Ok(findings)
    }
}

/// Which rate and pose model this machine would run.
fn machine(reason: ModelReason) -> Finding {
    Finding {
        what: "machine",
        grade: Grade::of(match reason {
            ModelReason::KeepsUp { now, .. } => now.holds(),
            _ => true,
        }),
        says: reason.to_string(),
    }
}

/// Plays the pleasant tone and sees whether it went out.
fn speaker(settings: &Settings) -> Finding {
    let finding = |good, says: String| Finding {
        what: "speaker",
        grade: Grade::of(good),
        says,
    };
    let load = || crate::daemon::cue_library(settings, None);
    let mut output = match SoundOutput::open(&Output::Device, load, settings.cues.volume) {
        Ok(output) => output,
        Err(error) => return finding(false, error.to_string()),
    };
    let at = CaptureTime::default();
    output.play(Sound::Cue(CueId::InBand), at);
    let outcomes = output.outcomes(Duration::from_secs(3));
    let result = match outcomes.first().map(|outcome| &outcome.result) {
        Some(Ok(played)) => finding(
            true,
            format!(
                "a two-note tone was played after {:.0} ms; if you did not hear it, check volume and cable",
                played.latency_millis
            ),
        ),
        Some(Err(why)) => finding(
            false,
            format!("{why}: connect a speaker, or see the system's sound settings"),
        ),
        None => finding(false, "the sound device does not answer".into()),
    };
    match output.finish(at) {
        Ok(()) => result,
        Err(error) => finding(false, error.to_string()),
    }
}

fn disk(settings: &Settings) -> Result<Finding, Failure> {
    let path = journal_path(None, settings)?;
    let folder = path
        .ancestors()
        .skip(1)
        .find(|p| p.is_dir())
        .unwrap_or(Path::new("/"));
    let finding = |good, says: String| Finding {
        what: "disk",
        grade: Grade::of(good),
        says,
    };
    Ok(match free_bytes(folder) {
        Ok(free) => finding(
            free >= LEAST_FREE_BYTES,
            format!("{:.1} GB free for {}", free as f64 / 1e9, path.display()),
        ),
        Err(error) => finding(false, format!("{}: {error}", folder.display())),
    })
}

/// Whether the page shows the camera's picture: never a fault, and never silent.
fn picture(settings: &Settings) -> Finding {
    let says = match settings.page.picture {
        true => {
            "THE CAMERA'S PICTURE IS SHOWN on the page's cage screen and not stored; picture = false under [page] in the \
             settings stops it"
        }
        false => "off, the page shows a stick figure only",
    };
    Finding {
        what: "picture",
        grade: Grade::Good,
        says: says.to_owned(),
    }
}

/// Whether pictures are kept: never a fault, and never silent.
fn video(settings: &Settings) -> Result<Finding, Failure> {
    let store = FilmStore::of_journal(&journal_path(None, settings)?);
    let usage = store.usage();
    let folder = store.folder().display();
    let good = usage.is_ok();
    let there = match usage {
        Ok(usage) if usage.films == 0 => "no film is there".to_owned(),
        Ok(usage) => format!(
            "{} films, {:.1} MB, are in {folder}",
            usage.films,
            usage.bytes as f64 / 1e6
        ),
        Err(error) => format!("the films cannot be looked at: {error}"),
    };
    let says = match settings.video.keep {
        true => format!(
            "A FILM OF EACH REP IS KEPT in {folder}, for {}; keep = false under [video] in the settings stops it; {there}",
            settings.video.limits_in_words()
        ),
        false => format!("off, no picture is stored; {there}"),
    };
    Ok(Finding {
        what: "video",
        grade: Grade::of(good),
        says,
    })
}
