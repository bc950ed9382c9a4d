//! The clip source against small clips made with ffmpeg; `tests/data/clips/README.md` says how.
//!
//! Expected timestamps and counts are what `ffprobe` 5.1 (Debian 12) prints for the file.

use super::*;
use std::io::Write;

fn clip_path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/clips")
        .join(name)
}

fn size(width_px: u32, height_px: u32) -> PictureSize {
    PictureSize {
        width_px,
        height_px,
    }
}

fn no_programs() -> Programs {
    Programs {
        ffmpeg: "no-such-program-ffmpeg".into(),
        ffprobe: "no-such-program-ffprobe".into(),
    }
}

/// False, with a word on standard error, where ffmpeg is not installed.
fn ffmpeg_is_here() -> bool {
    let runs = |program: &str| {
        std::process::Command::new(program)
            .arg("-version")
            .output()
            .is_ok_and(|output| output.status.success())
    };
    let here = runs("ffmpeg") && runs("ffprobe");
    if !here {
        eprintln!("skipped: ffmpeg and ffprobe are not installed");
    }
    here
}

/// A file with these bytes, and the folder that must outlive it.
fn written(name: &str, bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    File::create(&path).unwrap().write_all(bytes).unwrap();
    (folder, path)
}

fn all_frames(clip: &mut ClipSource) -> Vec<Frame> {
    let mut frames = Vec::new();
    let mut frame = Frame::default();
    while clip.next_frame(&mut frame).unwrap() {
        assert_eq!(frame.rgb.len(), 3 * frame.width * frame.height);
        frames.push(frame.clone());
    }
    assert!(
        !clip.next_frame(&mut frame).unwrap(),
        "the end stays the end"
    );
    frames
}

/// Timestamps in whole microseconds, as ffprobe prints them.
fn micros(frames: &[Frame]) -> Vec<i64> {
    frames
        .iter()
        .map(|frame| (frame.captured_at.nanos() + 500).div_euclid(1000))
        .collect()
}

fn steady(count: i64, fps: f64) -> Vec<i64> {
    (0..count)
        .map(|index| (index as f64 * 1e6 / fps).round() as i64)
        .collect()
}

#[test]
fn timestamps_sizes_and_counts_are_those_that_ffprobe_prints() {
    // ffprobe -select_streams v -show_entries frame=pts_time
    let variable = [
        0, 16_667, 33_333, 66_667, 116_667, 133_333, 150_000, 183_333, 200_000, 216_667, 233_333,
        250_000, 266_667, 300_000, 316_667, 500_000, 533_333, 550_000, 566_667, 583_333, 600_000,
        616_667, 650_000, 666_667, 683_333, 700_000, 716_667, 733_333, 766_667, 783_333, 800_000,
        816_667, 833_333, 850_000, 883_333, 900_000, 916_667, 933_333, 950_000, 966_667,
    ];
    let cases = [
        ("h264_b_frames.mp4", steady(60, 30.0), 30.0, 160, 90),
        ("h264_variable_rate.mp4", variable.to_vec(), 60.0, 160, 90),
        // The file holds 43 frames; its edit list shows 26 of them.
        ("h264_trimmed.mp4", steady(26, 30.0), 30.0, 160, 90),
        ("h264_turn_90.mp4", steady(6, 30.0), 30.0, 64, 96),
        ("h264_turn_180.mp4", steady(6, 30.0), 30.0, 96, 64),
    ];
    for (name, stamps, fps, width, height) in cases {
        // Without the programs, so that only the built-in decoder can have done it.
        let mut clip = ClipSource::open_with(&clip_path(name), no_programs()).unwrap();
        let info = clip.info().clone();
        let frames = all_frames(&mut clip);
        assert_eq!(micros(&frames), stamps, "{name}");
        assert_eq!(info.size, size(width, height), "{name}");
        assert!((info.fps - fps).abs() < 0.01, "{name}: {} fps", info.fps);
        assert!(info.codec.starts_with("H.264"), "{name}: {}", info.codec);
        assert!(
            frames
                .iter()
                .zip(0..)
                .all(|(frame, index)| frame.index == index),
            "{name}"
        );
        assert_eq!((clip.lost(), clip.problem()), (0, None), "{name}");
    }
}

