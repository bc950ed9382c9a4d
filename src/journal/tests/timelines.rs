//! The landmark timeline: what comes back, how small it is, and what bad bytes do.

use super::*;
use crate::pose::track::TrackReader;

/// Any frames that the types allow, within the coordinates that a timeline holds.
fn any_frames(dice: &mut Dice) -> Vec<PoseFrame> {
    let count = (dice.next() % 90) as usize;
    let mut nanos = dice.next() as i64 / 4;
    let bats = [0.4, 1.0][(dice.next() % 2) as usize];
    let turns = [0.4, 1.0][(dice.next() % 2) as usize];
    (0..count)
        .map(|_| {
            nanos = nanos.wrapping_add((dice.next() % 40_000_000) as i64 - 2_000_000);
            let body = (dice.unit() > 0.2).then(|| {
                let spread = [3.0, 2000.0, 130_000.0][(dice.next() % 3) as usize];
                let mut body = Body::empty();
                body.lite = dice.unit() > 0.5;
                for point in &mut body.image {
                    *point = (dice.unit() > 0.3).then(|| ImagePoint {
                        x_px: (spread * (dice.unit() - 0.5)) as f32,
                        y_px: (spread * (dice.unit() - 0.5)) as f32,
                        visibility: dice.unit() as f32,
                    });
                }
                body.world = (dice.unit() > 0.5).then(|| {
                    std::array::from_fn(|_| WorldPoint {
                        x_m: (60.0 * (dice.unit() - 0.5)) as f32,
                        y_m: (2.0 * (dice.unit() - 0.5)) as f32,
                        z_m: dice.unit() as f32,
                    })
                });
                body
            });
            let mut frame = PoseFrame::new(dice.next(), CaptureTime::from_nanos(nanos), body);
            // A track may tell of a bat without a body, too.
            frame.bat = (dice.unit() > bats).then(|| {
                let spread = [300.0, 130_000.0][(dice.next() % 2) as usize];
                let mut px = || (spread * (dice.unit() - 0.5)) as f32;
                SeenBat {
                    knob_px: [px(), px()],
                    tip_px: [px(), px()],
                    probability: dice.unit() as f32,
                }
            });
            frame.turn = (dice.unit() > turns).then(|| {
                let mut line = || TurnAngle {
                    deg: (360.0 * (dice.unit() - 0.5)) as f32,
                    spread_deg: (60.0 * dice.unit()) as f32,
                };
                let (pelvis, shoulders) = (line(), line());
                TrunkTurn {
                    pelvis,
                    shoulders,
                    origin: match dice.next() % 2 {
                        0 => TurnOrigin::Camera,
                        _ => TurnOrigin::Plate,
                    },
                }
            });
            frame
        })
        .collect()
}

#[test]
fn any_frames_come_back_within_half_a_step() {
    for seed in 0..300 {
        let frames = any_frames(&mut Dice::new(seed));
        let bytes = encode_timeline(&frames).unwrap();
        let back = decode_timeline(&bytes).unwrap();
        let (px, visibility, meters) = farthest_apart(&frames, &back);
        let lite = |frames: &[PoseFrame]| -> Vec<Option<bool>> {
            frames
                .iter()
                .map(|f| f.body.as_ref().map(|b| b.lite))
                .collect()
        };
        assert_eq!(lite(&back), lite(&frames), "seed {seed}: which model");
        // Half a step, and what an f32 of this size cannot hold.
        assert!(px <= 0.5 / 16.0 + 0.005, "seed {seed}: {px} px");
        assert!(
            visibility <= 0.5 / 255.0 + 1e-6,
            "seed {seed}: {visibility}"
        );
        assert!(meters <= 0.5 / 1000.0 + 4e-6, "seed {seed}: {meters} m");
        assert_eq!(
            encode_timeline(&back).unwrap(),
            bytes,
            "seed {seed}: not stable"
        );
    }
}

