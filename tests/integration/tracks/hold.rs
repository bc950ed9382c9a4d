//! How long a finish is held is learnt after the swing, from the frames that follow.

use cagehand::pose::PoseFrame;
use cagehand::rep::{FoundRep, HitterSetup, HoldWatch, Measure, RepFinder};
use cagehand::time::CaptureTime;

use super::recorded::{HEIGHT_CM, Recorded};
use cagehand_stage::Dice;

fn told() -> HitterSetup {
    HitterSetup {
        height_cm: Some(HEIGHT_CM),
        ..HitterSetup::default()
    }
}

/// The recorded swing as the finder gives it, and the frame at its finish.
fn found() -> (FoundRep, PoseFrame) {
    let recorded = Recorded::load();
    let mut finder = RepFinder::new(told());
    let found = recorded
        .frames
        .iter()
        .find_map(|frame| finder.push(frame.clone()))
        .unwrap();
    let finish = found.rep.events.finish.unwrap();
    let at_finish = found
        .frames
        .iter()
        .find(|f| f.captured_at >= finish)
        .unwrap()
        .clone();
    (found, at_finish)
}

/// Goes on after the rep: still until `leaves` seconds after the finish, then off at walking pace.
fn after(found: &FoundRep, still: &PoseFrame, leaves: f64, until: f64) -> Vec<PoseFrame> {
    let mut dice = Dice::new((1000.0 * leaves) as u64);
    let finish = found.rep.events.finish.unwrap();
    let last = found.frames[found.frames.len() - 1].captured_at;
    (1..)
        .map(|i| last.plus_secs(f64::from(i) / 60.0))
        .take_while(|t| t.secs_since(finish) < until)
        .map(|t| {
            moved(
                still,
                t,
                (t.secs_since(finish) - leaves).max(0.0),
                &mut dice,
            )
        })
        .collect()
}

fn moved(still: &PoseFrame, at: CaptureTime, walked_secs: f64, dice: &mut Dice) -> PoseFrame {
    let mut frame = still.clone();
    frame.captured_at = at;
    for point in frame.body.as_mut().unwrap().image.iter_mut().flatten() {
        // 1.2 m/s at about 2.6 px a centimetre; the landmarks tremble by a pixel.
        point.x_px += (312.0 * walked_secs + 0.7 * dice.bell()) as f32;
        point.y_px += (0.7 * dice.bell()) as f32;
    }
    frame
}

#[test]
fn a_finish_is_held_until_the_hitter_walks_off_and_two_seconds_at_most() {
    let (found, still) = found();
    for leaves in [0.7, 1.0, 1.4, 3.0] {
        let mut watch = HoldWatch::new(told(), &found.rep).unwrap();
        let mut frames = found.frames.clone();
        let (at, made) = after(&found, &still, leaves, 4.0)
            .into_iter()
            .find_map(|frame| {
                let at = frame.captured_at;
                frames.push(frame);
                watch.step(&frames).map(|made| (at, made))
            })
            .unwrap();
        let Measure::Made {
            value, plus_minus, ..
        } = made
        else {
            panic!("left after {leaves} s: {made:?}");
        };
        let truth = 1000.0 * leaves.min(2.0);
        assert!(
            (value - truth).abs() < 2.0 * plus_minus,
            "{value} for {truth}"
        );
        let waited = at.secs_since(found.rep.events.finish.unwrap());
        assert!(waited < leaves.min(2.0) + 0.6, "known after {waited} s");
    }
}

#[test]
fn a_hold_that_is_cut_off_is_not_made_up() {
    let (found, still) = found();
    let mut watch = HoldWatch::new(told(), &found.rep).unwrap();
    let mut frames = found.frames.clone();
    for frame in after(&found, &still, 9.0, 1.2) {
        frames.push(frame);
        assert_eq!(watch.step(&frames), None);
    }
    match watch.end(&frames) {
        Measure::NotMade { why } => {
            assert_eq!(why.as_str(), "the recording ends while the finish is held");
        }
        made => panic!("{made:?}"),
    }
}