#[test]
fn rotated_clips_are_upright() {
    // Before it is rotated, the picture is gray with a red top left corner. The clockwise angle is
    // the negative of the `rotation` that ffprobe prints.
    let cases = [(90, (48, 12)), (180, (80, 52)), (270, (12, 80))];
    for (turn, red_at) in cases {
        let mut clip =
            ClipSource::open_with(&clip_path(&format!("h264_turn_{turn}.mp4")), no_programs())
                .unwrap();
        let mut frame = Frame::default();
        assert!(clip.next_frame(&mut frame).unwrap());
        let corners = [
            (12, 12),
            (frame.width - 16, 12),
            (12, frame.height - 16),
            (frame.width - 16, frame.height - 16),
        ];
        for (x, y) in corners.into_iter().chain([red_at]) {
            let pixel = &frame.rgb[3 * (y * frame.width + x)..][..3];
            let red = pixel[0] > 230 && pixel[1] < 25;
            let near = x.abs_diff(red_at.0) < 12 && y.abs_diff(red_at.1) < 12;
            assert_eq!(red, near, "turn {turn}: {pixel:?} at {x}, {y}");
        }
    }
}

#[test]
fn the_matrix_and_range_that_a_stream_names_are_honored() {
    // Both clips show pure red; ffmpeg's rgb24 of them is (254, 0, 0) and (255, 0, 0) within 1.
    for name in ["h264_red_bt709.mp4", "h264_red_bt601_full.mp4"] {
        let mut clip = ClipSource::open_with(&clip_path(name), no_programs()).unwrap();
        for frame in all_frames(&mut clip) {
            for pixel in frame.rgb.chunks(3) {
                assert!(
                    pixel[0] >= 252 && pixel[1] <= 2 && pixel[2] <= 2,
                    "{name}: {pixel:?}"
                );
            }
        }
    }
}

/// Damages one sample of `h264_b_frames.mp4`, which has key frames at samples 0 and 30.
fn damaged(sample: usize, damage: impl Fn(&mut [u8])) -> (tempfile::TempDir, PathBuf) {
    let path = clip_path("h264_b_frames.mp4");
    let mut bytes = std::fs::read(&path).unwrap();
    let track = mp4::read(&mut File::open(&path).unwrap()).unwrap();
    let sample = track.samples[sample];
    damage(&mut bytes[sample.offset as usize..][..sample.size]);
    written("damaged.mp4", &bytes)
}

#[test]
fn after_damage_every_frame_still_has_its_own_timestamp() {
    let clean = all_frames(&mut ClipSource::open(&clip_path("h264_b_frames.mp4")).unwrap());
    type Damage = fn(&mut [u8]);
    let kinds: [(&str, Damage); 3] = [
        ("no unit", |bytes| bytes[..4].fill(0)),
        ("zeros", |bytes| bytes[5..].fill(0)),
        ("ones", |bytes| bytes[5..].fill(0xFF)),
    ];
    for (kind, damage) in kinds {
        for sample in [2, 9, 17, 29] {
            let (_folder, path) = damaged(sample, damage);
            let mut clip = ClipSource::open_with(&path, no_programs()).unwrap();
            let frames = all_frames(&mut clip);
            let case = format!("{kind} in sample {sample}");
            let given = frames.len() as u64;
            assert_eq!(
                given + clip.lost(),
                60,
                "{case}: each frame is given or counted as lost"
            );
            assert!(
                (30..60).contains(&given),
                "{case}: {given} frames were given"
            );
            for frame in &frames {
                let same = &clean[frame.index as usize];
                assert_eq!(frame.captured_at, same.captured_at, "{case}");
                assert!(
                    frame.rgb == same.rgb,
                    "{case}: frame {} is not the picture of its stamp",
                    frame.index
                );
            }
            assert!(
                frames
                    .iter()
                    .skip(given as usize - 30)
                    .map(|frame| frame.index)
                    .eq(30..60),
                "{case}: all is well from the next key frame on"
            );
        }
    }
}

