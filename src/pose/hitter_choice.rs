//! Tells which of several people in view is the hitter.
//!
//! In: now and then, what the models say of the people in the frame. Out: whom to follow. A hitter stands with the feet apart
//! and the hands up, where the camera is aimed at, nearer to the camera than those who watch; and who stood so is still
//! the hitter while the next ball is put on the tee. One who walks by is not. Nobody is left for a better one at once: the
//! other must be better for a while and stay in place.

use super::body::Body;
use super::hitter_gate::BodyBox;
use super::landmark::Landmark;
use super::landmarker::Landmarks;
use super::roi::Roi;
use crate::time::CaptureTime;

/// How often the detector looks for others, seconds: while somebody may be the hitter instead, and otherwise. It costs as much
/// as a part of a frame, and each other person a frame's work.
const LOOK_SECS: (f64, f64) = (0.4, 1.0);
/// Somebody whose lead is above this may be the hitter instead.
const IN_QUESTION: f32 = -0.5;
/// By how much another must be likelier, and for how long, to be followed instead.
const LEAD: f32 = 0.3;
const LEAD_SECS: f64 = 1.0;
/// Who gets farther than this from where the lead began walks by, crop sides.
const IN_PLACE_SIDES: f32 = 0.15;
/// Two bodies nearer than this are one person, crop sides.
const SAME_SIDES: f32 = 0.25;
/// Others are as large as this share of the followed one at least: who is smaller stands far behind, or is a picture.
const LEAST_SIZE: f32 = 0.45;
/// So many others are examined, the largest first.
pub(super) const MOST_PEOPLE: usize = 3;
/// Who is not found again in this long is gone.
const GONE_SECS: f64 = 1.5;
/// Time constant with which a stance is forgotten, seconds: longer than a ball is put on the tee.
const REMEMBERED_SECS: f64 = 20.0;

/// Ankles from each other over the trunk's length, and hands over hips, 1 at the shoulders: none and all of a stance. Rendered
/// bystanders' feet are 0.35 to 0.47 apart, hitters' 0.5 to 1.3; hanging hands are at 0 to 0.2, a hitter's at 0.5 to 0.9.
const FEET_APART: (f32, f32) = (0.5, 0.8);
const HANDS_UP: (f32, f32) = (0.15, 0.45);
/// What the middle of the picture counts against its edge, and standing nearer than another; a stance counts 1.
const MIDDLE: f32 = 0.5;
const NEARER: f32 = 0.5;
/// Feet that are lower in the picture by this much, crop sides, stand clearly nearer: about two meters.
const NEARER_SIDES: f32 = 0.15;

/// How much a body stands like a hitter, 0 to 1.
fn stance(body: &Body) -> f32 {
    let Some(world) = &body.world else {
        return 0.0;
    };
    let at = |landmark: Landmark| {
        let p = world[landmark.index()];
        [p.x_m, p.y_m, p.z_m]
    };
    let middle = |a, b| {
        let (a, b) = (at(a), at(b));
        [0, 1, 2].map(|k| 0.5 * (a[k] + b[k]))
    };
    let distance = |a: [f32; 3], b: [f32; 3]| (a[0] - b[0]).hypot(a[1] - b[1]).hypot(a[2] - b[2]);
    let hips = middle(Landmark::LeftHip, Landmark::RightHip);
    let shoulders = middle(Landmark::LeftShoulder, Landmark::RightShoulder);
    let hands = middle(Landmark::LeftWrist, Landmark::RightWrist);
    let trunk = distance(hips, shoulders);
    let rise = hips[1] - shoulders[1];
    if trunk <= 0.0 || rise <= 0.0 {
        return 0.0;
    }
    let feet = distance(at(Landmark::LeftAnkle), at(Landmark::RightAnkle)) / trunk;
    let share =
        |value: f32, (none, all): (f32, f32)| ((value - none) / (all - none)).clamp(0.0, 1.0);
    share(feet, FEET_APART) * share((hips[1] - hands[1]) / rise, HANDS_UP)
}

/// What one look shows of a person.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sight {
    body: BodyBox,
    /// The lower ankle, pixels from the top.
    feet_y_px: f32,
    /// How far from the picture's middle line, 0 to 1 at the edge.
    off_middle: f32,
    stance: f32,
}

impl Sight {
    /// Of these landmarks in a picture so wide.
    pub(super) fn of(landmarks: &Landmarks, width_px: usize) -> Self {
        let body = BodyBox::of(landmarks);
        let ankle = |landmark| landmarks.body.point(landmark).map_or(0.0, |p| p.y_px);
        let half = 0.5 * width_px as f32;
        Self {
            body,
            feet_y_px: ankle(Landmark::LeftAnkle).max(ankle(Landmark::RightAnkle)),
            off_middle: ((body.center_px[0] - half).abs() / half).min(1.0),
            stance: stance(&landmarks.body),
        }
    }

    /// By how much this one is likelier to be the hitter than the other one.
    pub(super) fn lead_over(&self, other: &Self) -> f32 {
        let lower = (self.feet_y_px - other.feet_y_px) / (NEARER_SIDES * other.body.side_px);
        self.stance - other.stance
            + MIDDLE * (other.off_middle - self.off_middle)
            + NEARER * lower.clamp(-1.0, 1.0)
    }
}