#[test]
fn a_second_at_60_frames_is_small() {
    for (world, limit_bytes_per_sec) in [(false, 8 * 1024), (true, 20 * 1024)] {
        let frames = frames(240, 60.0, world, &mut Dice::new(5));
        let per_sec = encode_timeline(&frames).unwrap().len() / 4;
        let of_turn = encode_timeline(&with_turns(frames.clone())).unwrap().len() / 4 - per_sec;
        assert!(of_turn <= 256, "world {world}: {of_turn} bytes a second");
        let of_bat = encode_timeline(&with_bats(frames)).unwrap().len() / 4 - per_sec;
        println!("world {world}: {per_sec} bytes a second, {of_bat} of the bat");
        assert!(of_bat <= 512, "world {world}: {of_bat} bytes a second");
        assert!(
            per_sec <= limit_bytes_per_sec,
            "world {world}: {per_sec} bytes a second"
        );
    }
}

#[test]
fn what_is_not_a_number_is_left_out() {
    let mut frames = frames(3, 60.0, true, &mut Dice::new(1));
    let body = frames[1].body.as_mut().unwrap();
    body.image[4].as_mut().unwrap().x_px = f32::NAN;
    body.image[5].as_mut().unwrap().y_px = f32::INFINITY;
    body.image[6].as_mut().unwrap().visibility = f32::NAN;
    body.image[7].as_mut().unwrap().x_px = 1e30;
    body.world.as_mut().unwrap()[9].z_m = f32::NAN;
    let back = decode_timeline(&encode_timeline(&frames).unwrap()).unwrap();
    let body = back[1].body.as_ref().unwrap();
    assert_eq!((body.image[4], body.image[5]), (None, None));
    assert_eq!(body.image[6].unwrap().visibility, 0.0);
    assert_eq!(body.image[7].unwrap().x_px, 65_536.0);
    assert!(body.world.is_none());
    assert!(back[0].body.as_ref().unwrap().world.is_some());
}

#[test]
fn a_bat_whose_place_is_no_number_is_left_out_and_one_far_away_is_held() {
    let seen = SeenBat {
        knob_px: [540.0, 310.0],
        tip_px: [600.0, 250.0],
        probability: 0.9,
    };
    let infinite = SeenBat {
        tip_px: [600.0, f32::INFINITY],
        ..seen
    };
    let nowhere = SeenBat {
        knob_px: [f32::NAN, 310.0],
        ..seen
    };
    let far = SeenBat {
        tip_px: [-1e30, 250.0],
        probability: 7.0,
        ..seen
    };
    let unsure = SeenBat {
        probability: f32::NAN,
        ..seen
    };
    let mut frames = frames(4, 60.0, false, &mut Dice::new(1));
    for (frame, bat) in frames.iter_mut().zip([infinite, nowhere, far, unsure]) {
        frame.bat = Some(bat);
    }
    let back = decode_timeline(&encode_timeline(&frames).unwrap()).unwrap();
    let held = SeenBat {
        tip_px: [-65_536.0, 250.0],
        probability: 1.0,
        ..seen
    };
    let unsure = SeenBat {
        probability: 0.0,
        ..seen
    };
    let bats: Vec<_> = back.iter().map(|frame| frame.bat).collect();
    assert_eq!(bats, [None, None, Some(held), Some(unsure)]);
    // Without one that can be kept it is a timeline as if nobody had looked.
    frames.truncate(2);
    let kept = encode_timeline(&frames).unwrap();
    frames.iter_mut().for_each(|frame| frame.bat = None);
    assert_eq!(kept, encode_timeline(&frames).unwrap());
}

/// Programs from before there were bats read version 1 only, from before there were turns up to 2, and say so of any other.
#[test]
fn a_timeline_has_the_oldest_version_that_can_hold_it() {
    let plain = frames(20, 60.0, true, &mut Dice::new(4));
    let mut with_one = plain.clone();
    with_one[7].bat = with_bats(plain.clone())[0].bat;
    let mut with_turn = plain.clone();
    with_turn[7].turn = with_turns(plain.clone())[0].turn;
    let [plain, with_one, with_turn] =
        [plain, with_one, with_turn].map(|frames| encode_timeline(&frames).unwrap());
    assert_eq!((plain[2], with_one[2], with_turn[2]), (1, 2, 3));
    for (mut bytes, older) in [(with_one, 1), (with_turn, 2)] {
        assert!(decode_timeline(&bytes).is_ok());
        bytes[2] = older;
        assert_eq!(
            decode_timeline(&bytes),
            Err(TimelineError::Damaged {
                what: "a frame has flags that do not exist"
            })
        );
    }
}

