//! Whether the camera sees the hitter well, and when the hitter hears about it.
//!
//! In: what each frame shows, in time order, a frame or a second apart. Out: the [`ReadyState`] for the page, and a
//! [`Remark`] now and then. Pure.
//!
//! The rules: a state counts once it has lasted. Each spell of trouble gives one remark, each kind of remark comes at most
//! once a minute, and none while a rep runs or just after it, when its cue is heard. "Ready" comes when the hitter is set
//! after trouble or after a long time out of the box, not before every swing.

use super::cue::CueId;
use crate::rep::Phase;
use crate::text_enum::text_enum;
use crate::time::CaptureTime;

/// How long trouble must last before it counts.
const TROUBLE_SECS: f64 = 1.5;

/// How long the hitter must be set before it counts: short, because the swing may follow at once.
const READY_SECS: f64 = 0.7;

/// Frames further apart than this say nothing about the time between them.
const LONGEST_STEP_SECS: f64 = 2.5;

/// The same remark is not heard twice within this time.
const AGAIN_SECS: f64 = 60.0;

/// After a rep its cue is heard first.
const AFTER_REP_SECS: f64 = 3.0;

/// After this long in view and out of the stance, the next stance is a new start.
const LONG_AWAY_SECS: f64 = 30.0;

/// Dark ends at this multiple of the brightness at which it begins, so that a flickering lamp gives no remarks.
const BRIGHT_AGAIN: f32 = 1.1;

/// What a frame shows of the hitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sighting {
    /// A body was found.
    pub(crate) body: bool,
    /// Both feet are inside the frame, with a margin.
    pub(crate) feet_inside: bool,
    /// Mean brightness of the frame, 0 to 255.
    pub(crate) brightness: f32,
    /// The camera itself moves, or did lately.
    pub(crate) camera_moved: bool,
    /// What the hitter is doing.
    pub(crate) phase: Phase,
}

text_enum! {
    /// Whether the camera has the hitter.
    #[derive(Default)]
    pub(crate) enum ReadyState {
        /// Not watched for long enough.
        #[default]
        Unknown = "looking",
        /// Set, in view and in the light.
        Ready = "ready",
        /// In view and in the light, and not set.
        InView = "in view",
        /// Nobody is found.
        OutOfView = "out of view",
        /// The feet are cut off.
        FeetHidden = "feet hidden",
        /// The frame is too dark for the pose to be trusted.
        TooDark = "too dark",
        /// The camera itself moved.
        CameraMoved = "camera moved",
    }
}

/// What the hitter hears about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Remark {
    /// The camera sees them set.
    Ready,
    /// They have stepped out of view.
    OutOfView,
    /// Their feet are cut off.
    FeetHidden,
    /// It is too dark.
    TooDark,
}

impl Remark {
    /// What is played for it.
    pub(crate) const fn cue(self) -> CueId {
        match self {
            Remark::Ready => CueId::Ready,
            Remark::OutOfView => CueId::NotInView,
            Remark::FeetHidden => CueId::FeetHidden,
            Remark::TooDark => CueId::TooDark,
        }
    }
}

impl ReadyState {
    /// Its text as one word, by which scripts and messages look it up.
    pub(crate) fn key(self) -> String {
        self.as_str().replace(' ', "_")
    }
}

/// The state machine behind [`ReadyState`] and [`Remark`].
#[derive(Clone, Debug)]
pub(crate) struct Readiness {
    dark_below: f32,
    dark: bool,
    state: ReadyState,
    /// What the frames show now, and since when; becomes the state once it has lasted.
    candidate: Option<(ReadyState, CaptureTime)>,
    last_step: Option<CaptureTime>,
    rep_ran_at: Option<CaptureTime>,
    /// Out of the stance since.
    away_since: Option<CaptureTime>,
    /// "Ready" would be news.
    new_start: bool,
    /// Somebody was in view since nobody last was.
    was_in_view: bool,
    /// A remark on this spell that waits for its moment.
    owed: Option<Remark>,
    last_said: [Option<CaptureTime>; 4],
}

impl Readiness {
    /// Nothing seen yet; darker than `dark_below` (mean brightness, 0 to 255) is too dark.
    pub(crate) fn new(dark_below: f32) -> Self {
        Self {
            dark_below,
            dark: false,
            state: ReadyState::Unknown,
            candidate: None,
            last_step: None,
            rep_ran_at: None,
            away_since: None,
            new_start: true,
            was_in_view: false,
            owed: None,
            last_said: [None; 4],
        }
    }

