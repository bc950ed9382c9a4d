//! Can the bat be seen: light, room, frame rate, size, and from where? Pure.
//!
//! In: what a few seconds of somebody standing in show. Out: lines of the report. None is needs fixing: without the bat
//! everything else is measured, so what is lacking is a note.

use super::finding::{Finding, Grade};
use crate::motion::{Direction, UNKNOWN_HEIGHT_CM};
use crate::picture_size::PictureSize;
use crate::pose::{Body, HANDS_TOGETHER, Landmark, PoseFrame};
use crate::rep::{BARREL_CM, GRIP_SHARE, StandingIn, View, bat_length_cm, standing_in};
use crate::stats::median;

/// How fast a bat turns as it meets the ball, degrees a second, and how fast a point six inches from its end goes, meters a
/// second: 2287 (2159 to 2709) and 31 to 34 on college hitters (Thompson 2022, Washington State University, doi
/// 10.7273/000005138).
const TURN_DEG_S: f64 = 2300.0;
const BARREL_MPS: f64 = 34.0;
/// A tip that smears by more of the bat than this is found by the network in a fifth of the frames (`docs/accuracy.md`).
const MOST_SMEAR: f64 = 0.5;
/// A picture so noisy is amplified much, of 255: common practice, no source.
const GRAINY: f64 = 4.0;
/// At fewer frames a second attack and speed are refused.
const LEAST_FPS: f64 = 50.0;
/// A shorter bat is a few cells of what the network sees: of some 60 pixels on it read rendered bats well.
const LEAST_BAT_PX: f64 = 60.0;
/// The bat was missed in too many frames of somebody who waits, whose bat is still.
const SEEN_OFTEN: f64 = 0.8;
/// An upright bat looks this much longer than it is where its tip is nearer to the camera than the feet: over the hands it reaches
/// 1.2 to 1.55 times (median 1.3) as far as it is long on six rendered hitters, whose bats do not shrink with them.
const LOOKS_LONGER: f64 = 1.3;
/// The hands rise by this much from stance to plant, H.
const HANDS_RISE: f64 = 0.05;
/// How far the hands go from the hips toward the pitcher after contact, and how far back they are at most, H. With the bat
/// that leaves room for all swings of those rendered hitters but the smallest one's, whose tip goes 0.05 H farther.
const HANDS_AHEAD: f64 = 0.5;
const HANDS_BACK: f64 = 0.15;
/// From a camera this far off square on the catcher's side on, attack reads some 10 degrees low (`docs/accuracy.md`, 13 to 22).
const CATCHERS_SIDE_DEG: f64 = 12.0;

/// What was seen.
pub(super) struct BatSight<'a> {
    /// Somebody standing in, or whoever was there.
    pub poses: &'a [PoseFrame],
    pub picture: PictureSize,
    /// Frames a second that came, and that the camera took.
    pub fps: f64,
    pub taken_fps: f64,
    /// As the camera tells it.
    pub exposure_ms: Option<f64>,
    /// Standard deviation of a still pixel, of 255.
    pub noise: Option<f64>,
    /// The hitter's height by the settings.
    pub height_cm: Option<f64>,
    /// Whether the settings have the bat looked for.
    pub looked_for: bool,
}

/// The lines of the report.
pub(super) fn findings(sight: &BatSight) -> Vec<Finding> {
    if !sight.looked_for {
        return vec![finding(
            "bat",
            Grade::Good,
            "not looked for: bat = false under [pose] in the settings".into(),
        )];
    }
    let mut findings = vec![blur(sight), rate(sight.fps)];
    let Some(stance) = standing_in(sight.poses) else {
        findings.push(finding(
            "bat seen",
            Grade::Note,
            "not known: stand in with a bat while the check runs, then its room and place in the picture are told too".into(),
        ));
        return findings;
    };
    findings.push(seen(sight, &stance));
    findings.push(size(&stance, sight.height()));
    findings.extend(room(sight, &stance));
    findings.extend(sweep(sight, &stance));
    findings.push(place(&stance));
    findings
}

fn finding(what: &'static str, grade: Grade, says: String) -> Finding {
    Finding { what, grade, says }
}

/// How far the tip goes in a fast swing in so many milliseconds, centimeters.
fn tip_smear_cm(ms: f64) -> f64 {
    let tip_mps = BARREL_MPS + TURN_DEG_S.to_radians() * BARREL_CM / 100.0;
    tip_mps * ms / 10.0
}

/// The exposure at which it smears by as much of a bat as may be, milliseconds.
fn longest_ms(bat_cm: f64) -> f64 {
    MOST_SMEAR * bat_cm / tip_smear_cm(1.0)
}

