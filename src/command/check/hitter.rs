//! Is the whole hitter in the picture, large enough, and from which side does the camera see them?

use std::time::Duration;

use super::finding::{Finding, Grade};
use super::look_clock::LookClock;
use crate::capture::{CaptureError, Frame, FrameSource};
use crate::command::Failure;
use crate::pose::{BatReader, Body, Landmark, PoseFrame, Tracker};
use crate::rep::{View, standing_in};
use crate::time::CaptureTime;

/// How long the hitter is looked at: a view is read from a second of standing.
const LOOK: Duration = Duration::from_millis(1800);
/// A machine that is slow with a frame looks for as many frames with a body as show a stance, but no longer than this.
const LEAST_BODIES: usize = 12;
const LONGEST_LOOK: Duration = Duration::from_secs(8);
/// A recording hands out every frame: one in so many seconds is looked at, about what a small machine manages.
const APART_SECS: f64 = 0.05;
/// Part of the picture's height that a standing hitter should take.
const SIZE: std::ops::RangeInclusive<f64> = 0.45..=0.95;

/// The hitter, or whoever stands there, with the bat where it is looked for, in the frames that follow `last`; only in `last` where no more come.
pub(super) fn watch(
    source: &mut FrameSource,
    tracker: &mut Tracker,
    mut bats: Option<&mut BatReader>,
    last: &Frame,
) -> Result<Vec<PoseFrame>, Failure> {
    let mut frame = Frame::default();
    let mut seen: Vec<PoseFrame> = Vec::new();
    let mut bodies = 0;
    let (clip, mut clock) = (source.clip().is_some(), LookClock::of(source));
    let mut looked_at = None::<CaptureTime>;
    while clock.is_within(LOOK) || (bodies < LEAST_BODIES && clock.is_within(LONGEST_LOOK)) {
        match source.next_frame(&mut frame) {
            Ok(true) => {
                clock.step(frame.captured_at);
                let soon =
                    looked_at.is_some_and(|at| frame.captured_at.secs_since(at) < APART_SECS);
                if clip && soon {
                    continue;
                }
                looked_at = Some(frame.captured_at);
                let mut pose = tracker.next(&frame)?;
                if let Some(bats) = &mut bats {
                    bats.read(&frame, &mut pose)?;
                }
                bodies += usize::from(pose.body.is_some());
                seen.push(pose);
            }
            Ok(false) => break,
            Err(CaptureError::BadFrame { .. } | CaptureError::CameraTimeout { .. }) => {}
            Err(error) => return Err(error.into()),
        }
    }
    if seen.is_empty() {
        seen.push(tracker.next(last)?);
    }
    Ok(seen)
}

/// The lines of the report; `set` is the view that the settings name.
pub(super) fn findings(seen: &[PoseFrame], height_px: f64, set: Option<View>) -> Vec<Finding> {
    let body = seen.iter().rev().find_map(|frame| frame.body.as_ref());
    let mut findings = vec![framing(body, height_px)];
    if body.is_some() {
        findings.push(view(standing_in(seen).map(|stance| stance.view), set));
    }
    findings
}

fn framing(body: Option<&Body>, height_px: f64) -> Finding {
    let finding = |good, says: String| Finding {
        what: "framing",
        grade: Grade::of(good),
        says,
    };
    let Some(body) = body else {
        return finding(
            false,
            "nobody found: stand in the box, the whole body in the picture, then check again"
                .into(),
        );
    };
    let y = |l: Landmark| body.point(l).map(|p| f64::from(p.y_px));
    let (Some(head), Some(left), Some(right)) = (
        y(Landmark::Nose),
        y(Landmark::LeftHeel),
        y(Landmark::RightHeel),
    ) else {
        return finding(false, "head or feet not found".into());
    };
    let feet = left.max(right);
    if feet > 0.98 * height_px {
        return finding(
            false,
            "the feet are cut off: tilt the camera down or move it back".into(),
        );
    }
    if head < 0.05 * height_px {
        return finding(
            false,
            "the head is close to the upper edge: tilt the camera up or move it back".into(),
        );
    }
    let size = (feet - head) / height_px;
    let advice = match SIZE.contains(&size) {
        true => "",
        false if size < *SIZE.start() => ": small, move the camera closer",
        false => ": large, move the camera back so that a swing stays in the picture",
    };
    finding(
        SIZE.contains(&size),
        format!(
            "hitter found, {:.0} % of the picture's height{advice}",
            100.0 * size
        ),
    )
}

/// What the camera sees the hitter from, and what that costs.
fn view(seen: Option<View>, set: Option<View>) -> Finding {
    let finding = |good, says: String| Finding {
        what: "view",
        grade: Grade::of(good),
        says,
    };
    let Some(seen) = seen else {
        return finding(
            true,
            "not seen yet: stand in the batting stance while the check runs".into(),
        );
    };
    let name = seen.name();
    let says = match seen {
        View::OpenSide => {
            format!("{name}, facing the hitter's chest: all that is measured shows from here")
        }
        View::BackSide => {
            format!(
                "{name}, facing the hitter's back: times, head, stride, weight and the trunk's turn are measured, the hands and the trunk's bend are not, and contact is less sure"
            )
        }
        View::Rear | View::Front => format!(
            "{name}, on the line to the pitcher: only times are measured; head, stride and weight need the camera across the plate"
        ),
    };
    match set {
        Some(set) if set != seen => finding(
            false,
            format!(
                "{says}. The settings say {}, and reps are measured by that: if this was the batting stance, set view = \"auto\" under [camera]",
                set.name()
            ),
        ),
        _ => finding(true, says),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_view_is_named_with_what_it_costs() {
        for (seen, words) in [
            (View::OpenSide, "all that is measured"),
            (View::BackSide, "contact is less sure"),
            (View::Rear, "only times"),
            (View::Front, "only times"),
        ] {
            let found = view(Some(seen), None);
            assert!(
                found.is_good() && found.says.contains(words),
                "{}",
                found.says
            );
            assert!(found.says.starts_with(seen.name()));
            assert!(view(Some(seen), Some(seen)).is_good());
        }
    }

    #[test]
    fn a_view_that_is_not_the_one_in_the_settings_is_to_be_mended() {
        let found = view(Some(View::BackSide), Some(View::OpenSide));
        assert!(!found.is_good() && found.says.contains("The settings say open-side"));
    }
}
