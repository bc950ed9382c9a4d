//! Which pictures the camera watch compares with, and which of their patches it trusts.

use super::patches::patches;
use super::similarity::Similarity;
use super::view::{is_hitter, point, visible};
use super::{CameraWatch, GATES, Keyframe, LEAST_PATCHES, Seen, Sight, State};
use crate::time::CaptureTime;

/// Another keyframe is taken where fewer patches than this share are in view or agree, or where the picture is turned or
/// enlarged by more than that; the least time between two, while the camera stands and while it moves, seconds.
const REFRESH_SHARE: f64 = 0.6;
const REFRESH_TURN: f64 = 0.06;
const REFRESH_SECS: (f64, f64) = (0.5, 0.1);
/// A recording's first pictures are packed more coarsely than the rest, and a camera's exposure settles: in the first of these
/// seconds the first keyframe is replaced as often as the second says.
const SETTLE_SECS: (f64, f64) = (1.0, 0.25);
/// Keyframes that are kept to be recognized.
const KEPT: usize = 8;

impl CameraWatch {
    /// Drops the patches of a new keyframe that the next picture does not show again, and the keyframe where few are left.
    pub(super) fn drop_noise(&mut self) {
        let guess = self.predicted();
        let (picture, size) = (&self.picture, self.size);
        let Some(key) = self.keys.get_mut(self.key).filter(|key| key.fresh) else {
            return;
        };
        key.fresh = false;
        let to_now = guess.then(&key.place.inverse()).inverse();
        key.patches.retain(|patch| {
            let expected = to_now.apply(point(patch.spot, picture, size));
            // What is out of view or behind the hitter may show again later.
            visible(expected, picture, size, self.hitter)
                .is_none_or(|expected| patch.find(picture, expected).is_some())
        });
        if key.patches.len() < LEAST_PATCHES {
            self.keys.remove(self.key);
            self.key = self.keys.len().saturating_sub(1);
        }
    }

    /// Has each patch of the keyframe in use remember whether the last search found it where it should be.
    pub(super) fn remember_patches(&mut self) {
        let (picture, size) = (&self.picture, self.size);
        let key = &mut self.keys[self.key];
        let to_now = self.last.then(&key.place.inverse()).inverse();
        for patch in &mut key.patches {
            let was = point(patch.spot, picture, size);
            let Some(expected) = visible(to_now.apply(was), picture, size, self.hitter) else {
                continue;
            };
            // One that somebody hid for a while, and so is not searched for any more, may be back.
            let is_there = if patch.is_reliable() {
                self.agreeing.iter().any(|(_, agreed)| *agreed == was)
            } else {
                let found = patch.find(picture, expected);
                found.is_some_and(|at| {
                    (at[0] - expected[0]).hypot(at[1] - expected[1]) < GATES[2] as f32
                })
            };
            patch.remember(is_there);
        }
    }

    pub(super) fn refresh_when_due(&mut self, now: CaptureTime, sight: &Sight) {
        let began = *self.began.get_or_insert(now);
        if matches!(self.state, State::Still { .. })
            && now.secs_since(began) < SETTLE_SECS.0
            && now.secs_since(self.key_at) >= SETTLE_SECS.1
        {
            self.keys.clear();
            self.take_keyframe(now, self.rest);
            return;
        }
        let key = &self.keys[self.key];
        let relative = self.last.then(&key.place.inverse()).place();
        let turned = relative.roll_deg.to_radians().abs() > REFRESH_TURN
            || (relative.zoom - 1.0).abs() > REFRESH_TURN;
        let reliable = key.patches.iter().filter(|patch| patch.is_reliable());
        let wanted = REFRESH_SHARE * reliable.count() as f64;
        let worn = (sight.in_view as f64) < wanted || (sight.agree as f64) < wanted;
        let least_secs = match self.state {
            State::Still { .. } => REFRESH_SECS.0,
            State::Moving | State::Lost { .. } => REFRESH_SECS.1,
        };
        if (worn || turned) && now.secs_since(self.key_at) >= least_secs && !self.take_earlier(now)
        {
            self.take_keyframe(now, self.last);
        }
    }

    /// Goes back to an earlier keyframe that shows the same, so that errors do not add up from one to the next.
    fn take_earlier(&mut self, now: CaptureTime) -> bool {
        for key in 0..self.keys.len() {
            let reliable = self.keys[key].patches.iter();
            let wanted =
                REFRESH_SHARE * reliable.filter(|patch| patch.is_reliable()).count() as f64;
            if key != self.key
                && let Seen::At(sight) = self.find(key, self.last)
                && sight.agree as f64 >= wanted
            {
                (self.key, self.key_at) = (key, now);
                if self.state == State::Moving {
                    self.last = sight.place;
                }
                return true;
            }
        }
        false
    }

    /// Makes this picture a keyframe at a place, and uses it, where it has texture enough.
    pub(super) fn take_keyframe(&mut self, now: CaptureTime, place: Similarity) {
        self.key_at = now;
        let patches = patches(&self.picture, |spot| {
            let point = point(spot, &self.picture, self.size);
            is_hitter(point, self.size, self.hitter)
        });
        if patches.len() < LEAST_PATCHES {
            return;
        }
        if self.keys.len() == KEPT {
            // The first shows where it began, and is kept.
            self.keys.remove(1);
        }
        self.keys.push(Keyframe {
            patches,
            place,
            fresh: true,
        });
        self.key = self.keys.len() - 1;
    }
}