/// A person over some time.
#[derive(Clone, Copy, Debug)]
struct Person {
    sight: Sight,
    /// The stance as remembered.
    remembered: f32,
    seen_at: CaptureTime,
    /// Since when and from where on this one has been likelier to be the hitter than the followed one.
    leads_since: Option<(CaptureTime, [f32; 2])>,
}

impl Person {
    fn new(sight: Sight, now: CaptureTime) -> Self {
        Self {
            sight,
            remembered: sight.stance,
            seen_at: now,
            leads_since: None,
        }
    }

    /// A stance is believed when it is seen twice.
    fn see(&mut self, sight: Sight, now: CaptureTime) {
        let secs = now.secs_since(self.seen_at).max(0.0);
        let kept = self.remembered * (-secs / REMEMBERED_SECS).exp() as f32;
        self.remembered = kept.max(sight.stance.min(self.sight.stance));
        self.sight = sight;
        self.seen_at = now;
    }

    fn as_remembered(&self) -> Sight {
        Sight {
            stance: self.remembered,
            ..self.sight
        }
    }
}

/// What is to be done beside following, in one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Errand {
    /// Look for people in the whole frame.
    Look,
    /// Find the landmarks of the person in this square.
    Examine(Roi),
}

/// Watches over those who are not followed.
#[derive(Debug, Default)]
pub(super) struct HitterChoice {
    followed: Option<Person>,
    others: Vec<Person>,
    looked_at: Option<CaptureTime>,
    to_examine: Vec<Roi>,
}

impl HitterChoice {
    /// The errand for this frame, most often none. One at a time: a frame must not take long.
    pub(super) fn errand(&mut self, now: CaptureTime) -> Option<Errand> {
        if let Some(roi) = self.to_examine.pop() {
            return Some(Errand::Examine(roi));
        }
        let in_question = self.others.iter().any(|p| self.lead(p) > IN_QUESTION);
        let every = if in_question {
            LOOK_SECS.0
        } else {
            LOOK_SECS.1
        };
        let looked_at = *self.looked_at.get_or_insert(now);
        (now.secs_since(looked_at) >= every).then_some(Errand::Look)
    }

    /// The detector has looked: these people are there, and this is what is seen of the followed one.
    pub(super) fn looked(
        &mut self,
        rois: impl Iterator<Item = Roi>,
        followed: Sight,
        now: CaptureTime,
    ) {
        self.looked_at = Some(now);
        match &mut self.followed {
            Some(person) => person.see(followed, now),
            None => self.followed = Some(Person::new(followed, now)),
        }
        self.others
            .retain(|p| now.secs_since(p.seen_at) <= GONE_SECS);
        self.to_examine = rois
            .filter(|roi| is_other(BodyBox::of_roi(roi), followed.body))
            .collect();
        self.to_examine
            .sort_by(|a, b| b.side_px.total_cmp(&a.side_px));
        self.to_examine.truncate(MOST_PEOPLE);
    }

    /// Somebody was examined. True where this one is to be followed from now on.
    pub(super) fn examined(&mut self, sight: Sight, now: CaptureTime) -> bool {
        let Some(followed) = self.followed else {
            return false;
        };
        // The landmarks may have gone over to the followed one, who is near.
        if !is_other(sight.body, followed.sight.body) {
            return false;
        }
        let known = self
            .others
            .iter()
            .position(|p| p.sight.body.distance_sides(sight.body) < SAME_SIDES);
        let index = known.unwrap_or_else(|| {
            self.others.push(Person::new(sight, now));
            self.others.len() - 1
        });
        if known.is_some() {
            self.others[index].see(sight, now);
        }
        let lead = self.lead(&self.others[index]);
        let person = &mut self.others[index];
        let at = sight.body.center_px;
        person.leads_since = person.leads_since.filter(|(_, from)| {
            (at[0] - from[0]).hypot(at[1] - from[1]) <= IN_PLACE_SIDES * sight.body.side_px
        });
        if lead <= LEAD {
            person.leads_since = None;
            return false;
        }
        let (since, _) = *person.leads_since.get_or_insert((now, at));
        now.secs_since(since) >= LEAD_SECS
    }

    fn lead(&self, person: &Person) -> f32 {
        self.followed.map_or(0.0, |followed| {
            person.as_remembered().lead_over(&followed.as_remembered())
        })
    }
}

fn is_other(body: BodyBox, followed: BodyBox) -> bool {
    followed.distance_sides(body) >= SAME_SIDES && body.side_px >= LEAST_SIZE * followed.side_px
}

#[cfg(test)]
mod tests {
    use super::super::body::WorldPoint;
    use super::super::landmark::LANDMARK_COUNT;
    use super::*;

    /// Of somebody at so many pixels in a picture of 640.
    fn at(x_px: f32, feet_y_px: f32, stance: f32) -> Sight {
        Sight {
            body: BodyBox {
                center_px: [x_px, 180.0],
                side_px: 320.0,
            },
            feet_y_px,
            off_middle: (x_px - 320.0).abs() / 320.0,
            stance,
        }
    }

