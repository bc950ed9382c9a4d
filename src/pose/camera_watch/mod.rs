//! Watches whether the camera itself moves, from the still parts of the picture.
//!
//! In: frames in time order, each with the body found in it. Out: a [`CameraMotion`] for each; `None` while it points where it
//! did in the first, and while the picture has too little texture to tell. Textured patches of an earlier picture (a keyframe) are looked for in each frame; the shift,
//! turn and enlargement that most of them agree on is the camera's. The hitter's patches do not count, and those of
//! bystanders, nets and screens disagree.
//!
//! A camera that stands still has one exact place: measurement noise within a small fraction of a pixel moves nothing, so it
//! can neither blur landmarks nor add up to drift.

mod keyframes;
mod patches;
mod similarity;
mod small_picture;
#[cfg(test)]
mod tests;
mod view;

use std::collections::VecDeque;

use self::patches::{Patch, coarse_shift};
use self::similarity::{Chance, Point, Similarity};
use self::small_picture::SmallPicture;
use self::view::{hitter_box, now_at, point, spread_out, visible};
use super::body::Body;
use super::camera_motion::CameraMotion;
use crate::capture::Frame;
use crate::time::CaptureTime;

/// Patches that a picture needs, so that it can be told whether it moved.
const LEAST_PATCHES: usize = 12;
/// A camera that stands goes on standing while so many of the patches in view are where they were, and this share of them.
const STANDS: (usize, f64) = (6, 0.08);
/// Of the patches in view this share must agree on where it points otherwise, and this share of those that were found again.
const AGREE_IN_VIEW: f64 = 0.25;
const AGREE_FOUND: f64 = 0.4;
/// Patches agree within this, in three rounds, while the camera stands and while it moves: a picture that turns away is no mere
/// shift, and is read row by row. Pixels of the small picture.
const GATES: [f64; 3] = [1.5, 0.7, 0.5];
const GATES_MOVING: [f64; 3] = [3.0, 1.6, 1.2];
/// A camera stands still while it points nowhere else by more than this, where so many clear patches say so, and by more in the
/// same measure where fewer or fainter ones do; pixels of the small picture.
const STILL: f64 = 0.2;
const STILL_PATCHES: f64 = 64.0;
const MOST_STILL: f64 = 0.4;
/// It moves once it has been beyond for so many frames, or at once where it is beyond by that many times as much.
const MOVED_FRAMES: u32 = 3;
const MOVED_AT_ONCE: f64 = 2.0;
/// It stands still again after this long within [`STILL`], seconds.
const STILL_SECS: f64 = 0.5;
/// After this long lost it begins anew with what it sees, seconds.
const LOST_SECS: f64 = 1.5;
/// A picture that nothing joined to those before is compared with them so often, seconds.
const REJOIN_SECS: f64 = 0.25;

/// A picture with the place that the camera pointed to when it was taken.
struct Keyframe {
    patches: Vec<Patch>,
    place: Similarity,
    /// Whether no later picture has shown yet which of the patches are more than noise.
    fresh: bool,
}

/// Where most patches of a keyframe agree that the camera points now.
struct Sight {
    place: Similarity,
    chance: Chance,
    /// Patches that are in view, and those that agree.
    in_view: usize,
    agree: usize,
}

/// What a keyframe's patches show.
enum Seen {
    /// Where the camera points.
    At(Sight),
    /// Too little is in view to tell.
    Unclear,
    /// The picture is another one.
    Otherwise,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Still { beyond: u32 },
    Moving,
    Lost { since: CaptureTime },
}

/// Watches one source.
pub struct CameraWatch {
    picture: SmallPicture,
    /// Size of the frames, pixels.
    size: (f64, f64),
    keys: Vec<Keyframe>,
    /// The one that is in use.
    key: usize,
    key_at: CaptureTime,
    /// When it was last looked whether this is an earlier picture again, where nothing joined it to those.
    unjoined: Option<CaptureTime>,
    /// When the first picture came.
    began: Option<CaptureTime>,
    state: State,
    /// Where the camera stands or stood.
    rest: Similarity,
    /// Where it pointed last, and how that changed to the frame before.
    last: Similarity,
    step: Similarity,
    recent: VecDeque<(CaptureTime, Similarity)>,
    hitter: Option<[f64; 4]>,
    /// Patches in view when last looked for, and where those that were found are and were.
    in_view: usize,
    pairs: Vec<(Point, Point)>,
    agreeing: Vec<(Point, Point)>,
}

impl Default for CameraWatch {
    /// One that has seen nothing.
    fn default() -> Self {
        Self {
            picture: SmallPicture::default(),
            size: (0.0, 0.0),
            keys: Vec::new(),
            key: 0,
            key_at: CaptureTime::default(),
            unjoined: None,
            began: None,
            state: State::Still { beyond: 0 },
            rest: Similarity::IDENTITY,
            last: Similarity::IDENTITY,
            step: Similarity::IDENTITY,
            recent: VecDeque::new(),
            hitter: None,
            in_view: 0,
            pairs: Vec::new(),
            agreeing: Vec::new(),
        }
    }
}

