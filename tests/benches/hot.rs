//! The pieces that run for every frame, and those that run when a swing ends.
//!
//! `cargo bench -p cagehand-benches`; `make performance` puts the figures into `docs/performance.md`. Everything runs on one thread.

#![allow(
    clippy::unwrap_used,
    missing_docs,
    reason = "a bench that meets the unexpected should fail on the spot"
)]

use std::hint::black_box;
use std::path::{Path, PathBuf};

use cagehand::capture::{ClipSource, Frame, MjpegDecoder};
use cagehand::journal::{Journal, NewSession, RepRecord, encode_timeline};
use cagehand::picture_size::PictureSize;
use cagehand::pose::track::TrackReader;
use cagehand::pose::{CameraWatch, Model, PoseFrame};
use cagehand::rep::{FoundRep, HitterSetup, RepFinder};
use cagehand::video::{JpegEncoder, SizeLimit};
use cagehand::wall_clock::now_to_the_millisecond;
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(path)
}

/// A frame of the demo with the hitter in it.
fn picture() -> Frame {
    let mut clip = ClipSource::open(&project("recordings/left_60fps_faults.mp4")).unwrap();
    let mut frame = Frame::default();
    for _ in 0..120 {
        assert!(clip.next_frame(&mut frame).unwrap());
    }
    frame
}

fn swing() -> Vec<PoseFrame> {
    let path = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let mut reader = TrackReader::open(&path).unwrap();
    std::iter::from_fn(|| reader.next_frame().unwrap()).collect()
}

fn finder() -> RepFinder {
    RepFinder::new(HitterSetup {
        height_cm: Some(183.0),
        ..HitterSetup::default()
    })
}

fn found(frames: &[PoseFrame]) -> FoundRep {
    let mut finder = finder();
    frames
        .iter()
        .find_map(|frame| finder.push(frame.clone()))
        .unwrap()
}

fn decode(c: &mut Criterion) {
    let frame = picture();
    let packed = JpegEncoder::new(SizeLimit::ANY)
        .encode(&frame)
        .unwrap()
        .unwrap();
    let mut decoder = MjpegDecoder::default();
    let mut into = Frame::default();
    c.bench_function("decode/mjpeg 720p", |b| {
        b.iter(|| decoder.decode(black_box(&packed.bytes), &mut into).unwrap());
    });
    let path = project("recordings/left_60fps_faults.mp4");
    let mut clip = ClipSource::open(&path).unwrap();
    c.bench_function("decode/h264 720p", |b| {
        b.iter(|| {
            if !clip.next_frame(&mut into).unwrap() {
                clip = ClipSource::open(&path).unwrap();
            }
        });
    });
}

fn pose(c: &mut Criterion) {
    let frame = picture();
    for model in [Model::Full, Model::Lite] {
        let mut tracker = model.tracker().unwrap();
        tracker.next(&frame).unwrap();
        c.bench_function(&format!("pose/{} model and crop", model.name()), |b| {
            b.iter(|| tracker.next(black_box(&frame)).unwrap());
        });
    }
}

fn camera(c: &mut Criterion) {
    let frame = picture();
    let mut watch = CameraWatch::default();
    c.bench_function("camera/whether it moves, 720p", |b| {
        b.iter(|| watch.step(black_box(&frame), None));
    });
}

fn reps(c: &mut Criterion) {
    let frames = swing();
    c.bench_function("reps/a whole swing of 60 frames a second, per track", |b| {
        b.iter_batched(
            || (finder(), frames.clone()),
            |(mut finder, frames)| {
                for frame in frames {
                    black_box(finder.push(frame));
                }
                finder
            },
            BatchSize::LargeInput,
        );
    });
    // What the frame costs that ends the swing: filters, fits and measures over six seconds.
    let mut before = finder();
    let last = frames
        .iter()
        .position(|frame| before.push(frame.clone()).is_some())
        .unwrap();
    c.bench_function("reps/the frame that ends a swing", |b| {
        b.iter_batched(
            || {
                let mut finder = finder();
                for frame in &frames[..last] {
                    finder.push(frame.clone());
                }
                (finder, frames[last].clone())
            },
            |(mut finder, frame)| finder.push(frame).unwrap(),
            BatchSize::LargeInput,
        );
    });
}

fn journal(c: &mut Criterion) {
    let frames = swing();
    let FoundRep { rep, frames } = found(&frames);
    let mut coach = cagehand::coach::Coach::new(Default::default(), Vec::new());
    let judged = coach.judge(rep);
    c.bench_function("journal/landmarks of a rep packed", |b| {
        b.iter(|| encode_timeline(black_box(&frames)).unwrap());
    });
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("j.db")).unwrap();
    let session = journal
        .begin_session(&NewSession {
            hitter: None,
            started_at: now_to_the_millisecond(),
            source: "bench".into(),
            settings: String::new(),
            program_version: "0".into(),
            plan: None,
            said_by: None,
        })
        .unwrap();
    let size = PictureSize {
        width_px: 1280,
        height_px: 720,
    };
    let mut number = 0;
    c.bench_function("journal/a rep stored, flushed to the disk", |b| {
        b.iter(|| {
            number += 1;
            let mut judged = judged.clone();
            judged.number = number;
            journal
                .log_rep(session, &RepRecord::new(judged, frames.clone(), size))
                .unwrap()
        });
    });
}

criterion_group!(hot, decode, pose, camera, reps, journal);
criterion_main!(hot);
