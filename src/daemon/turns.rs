//! Hitters who take turns: their order, whose turn is next, and whose rep one is by the side that it was batted from.
//!
//! In: an order that is set at the page, turns that are asked for by sign and key, and the sides of reps. Out: the session of the
//! hitter whose turn it is. A rep is never given to somebody on a guess: who is not told apart by side is asked for.

use std::io;
use std::sync::{Arc, MutexGuard, PoisonError};
use std::time::Instant;

use crossbeam_channel::{Receiver, Sender, bounded};

use super::DaemonError;
use super::hitter_now::HitterNow;
use super::session_controller::SessionController;
use crate::journal::NewHitter;
use crate::page::{SwitchError, TurnChange};
use crate::rep::Bats;
use crate::status::ShownHitter;
use crate::thread::spawn;

/// Turns that may wait to be taken; more at once say the same again.
const WAITING: usize = 4;

/// A hitter who takes turns.
#[derive(Clone, Debug, PartialEq)]
struct Turn {
    name: String,
    /// The side they bat from; `None` where it is not known, or both.
    bats: Option<Bats>,
}

/// The hitters who take turns, in their order.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Turns(Vec<Turn>);

/// What asks for another turn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum TurnAsked {
    /// Somebody asks for the next hitter.
    Next,
    /// This hitter stands in, by their side.
    Seen(String),
    /// Somebody stands in who is not told from others.
    Unclear,
}

/// Whose rep one is that was batted from a side.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Whose {
    /// The hitter's whose turn it is.
    TheirOwn,
    /// Theirs as far as the side tells: others bat from it too.
    NotTold,
    /// That of another one who takes turns, the only one who bats from that side.
    Another(String),
    /// Somebody else's, and the side does not tell whose.
    Unclear,
}

/// Whose turn it is, and who else takes turns.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct TurnNow {
    /// The side of the hitter whose turn it is.
    bats: Option<Bats>,
    others: Vec<Turn>,
    /// How screens call the one whose turn is next.
    pub next: Option<ShownHitter>,
}

impl Turns {
    /// The hitters whose turn comes after `name`, the next one first; all of them where `name` takes no turns.
    fn after(&self, name: Option<&str>) -> Vec<&str> {
        let at = self
            .0
            .iter()
            .position(|turn| Some(turn.name.as_str()) == name);
        let begin = at.map_or(0, |at| at + 1);
        let (before, after) = self.0.split_at(begin.min(self.0.len()));
        let in_order = after.iter().chain(before);
        in_order
            .map(|turn| turn.name.as_str())
            .filter(|other| Some(*other) != name)
            .collect()
    }

    /// Whose turn it is while `name` hits.
    fn now(&self, name: Option<&str>) -> TurnNow {
        let (own, others): (Vec<_>, Vec<_>) = self
            .0
            .iter()
            .cloned()
            .partition(|turn| Some(turn.name.as_str()) == name);
        TurnNow {
            bats: own.first().and_then(|turn| turn.bats),
            // Whoever takes no turns is not taken for anybody who does.
            others: if own.is_empty() { Vec::new() } else { others },
            next: None,
        }
    }
}

impl TurnNow {
    /// Whether others take turns with whoever hits now.
    pub(super) fn is_shared(&self) -> bool {
        !self.others.is_empty()
    }

    /// Whether the hitter is the only one who bats from their side.
    pub(super) fn is_told_by_side(&self) -> bool {
        self.bats
            .is_some_and(|side| self.whose(Some(side)) == Whose::TheirOwn)
    }

    /// Whose rep one is; `side` is that which it was seen to be batted from.
    pub(super) fn whose(&self, side: Option<Bats>) -> Whose {
        if !self.is_shared() {
            return Whose::TheirOwn;
        }
        let Some(side) = side else {
            return Whose::NotTold;
        };
        let may_bat = |bats: Option<Bats>| bats.is_none_or(|bats| bats == side);
        let mut could: Vec<&Turn> = self
            .others
            .iter()
            .filter(|turn| may_bat(turn.bats))
            .collect();
        match (may_bat(self.bats), could.pop(), could.is_empty()) {
            (true, None, _) => Whose::TheirOwn,
            (true, Some(_), _) => Whose::NotTold,
            (false, Some(only), true) if only.bats.is_some() => Whose::Another(only.name.clone()),
            (false, ..) => Whose::Unclear,
        }
    }
}