    /// Whether the camera has the hitter.
    pub(crate) const fn state(&self) -> ReadyState {
        self.state
    }

    /// Adds the next frame; gives the remark to make, if any.
    pub(crate) fn step(&mut self, now: CaptureTime, seen: Sighting) -> Option<Remark> {
        let stalled = self
            .last_step
            .is_some_and(|last| !(0.0..=LONGEST_STEP_SECS).contains(&now.secs_since(last)));
        self.last_step = Some(now);
        let shown = self.shown(seen);
        match self.candidate {
            Some((candidate, _)) if candidate == shown && !stalled => {}
            _ => self.candidate = Some((shown, now)),
        }
        if strides(seen.phase) && seen.body {
            self.rep_ran_at = Some(now);
        }
        self.watch_for_a_new_start(now, seen, stalled);
        let needed = match shown {
            ReadyState::Ready => READY_SECS,
            _ => TROUBLE_SECS,
        };
        let (_, since) = self.candidate?;
        if shown != self.state && now.secs_since(since) >= needed {
            self.enter(shown);
        }
        self.say(now, seen)
    }

    /// The state that this frame alone would give. Darkness comes first, because it explains the others.
    fn shown(&mut self, seen: Sighting) -> ReadyState {
        let limit = if self.dark {
            self.dark_below * BRIGHT_AGAIN
        } else {
            self.dark_below
        };
        self.dark = seen.brightness < limit;
        match seen {
            _ if self.dark => ReadyState::TooDark,
            Sighting {
                camera_moved: true, ..
            } => ReadyState::CameraMoved,
            Sighting { body: false, .. } => ReadyState::OutOfView,
            Sighting {
                feet_inside: false, ..
            } => ReadyState::FeetHidden,
            Sighting {
                phase: Phase::Set, ..
            } => ReadyState::Ready,
            // A swing from the stance stays "ready", so that no "in view" follows it.
            Sighting { phase, .. } if runs(phase) && self.state == ReadyState::Ready => {
                ReadyState::Ready
            }
            _ => ReadyState::InView,
        }
    }

    fn watch_for_a_new_start(&mut self, now: CaptureTime, seen: Sighting, stalled: bool) {
        if seen.phase != Phase::Away {
            self.away_since = None;
        } else if self.away_since.is_none() || stalled {
            self.away_since = Some(now);
        }
        let away_secs = self.away_since.map_or(0.0, |since| now.secs_since(since));
        self.new_start |= away_secs >= LONG_AWAY_SECS;
    }

    fn enter(&mut self, state: ReadyState) {
        self.state = state;
        self.owed = match state {
            ReadyState::Ready if self.new_start => Some(Remark::Ready),
            // No remark to an empty cage.
            ReadyState::OutOfView if self.was_in_view => Some(Remark::OutOfView),
            ReadyState::FeetHidden => Some(Remark::FeetHidden),
            ReadyState::TooDark => Some(Remark::TooDark),
            _ => None,
        };
        match state {
            ReadyState::Ready => {
                self.new_start = false;
                self.was_in_view = true;
            }
            ReadyState::InView | ReadyState::FeetHidden => self.was_in_view = true,
            ReadyState::OutOfView => self.was_in_view = false,
            ReadyState::TooDark | ReadyState::CameraMoved | ReadyState::Unknown => {}
        }
        self.new_start |= matches!(
            state,
            ReadyState::OutOfView | ReadyState::FeetHidden | ReadyState::TooDark
        );
    }

    /// The owed remark, if it may be made now. Trouble waits its minute, because it is still there; "ready" is said at
    /// once or not at all. A gather may begin a rep, so nothing is said during one; but swaying in the stance often looks
    /// like a gather, so a remark is held back only while it lasts.
    fn say(&mut self, now: CaptureTime, seen: Sighting) -> Option<Remark> {
        let remark = self.owed?;
        let within = |then: Option<CaptureTime>, secs| {
            then.is_some_and(|then| (0.0..secs).contains(&now.secs_since(then)))
        };
        let too_soon = within(self.last_said[remark as usize], AGAIN_SECS);
        let gathers = seen.body && seen.phase == Phase::Gather;
        if too_soon || gathers || within(self.rep_ran_at, AFTER_REP_SECS) {
            if remark == Remark::Ready {
                self.owed = None;
            }
            return None;
        }
        self.owed = None;
        self.last_said[remark as usize] = Some(now);
        Some(remark)
    }
}