fn blur(sight: &BatSight) -> Finding {
    let bat_cm = bat_length_cm(sight.height());
    let limit = longest_ms(bat_cm);
    let finding = |good, says| finding("bat blur", Grade::note_unless(good), says);
    let smear = |ms: f64| {
        format!(
            "the tip of a fast bat smears by {:.0} cm, {:.0} % of the bat",
            tip_smear_cm(ms),
            100.0 * tip_smear_cm(ms) / bat_cm
        )
    };
    let most = format!("up to {limit:.0} ms, half of the bat, it is found in the swing");
    if let Some(ms) = sight.exposure_ms {
        return match ms <= limit {
            true => finding(true, format!("{ms:.1} ms: {}; {most}", smear(ms))),
            false => finding(
                false,
                format!(
                    "{ms:.1} ms: {}; {most}. Put more light on the hitter, see the exposure",
                    smear(ms)
                ),
            ),
        };
    }
    let longest = 1000.0 / sight.taken_fps.max(1.0);
    if longest <= limit {
        return finding(
            true,
            format!(
                "{longest:.1} ms at most, from one picture to the next: {}; {most}",
                smear(longest)
            ),
        );
    }
    if let Some(noise) = sight.noise.filter(|noise| *noise >= GRAINY) {
        return finding(
            false,
            format!(
                "the exposure is not told, but the picture is grainy (noise {noise:.0} of 255): a camera in such need of light exposes as \
                 long as it can, up to {longest:.0} ms, in which {}; {most}. Put more light on the hitter",
                smear(longest)
            ),
        );
    }
    finding(
        false,
        format!(
            "the exposure is not told; it may be up to {longest:.0} ms, in which {}; {most}. Swing once and look at a picture: where the \
             bat is a broad fan, put more light on the hitter",
            smear(longest)
        ),
    )
}

fn rate(fps: f64) -> Finding {
    let between = TURN_DEG_S / fps.max(1.0);
    let turns = format!(
        "{fps:.0} frames a second: a fast bat turns by {between:.0} degrees from one to the next"
    );
    let says = match fps >= LEAST_FPS {
        true => turns,
        false => format!(
            "{turns}, so neither attack nor bat speed is measured; {LEAST_FPS:.0} or more are needed for that"
        ),
    };
    finding("bat rate", Grade::note_unless(fps >= LEAST_FPS), says)
}

/// In what share of the frames with both hands together, as on a bat, there was one.
fn seen(sight: &BatSight, stance: &StandingIn) -> Finding {
    let together = HANDS_TOGETHER * stance.stature_px as f32;
    let held = sight.poses.iter().filter(|pose| {
        let apart = pose.body.as_ref().and_then(hands_apart_px);
        apart.is_some_and(|apart| apart <= together)
    });
    let bats: Vec<[f32; 2]> = held
        .clone()
        .filter_map(|pose| Some(pose.bat?.tip_px))
        .collect();
    let held = held.count();
    let share = bats.len() as f64 / held.max(1) as f64;
    let outside = bats.iter().filter(|tip| sight.is_outside(tip)).count();
    let mut says = format!(
        "in {:.0} % of the {held} frames with both hands together",
        100.0 * share
    );
    if bats.is_empty() {
        says = "in no frame: stand in with a bat, both hands on it, while the check runs".into();
    } else if share < SEEN_OFTEN {
        says += ": hold it still, as for a pitch. Where that was so, a light behind it, a net before it or a bat as dark as what is behind it may hide it";
    }
    if 2 * outside > bats.len() {
        says += "; its tip is out of the picture";
    }
    let good = share >= SEEN_OFTEN && 2 * outside <= bats.len();
    finding("bat seen", Grade::note_unless(good), says)
}

fn size(stance: &StandingIn, height_cm: f64) -> Finding {
    let px = stance.stature_px * bat_length_cm(height_cm) / height_cm;
    let good = px >= LEAST_BAT_PX;
    let advice = match good {
        true => "",
        false => ": small, move the camera closer or let it take larger pictures",
    };
    let says =
        format!("the bat is about {px:.0} pixels long, {LEAST_BAT_PX:.0} are needed{advice}");
    finding("bat size", Grade::note_unless(good), says)
}

/// Room above the hitter for an upright bat.
fn room(sight: &BatSight, stance: &StandingIn) -> Option<Finding> {
    let tops: Vec<f64> = sight.bodies().filter_map(hands_top_px).collect();
    let cm_per_px = sight.height() / stance.stature_px;
    let above_px = sight.bat_out_of_hands_px(stance) + HANDS_RISE * stance.stature_px;
    let spare_cm = (median(&tops)? - above_px) * cm_per_px;
    Some(match spare_cm >= 0.0 {
        true => finding(
            "bat room",
            Grade::Good,
            format!("{spare_cm:.0} cm to spare above an upright bat"),
        ),
        false => finding(
            "bat room",
            Grade::Note,
            format!(
                "an upright bat reaches out of the picture above: {:.0} cm more are needed there, or where the barrel points at foot down is \
                 not measured. Tilt the camera up or move it back",
                -spare_cm
            ),
        ),
    })
}