    fn roi(sight: Sight) -> Roi {
        Roi {
            center_x_px: sight.body.center_px[0],
            center_y_px: sight.body.center_px[1],
            side_px: sight.body.side_px,
            rotation_rad: 0.0,
        }
    }

    /// Runs at 30 frames a second for so long; the moment at which the other one is to be followed.
    fn changes_after(
        secs: f64,
        choice: &mut HitterChoice,
        followed: impl Fn(f64) -> Sight,
        other: impl Fn(f64) -> Sight,
    ) -> Option<f64> {
        (0..(30.0 * secs) as usize).find_map(|i| {
            let t = i as f64 / 30.0;
            let now = CaptureTime::from_secs(t);
            match choice.errand(now)? {
                Errand::Look => {
                    choice.looked(
                        [followed(t), other(t)].map(roi).into_iter(),
                        followed(t),
                        now,
                    );
                    None
                }
                Errand::Examine(_) => choice.examined(other(t), now).then_some(t),
            }
        })
    }

    #[test]
    fn who_takes_the_stance_is_followed_within_moments_and_who_watches_is_left() {
        let changed = changes_after(
            10.0,
            &mut HitterChoice::default(),
            |_| at(500.0, 270.0, 0.0),
            |_| at(300.0, 300.0, 1.0),
        );
        assert!(
            changed.is_some_and(|t| (LEAD_SECS..3.5).contains(&t)),
            "{changed:?}"
        );
    }

    #[test]
    fn a_hitter_who_puts_the_ball_on_the_tee_is_still_the_hitter() {
        let changed = changes_after(
            12.0,
            &mut HitterChoice::default(),
            |t| at(300.0, 300.0, if t < 4.0 { 1.0 } else { 0.0 }),
            |_| at(100.0, 285.0, 0.8),
        );
        assert_eq!(changed, None);
    }

    #[test]
    fn a_bystander_who_poses_for_one_look_and_one_who_walks_by_are_not_followed() {
        let followed = |_| at(200.0, 300.0, 0.5);
        let poses = |t: f64| {
            at(
                420.0,
                300.0,
                if (3.9..4.3).contains(&t) { 1.0 } else { 0.0 },
            )
        };
        assert_eq!(
            changes_after(10.0, &mut HitterChoice::default(), followed, poses),
            None
        );
        // A quarter of a body height a second, nearer to the camera, with the hands up.
        let walks = |t: f64| at(330.0 + 60.0 * t as f32, 340.0, 1.0);
        assert_eq!(
            changes_after(4.0, &mut HitterChoice::default(), followed, walks),
            None
        );
    }

    #[test]
    fn of_two_in_a_stance_the_one_nearer_and_in_the_middle_leads() {
        assert!(at(305.0, 305.0, 1.0).lead_over(&at(100.0, 285.0, 0.9)) > LEAD);
        assert!(at(100.0, 285.0, 1.0).lead_over(&at(305.0, 305.0, 1.0)) < 0.0);
    }

    #[test]
    fn alone_the_detector_looks_once_a_second_and_nobody_is_examined() {
        let mut choice = HitterChoice::default();
        let mut looks = 0;
        for i in 0..300 {
            let now = CaptureTime::from_secs(f64::from(i) / 30.0);
            let hitter = at(320.0, 300.0, 1.0);
            match choice.errand(now) {
                None => {}
                Some(Errand::Look) => {
                    looks += 1;
                    choice.looked(std::iter::once(roi(hitter)), hitter, now);
                }
                Some(Errand::Examine(_)) => panic!("nobody else is there"),
            }
        }
        assert!((8..=10).contains(&looks), "{looks}");
    }

    #[test]
    fn a_stance_has_feet_apart_and_hands_up() {
        let body = |feet_m: f32, hands_m: f32| {
            let mut world = [WorldPoint {
                x_m: 0.0,
                y_m: 0.0,
                z_m: 0.0,
            }; LANDMARK_COUNT];
            let mut put = |landmark: Landmark, x_m, y_m| {
                world[landmark.index()] = WorldPoint { x_m, y_m, z_m: 0.0 };
            };
            put(Landmark::LeftShoulder, 0.2, -0.5);
            put(Landmark::RightShoulder, -0.2, -0.5);
            put(Landmark::LeftAnkle, 0.5 * feet_m, 0.8);
            put(Landmark::RightAnkle, -0.5 * feet_m, 0.8);
            put(Landmark::LeftWrist, -0.3, -hands_m);
            put(Landmark::RightWrist, -0.3, -hands_m);
            Body {
                world: Some(world),
                ..Body::empty()
            }
        };
        assert_eq!(stance(&body(0.5, 0.4)), 1.0);
        assert_eq!(stance(&body(0.2, 0.4)), 0.0, "feet together");
        assert_eq!(stance(&body(0.5, 0.0)), 0.0, "hands hang");
        assert_eq!(stance(&Body::empty()), 0.0);
    }
}