#[test]
fn damaged_bytes_give_an_error_or_frames_and_never_a_panic() {
    let good = with_turns(with_bats(frames(40, 60.0, true, &mut Dice::new(2))));
    let good = encode_timeline(&good).unwrap();
    for cut in 0..good.len() {
        assert!(decode_timeline(&good[..cut]).is_err(), "cut at {cut}");
    }
    assert!(decode_timeline(&[&good[..], b"x"].concat()).is_err());
    let mut dice = Dice::new(3);
    for _ in 0..3000 {
        let mut bad = good.clone();
        let at = (dice.next() % bad.len() as u64) as usize;
        let old = bad[at];
        bad[at] = dice.next() as u8;
        // The checksum of the packed bytes catches any change but one of the unused header byte.
        assert!(
            bad[at] == old || at == 3 || decode_timeline(&bad).is_err(),
            "byte {at}"
        );
    }
    // Behind a right checksum the payload itself must stand up to anything.
    for _ in 0..3000 {
        let count = (dice.next() % 20) as u32;
        let payload: Vec<u8> = (0..u64::from(count) * (3 + dice.next() % 200))
            .map(|_| random_byte(&mut dice))
            .collect();
        for version in [1, 2] {
            let mut bytes = wrap(count, payload.len() as u32, &payload);
            bytes[2] = version;
            let Ok(frames) = decode_timeline(&bytes) else {
                continue;
            };
            let again = encode_timeline(&frames).unwrap();
            assert_eq!(decode_timeline(&again).unwrap(), frames);
        }
    }
}

/// Small values and zeros are what gets deepest into the decoder.
fn random_byte(dice: &mut Dice) -> u8 {
    match dice.next() % 5 {
        0 => 0,
        1 => (dice.next() % 4) as u8,
        2 => 1,
        // The flag of a bat, and a bat with a body.
        3 => 8 + (dice.next() % 2) as u8,
        _ => dice.next() as u8,
    }
}

fn wrap(frame_count: u32, payload_len: u32, payload: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut bytes = b"TL\x01\x00".to_vec();
    bytes.extend(frame_count.to_le_bytes());
    bytes.extend(payload_len.to_le_bytes());
    let mut deflate = flate2::write::ZlibEncoder::new(bytes, flate2::Compression::fast());
    deflate.write_all(payload).unwrap();
    deflate.finish().unwrap()
}

#[test]
fn promises_of_hostile_headers_are_not_believed() {
    let bomb = vec![0u8; 30 << 20];
    assert_eq!(
        decode_timeline(&wrap(u32::MAX, u32::MAX, &bomb)),
        Err(TimelineError::TooLong {
            frames: u32::MAX as usize
        })
    );
    assert!(decode_timeline(&wrap(36_000, u32::MAX, &bomb)).is_err());
    assert!(decode_timeline(&wrap(10, 60, &bomb)).is_err());
    assert_eq!(decode_timeline(b"TL"), Err(TimelineError::NotTimeline));
    assert_eq!(
        decode_timeline(b"SQLite format 3\0"),
        Err(TimelineError::NotTimeline)
    );
    let mut newer = wrap(0, 0, &[]);
    newer[2] = 9;
    assert_eq!(
        decode_timeline(&newer),
        Err(TimelineError::NewerVersion { found: 9 })
    );
    assert_eq!(decode_timeline(&wrap(0, 0, &[])), Ok(Vec::new()));
}