#[test]
fn damage_with_no_key_frame_ahead_is_reported_or_left_to_ffmpeg() {
    let (_folder, path) = damaged(40, |bytes| bytes[..4].fill(0));
    let mut clip = ClipSource::open_with(&path, no_programs()).unwrap();
    let frames = all_frames(&mut clip);
    assert_eq!(frames.len() as u64 + clip.lost(), 60);
    assert!(clip.lost() > 0);
    assert!(
        clip.problem().unwrap().contains("install ffmpeg"),
        "{:?}",
        clip.problem()
    );
    if ffmpeg_is_here() {
        let mut clip = ClipSource::open(&path).unwrap();
        let more = all_frames(&mut clip);
        assert!(
            more.len() > frames.len(),
            "{} against {}",
            more.len(),
            frames.len()
        );
        assert!(micros(&more).is_sorted_by(|a, b| a < b));
        assert_eq!(
            micros(&more).last(),
            Some(&1_966_667),
            "it reaches the end of the clip"
        );
        assert!(clip.problem().unwrap().contains("damaged"));
    }
}

#[test]
fn a_file_that_ends_early_gives_what_it_holds_and_says_so() {
    let whole = std::fs::read(clip_path("h264_b_frames.mp4")).unwrap();
    let (_folder, path) = written("short.mp4", &whole[..whole.len() * 3 / 4]);
    let mut clip = ClipSource::open_with(&path, no_programs()).unwrap();
    let frames = all_frames(&mut clip);
    assert!((20..60).contains(&frames.len()), "{} frames", frames.len());
    let clean = all_frames(&mut ClipSource::open(&clip_path("h264_b_frames.mp4")).unwrap());
    assert!(
        frames
            .iter()
            .all(|frame| frame.rgb == clean[frame.index as usize].rgb)
    );
    let problem = clip.problem().unwrap();
    assert!(
        problem.contains("ends early") && problem.contains("of 60 frames"),
        "{problem}"
    );
}

#[test]
fn every_way_of_cutting_a_file_short_ends_in_frames_or_a_clear_error() {
    let whole = std::fs::read(clip_path("h264_b_frames.mp4")).unwrap();
    for length in (1..whole.len()).step_by(97) {
        let (_folder, path) = written("short.mp4", &whole[..length]);
        match ClipSource::open_with(&path, no_programs()) {
            Ok(mut clip) => {
                all_frames(&mut clip);
                assert!(clip.problem().is_some(), "{length} bytes: nothing is said");
            }
            Err(error) => assert!(
                error.to_string().contains("short.mp4"),
                "{length} bytes: {error}"
            ),
        }
    }
}