/// Room on both sides for the bat's sweep, where the camera stands at a side.
fn sweep(sight: &BatSight, stance: &StandingIn) -> Option<Finding> {
    if !matches!(stance.view, View::OpenSide | View::BackSide) {
        return None;
    }
    let hips: Vec<f64> = sight.bodies().filter_map(hips_x_px).collect();
    let hips = median(&hips)?;
    let sides = [hips, f64::from(sight.picture.width_px) - hips];
    let bat = sight.bat_out_of_hands_px(stance);
    let [ahead, back] = [HANDS_AHEAD, HANDS_BACK].map(|reach| reach * stance.stature_px + bat);
    let needed = match stance.pitcher {
        Some(Direction::Left) => [ahead, back],
        Some(Direction::Right) => [back, ahead],
        // Whoever holds the hands before the trunk may bat either way; the side with more room is then the pitcher's.
        None if sides[0] > sides[1] => [ahead, back],
        None => [back, ahead],
    };
    let cm_per_px = sight.height() / stance.stature_px;
    let short = [0, 1].map(|side| ((needed[side] - sides[side]) * cm_per_px).max(0.0));
    let says = match short.map(|cm| cm >= 1.0) {
        [false, false] => "the bat stays in the picture on both sides".into(),
        [true, true] => format!(
            "the bat sweeps out of the picture on both sides: {:.0} cm more are needed on the left, {:.0} on the right. Move the camera back",
            short[0], short[1]
        ),
        [left, _] => format!(
            "the bat sweeps out of the picture on the {}: {:.0} cm more are needed there. Turn the camera that way, or move it back",
            if left { "left" } else { "right" },
            short[0].max(short[1])
        ),
    };
    let good = short.iter().all(|cm| *cm < 1.0);
    Some(finding("bat sweep", Grade::note_unless(good), says))
}

/// What the camera's place costs the measures of the bat.
fn place(stance: &StandingIn) -> Finding {
    let (good, says) = match (stance.view, stance.off_square_deg) {
        (View::Rear | View::Front, _) => (
            false,
            "no measure of the bat is made from the line to the pitcher: put the camera across the plate".into(),
        ),
        (View::BackSide, _) => (
            false,
            "from the hitter's back only where the barrel points at foot down is measured; attack and bat speed need the camera across the \
             plate"
                .into(),
        ),
        (View::OpenSide, Some(deg)) if deg <= -CATCHERS_SIDE_DEG => (
            false,
            format!(
                "the camera stands some {:.0} degrees off square on the catcher's side (give or take 8): attack reads up to 10 degrees low \
                 from there. Move it toward the pitcher",
                -deg
            ),
        ),
        (View::OpenSide, Some(_)) => (true, "across the plate, not far on the catcher's side".into()),
        (View::OpenSide, None) => (
            true,
            "across the plate; how square the camera stands was not seen. On the catcher's side attack reads low".into(),
        ),
    };
    finding("bat view", Grade::note_unless(good), says)
}

impl BatSight<'_> {
    fn height(&self) -> f64 {
        self.height_cm.unwrap_or(UNKNOWN_HEIGHT_CM)
    }

    fn bodies(&self) -> impl Iterator<Item = &Body> {
        self.poses.iter().filter_map(|pose| pose.body.as_ref())
    }

    fn is_outside(&self, [x, y]: &[f32; 2]) -> bool {
        let inside = |at: f32, size: u32| (0.0..size as f32).contains(&at);
        !(inside(*x, self.picture.width_px) && inside(*y, self.picture.height_px))
    }

    /// How far the tip may look from the hands.
    fn bat_out_of_hands_px(&self, stance: &StandingIn) -> f64 {
        let bat = bat_length_cm(self.height()) / self.height() * stance.stature_px;
        LOOKS_LONGER * (1.0 - GRIP_SHARE) * bat
    }
}

fn middle(body: &Body, landmarks: [Landmark; 2]) -> Option<[f64; 2]> {
    let [a, b] = landmarks.map(|landmark| body.point(landmark));
    let (a, b) = (a?, b?);
    Some([a.x_px + b.x_px, a.y_px + b.y_px].map(|sum| 0.5 * f64::from(sum)))
}

/// How high the hands are held in the stance: at the shoulders at least, for whoever lets the bat hang will raise it, and at the
/// ears at most, for hands above them have swung or wave (common practice, no source).
fn hands_top_px(body: &Body) -> Option<f64> {
    let [_, shoulders] = middle(body, [Landmark::LeftShoulder, Landmark::RightShoulder])?;
    let [_, ears] = middle(body, [Landmark::LeftEar, Landmark::RightEar])?;
    let hands = middle(body, [Landmark::LeftWrist, Landmark::RightWrist]);
    Some(hands.map_or(shoulders, |[_, hands]| hands.min(shoulders).max(ears)))
}

fn hands_apart_px(body: &Body) -> Option<f32> {
    let [left, right] = [Landmark::LeftWrist, Landmark::RightWrist].map(|l| body.point(l));
    let (left, right) = (left?, right?);
    Some((left.x_px - right.x_px).hypot(left.y_px - right.y_px))
}

fn hips_x_px(body: &Body) -> Option<f64> {
    Some(middle(body, [Landmark::LeftHip, Landmark::RightHip])?[0])
}

#[cfg(test)]
mod tests;