/// Bytes made by another encoder, in another language (Python and its zlib), from the layout in
/// `docs/journal.md` alone.
#[test]
fn bytes_made_from_the_written_layout_are_understood() {
    let hex = concat!(
        "544c010003000000b100000078da6b78d0bd2572e5fc994b2219177033b1303230333230283080006353ada83fe32fd6",
        "034c4c0d5b189998ff72f1b01f07ca6e6664649bcfc8ccd3cdc82a54ce2e91cc29e7cfad62cdaba5ce6f202c68c6206c",
        "2322eaa421ee6123e917201d92221b55219fd0c3a898b6805139670ba36ad10946f58a3b8c9a751f18b55b185b9874bb",
        "186730e94f605cc364388df10093f11cc62b4ca68b185f3099af60fcc364b98e7102b3f516c625ccb6bb187730db1f60",
        "04000ae02e3c"
    );
    let bytes = bytes_of(hex);
    let point = |x: i32, y: i32, visibility: u8| {
        let (x_px, y_px) = (x as f32 / 16.0, y as f32 / 16.0);
        Some(ImagePoint {
            x_px,
            y_px,
            visibility: f32::from(visibility) / 255.0,
        })
    };
    let frame = |nanos, index, body| PoseFrame::new(index, CaptureTime::from_nanos(nanos), body);
    let mut first = Body::empty();
    first.image[0] = point(8001, -40, 250);
    first.image[29] = point(160, 11_520, 3);
    let mut third = Body::empty();
    third.image[0] = point(7990, -41, 255);
    third.image[29] = point(161, 11_521, 0);
    third.image[32] = point(5, 6, 7);
    third.world = Some(std::array::from_fn(|l| {
        let mm = |mm: i32| mm as f32 / 1000.0;
        let l = l as i32;
        WorldPoint {
            x_m: mm(l * 10 - 100),
            y_m: mm(-l),
            z_m: mm(3 * l),
        }
    }));
    assert_eq!(
        decode_timeline(&bytes).unwrap(),
        [
            frame(12_000_000_000, 720, Some(first)),
            frame(12_016_666_667, 721, None),
            frame(12_033_333_333, 723, Some(third)),
        ]
    );
    // Without bat and turn the bytes are those of before there were any, but for how zlib packs them.
    let again = encode_timeline(&decode_timeline(&bytes).unwrap()).unwrap();
    assert_eq!(again[..12], bytes[..12]);
    assert_eq!(inflated(&again), inflated(&bytes));
}

/// The same with the bat of version 2, in a frame with a body and in one without.
#[test]
fn a_bat_made_from_the_written_layout_is_understood() {
    let bytes = bytes_of(concat!(
        "544c0200030000002f00000078da6b38b17e81eacaf6bd135419459898381938181a1818181ada190ff89e009222077c991aa6",
        "319e9fc678c0ee38e3af0e0081f110d6"
    ));
    let mut body = Body::empty();
    body.image[15] = Some(ImagePoint {
        x_px: 540.0,
        y_px: 310.0,
        visibility: 200.0 / 255.0,
    });
    let bat = |knob: [f32; 2], tip: [f32; 2], probability: f32| {
        Some(SeenBat {
            knob_px: knob.map(|steps| steps / 16.0),
            tip_px: tip.map(|steps| steps / 16.0),
            probability: probability / 255.0,
        })
    };
    let frame = |nanos, index, body, bat| PoseFrame {
        bat,
        ..PoseFrame::new(index, CaptureTime::from_nanos(nanos), body)
    };
    let first = bat([8640.0, 4960.0], [9600.0, 4000.0], 250.0);
    let third = bat([8650.0, 4961.0], [-40.0, 3900.0], 130.0);
    let frames = [
        frame(5_000_000_000, 10, Some(body), first),
        frame(5_016_666_667, 11, None, None),
        frame(5_033_333_333, 12, None, third),
    ];
    assert_eq!(decode_timeline(&bytes).unwrap(), frames);
    let again = encode_timeline(&frames).unwrap();
    assert_eq!(again[..12], bytes[..12]);
    assert_eq!(inflated(&again), inflated(&bytes));
}

fn bytes_of(hex: &str) -> Vec<u8> {
    let digits = |i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap();
    (0..hex.len()).step_by(2).map(digits).collect()
}

/// The payload of a timeline.
fn inflated(bytes: &[u8]) -> Vec<u8> {
    use std::io::Read;
    let mut payload = Vec::new();
    let mut inflate = flate2::read::ZlibDecoder::new(&bytes[12..]);
    inflate.read_to_end(&mut payload).unwrap();
    payload
}