impl CameraWatch {
    /// Takes the next frame and the body that was found in it.
    pub fn step(&mut self, frame: &Frame, body: Option<&Body>) -> Option<CameraMotion> {
        let now = frame.captured_at;
        let size = (frame.width as f64, frame.height as f64);
        if size != self.size {
            *self = Self::default();
            self.size = size;
        }
        self.picture.read(frame);
        if let Some(body) = body {
            self.hitter = hitter_box(body);
        }
        if self.keys.is_empty() {
            self.take_keyframe(now, self.last);
            return None;
        }
        self.drop_noise();
        if self.keys.is_empty() {
            return None;
        }
        match self.sight(now) {
            Seen::At(sight) => {
                let motion = self.follow(now, &sight);
                if matches!(self.state, State::Still { .. }) {
                    self.remember_patches();
                }
                self.refresh_when_due(now, &sight);
                motion
            }
            // What stood goes on standing until something shows otherwise.
            Seen::Unclear if matches!(self.state, State::Still { .. }) => now_at(self.rest),
            Seen::Unclear | Seen::Otherwise => Some(self.lose(now)),
        }
    }

    /// Where the camera points now if it goes on as before.
    fn predicted(&self) -> Similarity {
        match self.state {
            State::Moving => self.last.then(&self.step),
            State::Still { .. } | State::Lost { .. } => self.last,
        }
    }

    /// Where the camera points now, by the keyframe in use; where that one fails, by any other.
    fn sight(&mut self, now: CaptureTime) -> Seen {
        let standing = matches!(self.state, State::Still { .. });
        let predicted = self.predicted();
        if let Some(sight) = self.rejoin(now) {
            return Seen::At(sight);
        }
        let in_use = self.key;
        let first = self.find(in_use, predicted);
        if !matches!(first, Seen::Otherwise) {
            return first;
        }
        let stands = standing && self.stand();
        for guess in [predicted, self.rest] {
            if let Some(shift) = self.coarse(in_use, guess)
                && let found @ Seen::At(_) = self.find(in_use, guess.shifted(shift))
            {
                return found;
            }
        }
        if stands {
            return Seen::Unclear;
        }
        for key in (0..self.keys.len()).filter(|key| *key != in_use) {
            let place = self.keys[key].place;
            for guess in [predicted, place] {
                if let found @ Seen::At(_) = self.find(key, guess) {
                    self.key = key;
                    return found;
                }
            }
        }
        Seen::Otherwise
    }

    /// Once nothing joined the picture to those before, looks now and then whether it is one of them again.
    fn rejoin(&mut self, now: CaptureTime) -> Option<Sight> {
        let since = self.unjoined?;
        if now.secs_since(since) < REJOIN_SECS {
            return None;
        }
        self.unjoined = Some(now);
        let others = (0..self.keys.len()).filter(|key| *key != self.key);
        for key in others.collect::<Vec<_>>() {
            let place = self.keys[key].place;
            let joins = place.differs_px(&self.last, self.size) > 0.5 * self.size.0;
            if joins && let Seen::At(sight) = self.find(key, place) {
                (self.key, self.unjoined) = (key, None);
                return Some(sight);
            }
        }
        None
    }

    /// Whether enough of the patches that [`Self::find`] has looked for at the place of rest are there.
    fn stand(&self) -> bool {
        let place = self.keys[self.key].place;
        let there = self.rest.then(&place.inverse());
        let gate = GATES[2] * self.picture.factor as f64;
        let stayed = self
            .pairs
            .iter()
            .filter(|(now, was)| similarity::distance(there.apply(*now), *was) < gate)
            .count();
        stayed >= STANDS.0 && stayed as f64 >= STANDS.1 * self.in_view as f64
    }

