//! Hitters who take turns without saying so: by the side of a rep, or asked for.
//!
//! In: who is seen, and reps as they are found. Out: whose rep it is; a turn that is asked for; a question by voice.

use crate::coach::PhraseId;
use crate::daemon::DaemonError;
use crate::daemon::turns::{TurnAsked, Whose};
use crate::motion::Direction;
use crate::rep::{Bats, FoundRep, Phase, View, standing_in};
use crate::time::CaptureTime;

use super::RepStage;

/// After so long without anybody in view somebody else may stand in, seconds.
const GONE_SECS: f64 = 2.0;

/// Who may have stepped in.
#[derive(Default)]
pub(super) struct TurnWatch {
    /// When somebody was last seen.
    seen: Option<CaptureTime>,
    /// Whether nobody was in view for a while, and it is not told yet who came.
    came: bool,
    /// Reps of another hitter, or of nobody named, until that session begins.
    held: Vec<(Option<String>, FoundRep)>,
}

impl RepStage {
    /// Asks who hits where somebody stands in after an empty cage and the side cannot tell who that is.
    pub(super) fn watch_turns(&mut self, now: CaptureTime, has_body: bool) {
        if !has_body {
            return;
        }
        let before = self.turn_watch.seen.replace(now);
        if before.is_some_and(|before| now.secs_since(before) >= GONE_SECS) {
            self.turn_watch.came = true;
        }
        if !self.turn_watch.came || self.session.finder.phase() != Phase::Set {
            return;
        }
        let turns = self.changes.turns();
        if !turns.is_shared() {
            self.turn_watch.came = false;
        } else if !turns.is_told_by_side() {
            self.ask_who_hits(now);
        }
    }

    /// Gives a rep on where it is of the hitter whose turn it is; keeps it for another's session, or for nobody's, where it is not.
    pub(super) fn own_rep(&mut self, found: FoundRep) -> Option<FoundRep> {
        let turns = self.changes.turns();
        if !turns.is_shared() {
            return Some(found);
        }
        let now = found.rep.known_at;
        match turns.whose(seen_side(&found)) {
            Whose::TheirOwn => {
                self.turn_watch.came = false;
                Some(found)
            }
            Whose::NotTold if !self.turn_watch.came => Some(found),
            Whose::Another(name) => {
                self.turn_watch.came = false;
                self.terminal
                    .println("the other side: the turn of the one hitter who bats from it begins");
                self.say(PhraseId::NextHitter, now);
                self.changes.ask_turn(TurnAsked::Seen(name.clone()));
                self.turn_watch.held.push((Some(name), found));
                None
            }
            Whose::NotTold | Whose::Unclear => {
                self.terminal
                    .println("a rep is kept without a hitter: it is not clear who is hitting");
                self.ask_who_hits(now);
                self.turn_watch.held.push((None, found));
                None
            }
        }
    }

    /// Judges the reps that waited for the session that begins now.
    pub(super) fn judge_held(&mut self, name: Option<&str>) -> Result<(), DaemonError> {
        self.turn_watch.came = false;
        let held = std::mem::take(&mut self.turn_watch.held);
        for (whose, found) in held {
            match whose.as_deref() == name {
                true => self.judge_own(found)?,
                false => self.turn_watch.held.push((whose, found)),
            }
        }
        Ok(())
    }

    /// Tells of reps whose session never began.
    pub(super) fn tell_held(&self) {
        let reps = self.turn_watch.held.len();
        if reps > 0 {
            tracing::error!(
                reps,
                "reps are not kept: the session that they belong to did not begin"
            );
        }
    }

    fn ask_who_hits(&mut self, now: CaptureTime) {
        self.turn_watch.came = false;
        self.say(PhraseId::WhoHits, now);
        self.changes.ask_turn(TurnAsked::Unclear);
    }
}

/// The side that a rep was batted from, where a stance of a second before it and the swing itself agree. Only a camera at a side tells.
fn seen_side(found: &FoundRep) -> Option<Bats> {
    let events = &found.rep.events;
    let begins = events.gather.or(events.lift_off).or(events.plant)?;
    let before = found
        .frames
        .iter()
        .take_while(|frame| frame.captured_at < begins)
        .count();
    let stance = standing_in(&found.frames[..before])?;
    let side = match (stance.view, stance.pitcher?) {
        (View::OpenSide, Direction::Right) | (View::BackSide, Direction::Left) => Bats::Right,
        (View::OpenSide, Direction::Left) | (View::BackSide, Direction::Right) => Bats::Left,
        (View::Rear | View::Front, _) => return None,
    };
    (side == found.rep.bats).then_some(side)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::track::TrackReader;
    use crate::rep::{HitterSetup, RepFinder, RepKind};
    use std::path::Path;

    /// How many swings of a track are told at least.
    const TOLD: &[(&str, usize)] = &[
        ("right_60fps_swing_2.track.jsonl", 1),
        // Seen from behind in 30 frames a second: stance and swing do not agree.
        ("back_side_30fps.track.jsonl", 0),
        ("bat_open_side_60fps.track.jsonl", 1),
    ];

    /// The sides of the swings of a track; `None` for one that is not told.
    fn sides(path: &Path) -> Vec<Option<Bats>> {
        let mut reader = TrackReader::open(path).unwrap();
        let mut finder = RepFinder::new(HitterSetup::default());
        let mut found = Vec::new();
        while let Some(frame) = reader.next_frame().unwrap() {
            found.extend(finder.push(frame));
        }
        found.extend(finder.finish());
        let swings = found
            .iter()
            .filter(|found| found.rep.kind == RepKind::Swing);
        swings.map(seen_side).collect()
    }

    /// The truth of each is beside it in `tests/data/tracks`; all these hitters bat right.
    #[test]
    fn a_side_is_told_from_a_camera_at_a_side_and_never_wrongly() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/tracks");
        for (name, told) in TOLD {
            let sides = sides(&folder.join(name));
            assert!(!sides.contains(&Some(Bats::Left)), "{name}: {sides:?}");
            let count = sides.iter().flatten().count();
            assert!(count >= *told, "{name}: {sides:?}");
        }
    }
}