#[test]
fn a_rep_leaves_as_a_pose_track() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    let mut rep = record(1);
    for frame in &mut rep.frames {
        // A source of fewer points: no toes.
        for landmark in &mut frame.body.as_mut().unwrap().image[31..] {
            *landmark = None;
        }
    }
    rep.frames[0].captured_at = CaptureTime::from_nanos(16_666_667);
    rep.frames[0].body.as_mut().unwrap().image[0] = Some(ImagePoint {
        x_px: 10.0625,
        y_px: -3.5,
        visibility: 1.0,
    });
    rep.frames[1].body.as_mut().unwrap().image[0] = None;
    rep.frames[2].body = None;
    rep.frames[2].bat = None;
    rep.frames[1].bat = Some(SeenBat {
        knob_px: [540.3, 310.0],
        tip_px: [-3.5, 250.0625],
        probability: 0.5,
    });
    // Metric landmarks cannot be told apart without all the points, so that they stay behind.
    let all = frames(4, 60.0, true, &mut Dice::new(2));
    rep.frames[3].body.as_mut().unwrap().world = all[3].body.as_ref().unwrap().world;
    let id = journal.log_rep(session_id, &rep).unwrap();
    let mut out = Vec::new();
    journal.reader().export_timeline(id, &mut out).unwrap();
    let text = String::from_utf8(out).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 1 + rep.frames.len());
    assert!(
        lines[0].starts_with(
            r#"{"format":"pose-track","version":1,"fps":60.0,"width":1280,"height":720,"landmarks":["nose","left_eye_inner","#
        ),
        "{}",
        lines[0]
    );
    assert!(
        lines[1].starts_with(r#"{"t":0.016666667,"points":[[10.0625,-3.5,1.0],["#),
        "{}",
        lines[1]
    );
    assert!(
        lines[2].contains(r#""points":[[10.0625,-3.5,0.0],["#),
        "{}",
        lines[2]
    );
    // At a sixteenth of a pixel and 1/255, as the journal keeps it.
    let bat = r#","bat":{"knob":[540.3125,310.0],"tip":[-3.5,250.0625],"confidence":0.502},"turn":{"pelvis_deg":"#;
    assert!(lines[2].contains(bat), "{}", lines[2]);
    let second: serde_json::Value = serde_json::from_str(lines[2]).unwrap();
    let turn = |key: &str| second["turn"][key].as_f64().unwrap();
    // The camera's angle goes out of both alike; a tenth of rounding each.
    let apart = turn("pelvis_deg") - turn("shoulders_deg");
    assert!((apart - 31.7).abs() < 0.11, "{}", lines[2]);
    assert_eq!(turn("plus_minus_deg"), 6.3);
    assert!(lines[3].ends_with(r#""points":null}"#), "{}", lines[3]);
    assert!(!text.contains("world"));
    for line in &lines {
        let value: serde_json::Value = serde_json::from_str(line).unwrap();
        for list in ["landmarks", "points"] {
            if let Some(list) = value.get(list).and_then(|list| list.as_array()) {
                assert_eq!(list.len(), 31);
            }
        }
    }

    rep.judged = judged(2);
    rep.frames.clear();
    let bare = journal.log_rep(session_id, &rep).unwrap();
    let error = journal
        .reader()
        .export_timeline(bare, Vec::new())
        .unwrap_err();
    assert!(matches!(error, JournalError::NoTimeline { .. }));
}

#[test]
fn with_every_landmark_the_metric_ones_leave_too_and_the_track_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    let mut whole = record(3);
    whole.frames = with_bats(frames(30, 60.0, true, &mut Dice::new(5)));
    whole.frames[1].body.as_mut().unwrap().world = None;
    whole.frames[2].body.as_mut().unwrap().lite = true;
    let id = journal.log_rep(session_id, &whole).unwrap();
    let path = dir.path().join("rep.track.jsonl");
    let file = std::fs::File::create(&path).unwrap();
    journal.reader().export_timeline(id, file).unwrap();
    let mut track = TrackReader::open(&path).unwrap();
    let mut back = Vec::new();
    while let Some(frame) = track.next_frame().unwrap() {
        back.push(frame);
    }
    for (index, frame) in back.iter_mut().enumerate() {
        frame.index = whole.frames[index].index;
    }
    let lite: Vec<bool> = back.iter().map(|f| f.body.as_ref().unwrap().lite).collect();
    assert_eq!(lite.iter().position(|lite| *lite), Some(2));
    assert_eq!(lite.iter().filter(|lite| **lite).count(), 1);
    let (px, visibility, meters) = farthest_apart(&on_the_grid(&whole.frames), &back);
    assert!(
        px < 1e-3 && visibility < 1e-4 && meters < 1e-6,
        "{px} px, {visibility}, {meters} m"
    );
}