    /// Looks for the patches of a keyframe where they are if the camera points to `guess`.
    fn find(&mut self, key: usize, guess: Similarity) -> Seen {
        let Keyframe { patches, place, .. } = &self.keys[key];
        let from_now = guess.then(&place.inverse());
        let to_now = from_now.inverse();
        self.pairs.clear();
        self.in_view = 0;
        for patch in patches.iter().filter(|patch| patch.is_reliable()) {
            let was = point(patch.spot, &self.picture, self.size);
            let Some(expected) = visible(to_now.apply(was), &self.picture, self.size, self.hitter)
            else {
                continue;
            };
            self.in_view += 1;
            if let Some(found) = patch.find(&self.picture, expected) {
                self.pairs
                    .push((point(found, &self.picture, self.size), was));
            }
        }
        if self.in_view < LEAST_PATCHES {
            return Seen::Unclear;
        }
        let tight = matches!(self.state, State::Still { .. });
        let gates = [GATES, GATES_MOVING];
        let agreed = gates.iter().skip(usize::from(!tight)).find_map(|gates| {
            let gates = gates.map(|gate| gate * self.picture.factor as f64);
            let (fit, chance) =
                Similarity::robust_fit(from_now, &self.pairs, gates, &mut self.agreeing)?;
            let place = fit.then(&self.keys[key].place);
            let agree = self.agreeing.len();
            let enough = agree >= LEAST_PATCHES
                && agree as f64 >= AGREE_IN_VIEW * self.in_view as f64
                && agree as f64 >= AGREE_FOUND * self.pairs.len() as f64;
            // Where the rest is hidden, a few that lie together still show that the camera is back at its place.
            let rests =
                place.differs_px(&self.rest, self.size) <= STILL * self.picture.factor as f64;
            (enough && (rests || spread_out(&self.agreeing, self.size))).then_some((place, chance))
        });
        let Some((place, chance)) = agreed else {
            return Seen::Otherwise;
        };
        Seen::At(Sight {
            place,
            chance,
            in_view: self.in_view,
            agree: self.agreeing.len(),
        })
    }

    /// How much farther than `guess` the camera points, where it moved too fast for [`Self::find`].
    fn coarse(&self, key: usize, guess: Similarity) -> Option<Point> {
        let Keyframe { patches, place, .. } = &self.keys[key];
        let to_now = guess.then(&place.inverse()).inverse();
        let shift = coarse_shift(patches, &self.picture, |patch| {
            let was = point(patch.spot, &self.picture, self.size);
            visible(to_now.apply(was), &self.picture, self.size, self.hitter)
        })?;
        let factor = self.picture.factor as f64;
        // What went to the right in the picture has to be brought back to the left.
        Some(shift.map(|px| -factor * f64::from(px)))
    }

    fn follow(&mut self, now: CaptureTime, sight: &Sight) -> Option<CameraMotion> {
        let place = sight.place;
        let still = (STILL * STILL_PATCHES / self.evidence(sight)).clamp(STILL, MOST_STILL);
        let still_px = still * self.picture.factor as f64;
        match &mut self.state {
            State::Still { beyond } => {
                let beyond_by = |px| place.differs_surely(&self.rest, self.size, px, &sight.chance);
                *beyond = if beyond_by(still_px) { *beyond + 1 } else { 0 };
                let at_once = *beyond > 0 && beyond_by(MOVED_AT_ONCE * still_px);
                if *beyond < MOVED_FRAMES && !at_once {
                    return now_at(self.rest);
                }
                self.recent.clear();
                self.state = State::Moving;
                self.step = Similarity::IDENTITY;
            }
            State::Moving => self.step = self.last.inverse().then(&place),
            State::Lost { .. } => {
                self.recent.clear();
                self.state = State::Moving;
                self.step = Similarity::IDENTITY;
            }
        }
        self.last = place;
        self.recent.push_back((now, place));
        self.stand_when_still(now, still_px);
        now_at(self.last)
    }

    /// How many clear patches those that agree are worth.
    fn evidence(&self, sight: &Sight) -> f64 {
        let patches = &self.keys[self.key].patches;
        let reliable = patches.iter().filter(|patch| patch.is_reliable());
        let sum: f32 = reliable.clone().map(|patch| patch.strength).sum();
        sight.agree as f64 * f64::from(sum) / reliable.count().max(1) as f64
    }

    /// The camera stands again once it has pointed to one place for a while: to an earlier one exactly, where it is that.
    fn stand_when_still(&mut self, now: CaptureTime, still_px: f64) {
        let Some((first, _)) = self.recent.front() else {
            return;
        };
        if now.secs_since(*first) < STILL_SECS {
            return;
        }
        let mean = Similarity::mean(self.recent.iter().map(|(_, place)| place));
        let still = self
            .recent
            .iter()
            .all(|(_, place)| place.differs_px(&mean, self.size) <= still_px);
        if !still {
            self.recent.pop_front();
            return;
        }
        let places = [Similarity::IDENTITY, self.rest];
        self.rest = places
            .into_iter()
            .find(|place| place.differs_px(&mean, self.size) <= still_px)
            .unwrap_or(mean);
        self.last = self.rest;
        self.state = State::Still { beyond: 0 };
    }

    fn lose(&mut self, now: CaptureTime) -> CameraMotion {
        match self.state {
            State::Lost { since } if now.secs_since(since) >= LOST_SECS => {
                // Nothing joins this picture to those before: it counts as a whole picture's width away.
                let before = self.keys.len();
                let place = self.last.shifted([self.size.0, 0.0]);
                self.take_keyframe(now, place);
                if self.keys.len() != before {
                    self.unjoined = Some(now);
                    self.last = place;
                }
                self.state = State::Lost { since: now };
            }
            State::Lost { .. } => {}
            State::Still { .. } | State::Moving => self.state = State::Lost { since: now },
        }
        CameraMotion::Lost
    }
}
