//! What goes on now, for the screen in the cage: the last rep, a trail of those before, and a stick figure.
//!
//! The newest state wins: a screen that is slow misses old states, never the last. What the hitter is not to hear is not
//! here either: a rep that the plan keeps quiet has neither cue nor number.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::{Serialize, Serializer};
use tokio::sync::watch;

use crate::coach::{CueId, CueWords, ReadyState};
use crate::rep::{Phase, RepKind};
use crate::text_enum::Recorded;

/// A rep as the screen shows it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct LiveRep {
    /// Its number in the session.
    pub number: u32,
    /// `swing` or `take`.
    pub kind: RepKind,
    /// What the hitter heard; `None` where they heard nothing.
    pub cue: Option<Recorded<CueId>>,
    /// In which words.
    pub words: CueWords,
    /// The name of the measure that the cue was about, or of the first that is worked on.
    pub measure: Option<&'static str>,
    /// Its value, in the unit that is shown.
    pub value: Option<f64>,
    /// The unit as it stands behind the number.
    pub unit: &'static str,
    /// `in`, `low` or `high`.
    pub verdict: Option<&'static str>,
}

/// The hitter as points in the picture.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct LiveFigure {
    /// Size of the picture, pixels.
    pub width: u32,
    /// Size of the picture, pixels.
    pub height: u32,
    /// The landmarks in the model's order, whole pixels; `None` for those not seen, none at all where nobody is found.
    pub points: Vec<Option<[i32; 2]>>,
}

/// How screens call a hitter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub(crate) enum ShownHitter {
    /// By name.
    Name(String),
    /// By the number in the journal: they do not want their name shown.
    Number(i64),
}

/// What can be asked for, and how.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(crate) struct Ask {
    /// `again`, `pause` or `next_hitter`.
    pub what: &'static str,
    /// Whether a sign of the arms asks for it.
    pub sign: bool,
    /// The key that asks for it, as it is written on keyboards.
    pub key: Option<String>,
}

/// What goes on now.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Live {
    /// Who hits, where they are named.
    pub hitter: Option<ShownHitter>,
    /// Who hit before a restart, where somebody is to say whether they still do.
    pub asked: Option<ShownHitter>,
    /// Whose turn is next, where hitters take turns.
    pub next: Option<ShownHitter>,
    /// Whether reps are not counted because somebody asked for a pause.
    pub paused: bool,
    /// What can be asked for without touching anything.
    pub asks: Vec<Ask>,
    /// The plan in force.
    pub plan: Option<String>,
    /// Whether the camera has the hitter.
    #[serde(serialize_with = "ready_key")]
    pub ready: ReadyState,
    /// What the hitter is doing.
    pub phase: Phase,
    /// Swings in this session.
    pub swings: u32,
    /// Takes in this session.
    pub takes: u32,
    /// Swings left in the set; `None` where it is open.
    pub to_go: Option<u32>,
    /// Whether a film of each rep is kept, which nobody in the cage may overlook.
    pub filmed: bool,
    /// Whether screens may show the camera's picture, which is to be said where it is shown.
    pub pictured: bool,
    /// Whether a microphone listens, which nobody in the cage may overlook either.
    pub listens: bool,
    /// Whether somebody at the facility's office looks at the screen, which nobody in the cage may overlook either.
    pub office_looks: bool,
    /// When the last rep was published, milliseconds since 1970 by the wall clock: the screen measures its own delay by it.
    pub rep_at_ms: i64,
    /// Whether the set rests now.
    pub resting: bool,
    /// Whether the set is over.
    pub over: bool,
    /// The last reps, the newest last.
    pub trail: VecDeque<LiveRep>,
    /// The hitter now.
    pub figure: Option<LiveFigure>,
}

fn ready_key<S: Serializer>(ready: &ReadyState, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&ready.key())
}

impl Default for Live {
    fn default() -> Self {
        Self {
            hitter: None,
            asked: None,
            next: None,
            paused: false,
            asks: Vec::new(),
            plan: None,
            ready: ReadyState::default(),
            phase: Phase::Away,
            swings: 0,
            takes: 0,
            to_go: None,
            filmed: false,
            listens: false,
            office_looks: false,
            pictured: false,
            rep_at_ms: 0,
            resting: false,
            over: false,
            trail: VecDeque::new(),
            figure: None,
        }
    }
}

/// The newest [`Live`], for any number of screens.
#[derive(Debug, Default)]
pub(crate) struct LiveState {
    newest: watch::Sender<Arc<Live>>,
    office_looks: AtomicBool,
}

impl LiveState {
    /// Replaces the state and wakes the screens that wait for it.
    pub(crate) fn publish(&self, live: Arc<Live>) {
        self.newest.send_replace(live);
    }

    /// The states from now on, beginning with the newest.
    pub(crate) fn subscribe(&self) -> watch::Receiver<Arc<Live>> {
        self.newest.subscribe()
    }

    /// Whether a screen follows.
    pub(crate) fn has_viewers(&self) -> bool {
        self.newest.receiver_count() > 0
    }

    /// The states, for the facility's office, which is said in the cage until this is dropped.
    pub(crate) fn show_office(&self) -> OfficeView<'_> {
        let states = self.subscribe();
        self.tell_office_looks(true);
        OfficeView { of: self, states }
    }

    /// At once: where the camera gives nothing, no newer state comes.
    fn tell_office_looks(&self, looks: bool) {
        self.office_looks.store(looks, Ordering::Relaxed);
        self.newest
            .send_modify(|live| Arc::make_mut(live).office_looks = looks);
    }

    /// Whether somebody at the office looks.
    pub(crate) fn office_looks(&self) -> bool {
        self.office_looks.load(Ordering::Relaxed)
    }
}

/// The office's view of the states; there is one at most.
#[derive(Debug)]
pub(crate) struct OfficeView<'s> {
    of: &'s LiveState,
    // Whoever follows has the figure drawn.
    states: watch::Receiver<Arc<Live>>,
}

impl OfficeView<'_> {
    /// The newest state.
    pub(crate) fn newest(&self) -> Arc<Live> {
        Arc::clone(&self.states.borrow())
    }
}

impl Drop for OfficeView<'_> {
    fn drop(&mut self) {
        self.of.tell_office_looks(false);
    }
}