#[test]
fn files_that_are_no_clips_are_told_apart() {
    let check = |path: &Path, words: &[&str]| {
        let error = ClipSource::open_with(path, no_programs())
            .unwrap_err()
            .to_string();
        for word in words.iter().chain([&path.to_str().unwrap()]) {
            assert!(error.contains(word), "\"{word}\" is not in: {error}");
        }
    };
    let whole = std::fs::read(clip_path("h264_b_frames.mp4")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    check(&folder.path().join("gone.mp4"), &["no such file"]);
    check(folder.path(), &["folder"]);
    for (bytes, words) in [
        (&b""[..], &["empty"][..]),
        (b"swing notes\n", &["not a video", "text"]),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", &["still picture", "PNG"]),
        (b"\x01\x02\x03\x04\x05", &["not a video"]),
        (&whole[..600], &["moov"]),
    ] {
        let (_folder, path) = written("clip.mp4", bytes);
        check(&path, words);
    }
    check(&clip_path("sound_only.m4a"), &["no video track"]);
}

#[test]
fn without_ffmpeg_other_codecs_are_named_with_the_way_out() {
    for (name, word) in [
        ("hevc.mp4", "HEVC"),
        ("mpeg4.avi", "AVI"),
        ("h264_10_bit.mp4", "more than 8 bits"),
    ] {
        let error = ClipSource::open_with(&clip_path(name), no_programs()).unwrap_err();
        assert!(
            matches!(error, CaptureError::NeedsFfmpeg { .. }),
            "{name}: {error:?}"
        );
        let text = error.to_string();
        assert!(
            [word, name, "apt install ffmpeg", "libx264"]
                .iter()
                .all(|word| text.contains(word)),
            "{text}"
        );
    }
}

#[test]
fn through_ffmpeg_other_codecs_give_frames_with_their_own_timestamps() {
    if !ffmpeg_is_here() {
        return;
    }
    for (name, codec) in [
        ("hevc.mp4", "HEVC"),
        ("mpeg4.avi", "MPEG-4 Part 2"),
        ("h264_10_bit.mp4", "H.264"),
    ] {
        let mut clip = ClipSource::open(&clip_path(name)).unwrap();
        let info = clip.info().clone();
        assert_eq!(info.size, size(64, 48), "{name}");
        assert!(info.codec.starts_with(codec), "{name}: {}", info.codec);
        assert!((info.fps - 25.0).abs() < 0.01, "{name}: {}", info.fps);
        assert_eq!(micros(&all_frames(&mut clip)), steady(10, 25.0), "{name}");
        assert_eq!(clip.problem(), None, "{name}");
    }
}

#[test]
fn both_paths_give_the_same_pictures_at_the_same_times() {
    if !ffmpeg_is_here() {
        return;
    }
    for name in [
        "h264_b_frames.mp4",
        "h264_variable_rate.mp4",
        "h264_trimmed.mp4",
        "h264_turn_90.mp4",
        "h264_red_bt709.mp4",
    ] {
        let built_in =
            all_frames(&mut ClipSource::open_with(&clip_path(name), no_programs()).unwrap());
        let opened = ClipSource::through_ffmpeg(&clip_path(name), Programs::default(), None);
        let ffmpeg = all_frames(&mut opened.unwrap());
        assert_eq!(micros(&built_in), micros(&ffmpeg), "{name}");
        for (ours, theirs) in built_in.iter().zip(&ffmpeg) {
            assert_eq!(
                (ours.width, ours.height),
                (theirs.width, theirs.height),
                "{name}"
            );
            let apart: u64 = ours
                .rgb
                .iter()
                .zip(&theirs.rgb)
                .map(|(a, b)| u64::from(a.abs_diff(*b)))
                .sum();
            let mean = apart as f64 / ours.rgb.len() as f64;
            // ffmpeg's scaler blends color between pixels and rounds coarsely; a wrong matrix or a
            // wrong frame is ten levels and more.
            assert!(
                mean < 2.0,
                "{name}: frame {} is {mean} levels off",
                ours.index
            );
        }
    }
}

#[test]
fn dropping_a_clip_half_way_ends_ffmpeg() {
    if !ffmpeg_is_here() {
        return;
    }
    // The ten frames do not fit into the pipe, so ffmpeg is stuck writing; a drop that waited for it
    // without ending it would hang.
    let mut clip = ClipSource::open(&clip_path("hevc.mp4")).unwrap();
    let mut frame = Frame::default();
    assert!(clip.next_frame(&mut frame).unwrap());
    drop(clip);
}

/// The demo has pictures that no other one refers to; a reader that skips them decodes the rest to the same pixels.
#[test]
fn a_reader_that_skips_leaves_out_what_no_other_picture_refers_to() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/r01.mp4");
    let mut whole = ClipSource::open(&path).unwrap();
    let mut skipping = ClipSource::open(&path).unwrap();
    skipping.skip_disposable(true);
    let (mut one, mut other) = (Frame::default(), Frame::default());
    let (mut given, mut left_out) = (0, 0);
    while given < 60 && skipping.next_frame(&mut other).unwrap() {
        given += 1;
        loop {
            assert!(whole.next_frame(&mut one).unwrap());
            if one.index == other.index {
                break;
            }
            left_out += 1;
        }
        assert_eq!(one.captured_at, other.captured_at);
        assert!(one.rgb == other.rgb, "picture {} differs", one.index);
    }
    assert!(left_out > 20, "{left_out} of {given} left out");
    assert_eq!(skipping.lost(), 0, "nothing is damaged");
}