/// Whether a rep runs, or may have begun, in this phase.
const fn runs(phase: Phase) -> bool {
    matches!(phase, Phase::Gather) || strides(phase)
}

/// Whether a rep runs for certain: the front foot is on its way, or was.
const fn strides(phase: Phase) -> bool {
    match phase {
        Phase::Away | Phase::Set | Phase::Gather => false,
        Phase::Stride | Phase::Planted | Phase::Swing | Phase::Finish => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SET: Sighting = Sighting {
        body: true,
        feet_inside: true,
        brightness: 120.0,
        camera_moved: false,
        phase: Phase::Set,
    };
    const ABOUT: Sighting = Sighting {
        phase: Phase::Away,
        ..SET
    };
    const SWING: Sighting = Sighting {
        phase: Phase::Swing,
        ..SET
    };
    const GONE: Sighting = Sighting {
        body: false,
        feet_inside: false,
        ..ABOUT
    };
    const NO_FEET: Sighting = Sighting {
        feet_inside: false,
        ..SET
    };
    const MOVED: Sighting = Sighting {
        camera_moved: true,
        ..SET
    };
    const DARK: Sighting = Sighting {
        brightness: 20.0,
        ..SET
    };

    /// Plays spells of seconds at this frame rate; what is heard, at which second.
    fn heard(fps: f64, spells: &[(Sighting, f64)]) -> Vec<(Remark, f64)> {
        let mut readiness = Readiness::new(40.0);
        let (mut heard, mut frame) = (Vec::new(), 0.0);
        let mut end = 0.0;
        for (seen, secs) in spells {
            end += secs;
            while frame / fps < end {
                let now = CaptureTime::from_secs(frame / fps);
                heard.extend(
                    readiness
                        .step(now, *seen)
                        .map(|remark| (remark, now.secs())),
                );
                frame += 1.0;
            }
        }
        heard
    }

    fn remarks(spells: &[(Sighting, f64)]) -> Vec<Remark> {
        let fast: Vec<Remark> = heard(60.0, spells)
            .iter()
            .map(|(remark, _)| *remark)
            .collect();
        let slow: Vec<Remark> = heard(2.0, spells)
            .iter()
            .map(|(remark, _)| *remark)
            .collect();
        assert_eq!(fast, slow, "the frame rate makes no difference");
        fast
    }

    #[test]
    fn ready_is_heard_at_the_start_and_not_before_each_swing() {
        let mut spells = vec![(GONE, 20.0), (ABOUT, 5.0)];
        for _ in 0..20 {
            spells.extend([(SET, 2.0), (SWING, 2.0), (ABOUT, 8.0)]);
        }
        let found = heard(60.0, &spells);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            found[0].0 == Remark::Ready && (25.5..26.0).contains(&found[0].1),
            "{found:?}"
        );
        assert_eq!(remarks(&spells), [Remark::Ready]);
    }

    #[test]
    fn a_long_break_in_view_makes_ready_news_again() {
        let spells = [
            (SET, 2.0),
            (ABOUT, 70.0),
            (SET, 2.0),
            (ABOUT, 20.0),
            (SET, 2.0),
        ];
        assert_eq!(remarks(&spells), [Remark::Ready, Remark::Ready]);
    }

    #[test]
    fn each_trouble_is_told_once_a_spell_when_it_has_lasted() {
        for (trouble, remark) in [
            (GONE, Remark::OutOfView),
            (NO_FEET, Remark::FeetHidden),
            (DARK, Remark::TooDark),
        ] {
            assert_eq!(
                remarks(&[(SET, 5.0), (trouble, 300.0)]),
                [Remark::Ready, remark]
            );
            assert_eq!(
                remarks(&[(SET, 5.0), (trouble, 1.0), (SET, 5.0)]),
                [Remark::Ready]
            );
            let at = heard(60.0, &[(SET, 5.0), (trouble, 5.0)])[1].1;
            assert!((6.4..6.7).contains(&at), "{remark:?} at {at}");
        }
    }

    #[test]
    fn an_empty_cage_is_told_nothing_but_a_dark_one_is() {
        assert_eq!(remarks(&[(GONE, 600.0)]), []);
        let empty_and_dark = Sighting {
            brightness: 5.0,
            ..GONE
        };
        assert_eq!(remarks(&[(empty_and_dark, 600.0)]), [Remark::TooDark]);
    }

    #[test]
    fn no_kind_is_heard_twice_in_a_minute_however_the_hitter_comes_and_goes() {
        let mut spells = vec![(SET, 3.0)];
        for _ in 0..60 {
            spells.extend([(GONE, 3.0), (SET, 3.0), (NO_FEET, 3.0), (ABOUT, 2.0)]);
        }
        let found = heard(30.0, &spells);
        for kind in [Remark::Ready, Remark::OutOfView, Remark::FeetHidden] {
            let times: Vec<f64> = found
                .iter()
                .filter(|(r, _)| *r == kind)
                .map(|(_, t)| *t)
                .collect();
            assert!((8..=12).contains(&times.len()), "{kind:?}: {times:?}");
            assert!(
                times.windows(2).all(|pair| pair[1] - pair[0] >= 60.0),
                "{kind:?}: {times:?}"
            );
        }
    }

    #[test]
    fn a_camera_that_moved_is_shown_and_nothing_is_said_of_it() {
        let mut readiness = Readiness::new(40.0);
        let said: Vec<Remark> = (0..300)
            .filter_map(|frame| {
                let seen = if frame < 150 { SET } else { MOVED };
                readiness.step(CaptureTime::from_secs(f64::from(frame) / 30.0), seen)
            })
            .collect();
        assert_eq!(readiness.state(), ReadyState::CameraMoved);
        assert_eq!(readiness.state().key(), "camera_moved");
        assert_eq!(said, [Remark::Ready]);
    }

    #[test]
    fn nothing_is_said_while_a_rep_runs_or_just_after_it() {
        let dark_swing = Sighting {
            brightness: 20.0,
            ..SWING
        };
        let found = heard(60.0, &[(SET, 5.0), (dark_swing, 4.0), (DARK, 10.0)]);
        assert_eq!(found[1].0, Remark::TooDark);
        assert!((11.9..12.2).contains(&found[1].1), "{found:?}");
    }

    #[test]
    fn a_sway_in_the_stance_does_not_silence_a_remark_for_long() {
        let gathering = Sighting {
            phase: Phase::Gather,
            ..DARK
        };
        let mut spells = vec![(SET, 5.0)];
        for _ in 0..20 {
            spells.extend([(gathering, 0.4), (DARK, 0.6)]);
        }
        let found = heard(60.0, &spells);
        assert_eq!(found[1].0, Remark::TooDark);
        assert!((6.5..7.6).contains(&found[1].1), "{found:?}");
        // While the gather lasts, nothing is said into it.
        let found = heard(60.0, &[(SET, 5.0), (gathering, 4.0), (DARK, 4.0)]);
        assert!((9.0..9.1).contains(&found[1].1), "{found:?}");
    }

    #[test]
    fn a_flickering_lamp_and_a_stalled_camera_say_nothing() {
        let level = |brightness| Sighting { brightness, ..SET };
        let flicker: Vec<(Sighting, f64)> = (0..200)
            .map(|idx| (level(if idx % 2 == 0 { 39.0 } else { 41.0 }), 0.5))
            .collect();
        let found = heard(60.0, &flicker);
        assert!(found.len() <= 1, "{found:?}");
        // Two frames without the hitter, ten seconds apart, are not ten seconds without the hitter.
        let mut readiness = Readiness::new(40.0);
        let at = CaptureTime::from_secs;
        for step in 0..50 {
            readiness.step(at(0.1 * f64::from(step)), SET);
        }
        assert_eq!(readiness.state(), ReadyState::Ready);
        assert_eq!(readiness.step(at(5.0), GONE), None);
        assert_eq!(readiness.step(at(15.0), GONE), None);
        assert_eq!(readiness.state(), ReadyState::Ready);
        assert_eq!(readiness.step(at(16.6), GONE), Some(Remark::OutOfView));
        assert_eq!(readiness.state().as_str(), "out of view");
    }
}
