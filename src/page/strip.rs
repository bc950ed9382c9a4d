//! A rep as a strip: its phases to scale on a time axis that all reps of a session share.
//!
//! In: a rep's events. Out: parts in per cent of the axis, for a drawing. The axis is the same for every strip of a page and is
//! zero at plant or at contact.

use crate::rep::Events;
use crate::time::CaptureTime;

/// What the strips are laid over each other by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Align {
    /// The front heel is down.
    #[default]
    Plant,
    /// The bat meets the ball.
    Contact,
}

impl Align {
    /// From an address.
    pub(super) fn from_word(word: Option<&str>) -> Self {
        match word {
            Some("contact") => Self::Contact,
            _ => Self::Plant,
        }
    }

    /// The word for addresses and styles.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Plant => "plant",
            Self::Contact => "contact",
        }
    }

    fn zero(self, events: &Events) -> Option<CaptureTime> {
        match self {
            Self::Plant => events.plant,
            // A take has no contact; it is shown by its plant all the same.
            Self::Contact => events.contact.or(events.plant),
        }
    }
}

/// A phase of a strip.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Part {
    /// The phase's word.
    pub(super) phase: &'static str,
    /// Where it begins, per cent of the axis.
    pub(super) from: f64,
    /// How long it is, per cent of the axis.
    pub(super) width: f64,
    /// How long it is, milliseconds.
    pub(super) ms: f64,
}

/// The axis: seconds before and after zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Axis {
    /// Where it begins, seconds; not above zero.
    pub(super) from: f64,
    /// Where it ends, seconds.
    pub(super) to: f64,
}

/// Axes longer than this hide the swing; what lies outside is cut.
const LONGEST_BEFORE: f64 = 2.5;
const LONGEST_AFTER: f64 = 1.5;

impl Axis {
    /// The axis that holds these reps.
    pub(super) fn over<'a>(reps: impl Iterator<Item = &'a Events>, align: Align) -> Self {
        let (mut from, mut to) = (-0.5_f64, 0.5_f64);
        for events in reps {
            let Some(zero) = align.zero(events) else {
                continue;
            };
            for (_, at) in steps(events) {
                let secs = at.secs_since(zero);
                from = from.min(secs);
                to = to.max(secs);
            }
        }
        // To whole tenths, so that the marks stand on round numbers.
        Self {
            from: (from.max(-LONGEST_BEFORE) * 10.0 + 1e-6).floor() / 10.0,
            to: (to.min(LONGEST_AFTER) * 10.0 - 1e-6).ceil() / 10.0,
        }
    }

    /// Where a moment lies, per cent; cut at the ends.
    pub(super) fn place(&self, secs: f64) -> f64 {
        (100.0 * (secs - self.from) / (self.to - self.from)).clamp(0.0, 100.0)
    }

    /// Marks each half second: place in per cent, and the words.
    pub(super) fn marks(&self) -> Vec<(f64, String)> {
        let first = (self.from * 2.0).ceil() as i32;
        let last = (self.to * 2.0).floor() as i32;
        (first..=last)
            .map(|half| {
                let secs = f64::from(half) / 2.0;
                (self.place(secs), format!("{secs:+.1}").replace("+0.0", "0"))
            })
            .collect()
    }
}

/// The events that bound phases, in their order, where they were seen; each with the phase that begins there.
fn steps(events: &Events) -> Vec<(&'static str, CaptureTime)> {
    [
        ("set", events.gather.and(events.set)),
        ("gather", events.gather),
        ("stride", events.lift_off),
        ("planted", events.plant),
        ("finish", events.contact),
        ("end", events.finish),
    ]
    .into_iter()
    .filter_map(|(phase, at)| Some((phase, at?)))
    .collect()
}

/// The parts of a rep's strip. What it was before the gather is left out where it is long: the stance may last minutes.
pub(super) fn parts(events: &Events, align: Align, axis: &Axis) -> Vec<Part> {
    let Some(zero) = align.zero(events) else {
        return Vec::new();
    };
    let steps = steps(events);
    steps
        .windows(2)
        .filter_map(|pair| {
            let [(phase, begin), (_, end)] = pair else {
                return None;
            };
            let (from, to) = (begin.secs_since(zero), end.secs_since(zero));
            let (left, right) = (axis.place(from), axis.place(to));
            (right > left).then_some(Part {
                phase,
                from: left,
                width: right - left,
                ms: 1e3 * (to - from),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn events(times: [Option<f64>; 6]) -> Events {
        let at = |secs: Option<f64>| secs.map(CaptureTime::from_secs);
        let [set, gather, lift_off, plant, contact, finish] = times.map(at);
        Events {
            set,
            gather,
            lift_off,
            plant,
            heel_rise: None,
            contact,
            finish,
        }
    }

    #[test]
    fn phases_are_to_scale_and_zero_is_where_it_was_asked_for() {
        let swing = events([
            Some(10.0),
            Some(10.5),
            Some(10.8),
            Some(11.2),
            Some(11.4),
            Some(11.9),
        ]);
        let axis = Axis::over([&swing].into_iter(), Align::Plant);
        assert_eq!((axis.from, axis.to), (-1.2, 0.7));
        let parts = parts(&swing, Align::Plant, &axis);
        let words: Vec<&str> = parts.iter().map(|part| part.phase).collect();
        assert_eq!(words, ["set", "gather", "stride", "planted", "finish"]);
        let planted = &parts[3];
        assert!((planted.ms - 200.0).abs() < 1e-6);
        assert!((planted.from - 100.0 * 1.2 / 1.9).abs() < 1e-6);
        assert!((planted.width - 100.0 * 0.2 / 1.9).abs() < 1e-6);
        assert_eq!(axis.marks()[0].1, "-1.0");
        let contact = Axis::over([&swing].into_iter(), Align::Contact);
        assert_eq!((contact.from, contact.to), (-1.4, 0.5));
    }

    #[test]
    fn what_was_not_seen_leaves_no_part_and_a_long_stance_is_cut() {
        let take = events([Some(0.0), Some(60.0), Some(60.3), Some(60.8), None, None]);
        let axis = Axis::over([&take].into_iter(), Align::Contact);
        assert!(axis.from >= -LONGEST_BEFORE);
        let found = parts(&take, Align::Contact, &axis);
        assert_eq!(found.len(), 3);
        assert!(
            found
                .iter()
                .all(|p| p.from >= 0.0 && p.from + p.width <= 100.0 + 1e-9)
        );
        assert!(parts(&events([None; 6]), Align::Plant, &axis).is_empty());
    }
}