/// Where turns are asked for.
pub(super) type TurnSender = Sender<TurnAsked>;

/// Has turns that are asked for begin, on the thread `turns`.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn take_turns(sessions: &Arc<SessionController>) -> io::Result<()> {
    let (sender, asked): (TurnSender, Receiver<TurnAsked>) = bounded(WAITING);
    sessions.changes.set_turn_sender(sender);
    let sessions = Arc::clone(sessions);
    spawn("turns", move || {
        for turn in asked {
            if let Err(error) = sessions.begin_turn(&turn) {
                tracing::warn!(%error, "the turn does not change");
            }
        }
    })?;
    Ok(())
}

impl SessionController {
    fn turns(&self) -> MutexGuard<'_, Turns> {
        self.turns.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The name of whoever hits now, or who is asked for.
    fn name_now(&self) -> Option<String> {
        let (settings, hitter) = self.settings_and_hitter();
        match hitter {
            HitterNow::Unsaid { before } => before,
            hitter => self.effective_settings(&settings, &hitter).hitter.name,
        }
    }

    /// Tells the rep stage whose turn it is.
    pub(super) fn publish_turns(&self) {
        let (_, hitter) = self.settings_and_hitter();
        let name = self.name_now();
        let turns = self.turns().clone();
        let next = turns
            .after(name.as_deref())
            .first()
            .map(|next| self.shown(next));
        let now = match hitter {
            // Nobody is named: there is nobody whose reps could go under another's name.
            HitterNow::Unsaid { .. } => TurnNow::default(),
            _ => turns.now(name.as_deref()),
        };
        self.changes.put_turns(TurnNow {
            next: next.flatten(),
            ..now
        });
    }

    /// How screens call a hitter.
    fn shown(&self, name: &str) -> Option<ShownHitter> {
        let path = self.journal_path(&self.settings()).ok()?;
        super::permissions::permissions(&path, Some(name), None, false).shown
    }

    /// Begins the turn that is asked for.
    fn begin_turn(&self, asked: &TurnAsked) -> Result<(), SwitchError> {
        let chosen_at = Instant::now();
        let name = self.name_now();
        let due: Vec<String> = match asked {
            TurnAsked::Next => {
                let turns = self.turns();
                turns
                    .after(name.as_deref())
                    .into_iter()
                    .map(str::to_owned)
                    .collect()
            }
            TurnAsked::Seen(name) => vec![name.clone()],
            TurnAsked::Unclear => return self.ask_who_hits(name),
        };
        let mut refused = None;
        for name in due {
            let hitter = NewHitter {
                name: Some(name),
                bats: None,
                height_cm: None,
            };
            match self.switch_to(hitter, chosen_at) {
                // Whoever may not hit is passed over.
                Err(SwitchError::Frozen) => refused = Some(SwitchError::Frozen),
                switched => return switched,
            }
        }
        refused.map_or(Ok(()), Err)
    }

    /// From here on nobody is named until somebody says who hits.
    fn ask_who_hits(&self, before: Option<String>) -> Result<(), SwitchError> {
        let failed = |error: DaemonError| SwitchError::Preparation(error.into());
        let settings = self.settings();
        let path = self.journal_path(&settings).map_err(failed)?;
        let next = self
            .prepare(
                &settings,
                (HitterNow::Unsaid { before }, Instant::now()),
                &path,
            )
            .map_err(failed)?;
        self.begin_prepared(next);
        Ok(())
    }

    /// The names of those who take turns, in their order.
    pub(super) fn turn_names(&self) -> Vec<String> {
        self.turns()
            .0
            .iter()
            .map(|turn| turn.name.clone())
            .collect()
    }

    /// Changes the order, or goes on in it.
    ///
    /// # Errors
    /// Where a hitter may not hit, or the next session cannot be prepared.
    pub(super) fn change_turn_order(&self, change: TurnChange) -> Result<(), SwitchError> {
        match change {
            TurnChange::Add(name) => {
                let failed = |error: DaemonError| SwitchError::Preparation(error.into());
                let path = self.journal_path(&self.settings()).map_err(failed)?;
                let hitter = NewHitter {
                    name: Some(name.clone()),
                    bats: None,
                    height_cm: None,
                };
                let bats = Self::complete(&path, hitter)?.bats;
                let mut turns = self.turns();
                if turns.0.iter().all(|turn| turn.name != name) {
                    turns.0.push(Turn { name, bats });
                }
            }
            TurnChange::Remove(name) => self.turns().0.retain(|turn| turn.name != name),
            TurnChange::Next => return self.begin_turn(&TurnAsked::Next),
        }
        self.publish_turns();
        Ok(())
    }

    /// A hitter who takes turns has another name from now on, or may not hit any more.
    pub(super) fn rename_turn(&self, before: &str, now: Option<&str>) {
        let mut turns = self.turns();
        match now {
            Some(now) => {
                for turn in turns.0.iter_mut().filter(|turn| turn.name == before) {
                    now.clone_into(&mut turn.name);
                }
            }
            None => turns.0.retain(|turn| turn.name != before),
        }
        drop(turns);
        self.publish_turns();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turns(all: &[(&str, Option<Bats>)]) -> Turns {
        let turn = |(name, bats): &(&str, Option<Bats>)| Turn {
            name: (*name).to_owned(),
            bats: *bats,
        };
        Turns(all.iter().map(turn).collect())
    }

    #[test]
    fn turns_go_round_in_their_order() {
        let three = turns(&[("Ana", None), ("Ben", None), ("Cy", None)]);
        assert_eq!(three.after(Some("Ana")), ["Ben", "Cy"]);
        assert_eq!(three.after(Some("Cy")), ["Ana", "Ben"]);
        assert_eq!(three.after(None), ["Ana", "Ben", "Cy"]);
        assert_eq!(three.after(Some("Dee")), ["Ana", "Ben", "Cy"]);
        assert!(turns(&[("Ana", None)]).after(Some("Ana")).is_empty());
    }

    #[test]
    fn a_rep_goes_to_another_only_where_the_side_tells_whose_it_is() {
        use Bats::{Left, Right};
        let whose = |all: &[(&str, Option<Bats>)], side| turns(all).now(Some("Ana")).whose(side);
        let ana = ("Ana", Some(Right));
        for (all, side, wanted) in [
            // Alone, or not in the order: nobody else's.
            (vec![ana], Some(Left), Whose::TheirOwn),
            (vec![("Ben", Some(Left))], Some(Left), Whose::TheirOwn),
            // Two sides, two hitters.
            (vec![ana, ("Ben", Some(Left))], Some(Right), Whose::TheirOwn),
            (
                vec![ana, ("Ben", Some(Left))],
                Some(Left),
                Whose::Another("Ben".into()),
            ),
            (vec![ana, ("Ben", Some(Left))], None, Whose::NotTold),
            // One side, or one that nobody said.
            (vec![ana, ("Ben", Some(Right))], Some(Right), Whose::NotTold),
            (vec![ana, ("Ben", Some(Right))], Some(Left), Whose::Unclear),
            (vec![ana, ("Ben", None)], Some(Right), Whose::NotTold),
            (vec![ana, ("Ben", None)], Some(Left), Whose::Unclear),
            // Two on the other side.
            (
                vec![ana, ("Ben", Some(Left)), ("Cy", Some(Left))],
                Some(Left),
                Whose::Unclear,
            ),
            (
                vec![ana, ("Ben", Some(Left)), ("Cy", None)],
                Some(Left),
                Whose::Unclear,
            ),
            // Ana's own side is not known.
            (
                vec![("Ana", None), ("Ben", Some(Left))],
                Some(Left),
                Whose::NotTold,
            ),
            (
                vec![("Ana", None), ("Ben", Some(Left))],
                Some(Right),
                Whose::TheirOwn,
            ),
        ] {
            assert_eq!(whose(&all, side), wanted, "{all:?}, {side:?}");
        }
    }
}
