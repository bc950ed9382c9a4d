//! A rep's phases to scale, on a time axis that all reps of a session share.
//!
//! In: a rep's events. Out: spans in percent of the axis, for a drawing. The axis is zero at plant or at contact.

use crate::rep::{Events, Phase};
use crate::time::CaptureTime;

/// The event at which the timelines are aligned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Align {
    /// The front heel is down.
    #[default]
    Plant,
    /// The bat meets the ball.
    Contact,
}

impl Align {
    /// From a URL's query.
    pub(super) fn from_query(value: Option<&str>) -> Self {
        match value {
            Some("contact") => Self::Contact,
            _ => Self::Plant,
        }
    }

    /// As it stands in URLs.
    pub(super) const fn name(self) -> &'static str {
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

/// A phase on the axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PhaseSpan {
    pub(super) phase: Phase,
    /// Where it begins, percent of the axis.
    pub(super) start_pct: f64,
    /// Percent of the axis.
    pub(super) width_pct: f64,
    pub(super) duration_ms: f64,
}

/// The axis: seconds before and after zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Axis {
    /// Not above zero.
    pub(super) start_secs: f64,
    pub(super) end_secs: f64,
}

/// On a longer axis the swing would be too small to see; what lies outside is cut.
const MAX_SECS_BEFORE: f64 = 2.5;
const MAX_SECS_AFTER: f64 = 1.5;

impl Axis {
    /// The axis that holds these reps.
    pub(super) fn over<'a>(reps: impl Iterator<Item = &'a Events>, align: Align) -> Self {
        let (mut from, mut to) = (-0.5_f64, 0.5_f64);
        for events in reps {
            let Some(zero) = align.zero(events) else {
                continue;
            };
            for (_, at) in boundaries(events) {
                let secs = at.secs_since(zero);
                from = from.min(secs);
                to = to.max(secs);
            }
        }
        // To whole tenths, so that the marks stand on round numbers.
        Self {
            start_secs: (from.max(-MAX_SECS_BEFORE) * 10.0 + 1e-6).floor() / 10.0,
            end_secs: (to.min(MAX_SECS_AFTER) * 10.0 - 1e-6).ceil() / 10.0,
        }
    }

    /// A time's position in percent of the axis, clamped to its ends.
    pub(super) fn position_pct(&self, secs: f64) -> f64 {
        (100.0 * (secs - self.start_secs) / (self.end_secs - self.start_secs)).clamp(0.0, 100.0)
    }

    /// A tick each half second: its position in percent, and its label.
    pub(super) fn ticks(&self) -> Vec<(f64, String)> {
        let first = (self.start_secs * 2.0).ceil() as i32;
        let last = (self.end_secs * 2.0).floor() as i32;
        (first..=last)
            .map(|half| {
                let secs = f64::from(half) / 2.0;
                (
                    self.position_pct(secs),
                    format!("{secs:+.1}").replace("+0.0", "0"),
                )
            })
            .collect()
    }
}

/// The events that bound phases, in their order, where they were seen; each with the phase that begins there.
fn boundaries(events: &Events) -> Vec<(Phase, CaptureTime)> {
    [
        (Phase::Set, events.gather.and(events.set)),
        (Phase::Gather, events.gather),
        (Phase::Stride, events.lift_off),
        (Phase::Planted, events.plant),
        (Phase::Finish, events.contact),
        (Phase::Away, events.finish),
    ]
    .into_iter()
    .filter_map(|(phase, at)| Some((phase, at?)))
    .collect()
}

/// A rep's phases on the axis. A long stance before the gather is cut: it may last minutes.
pub(super) fn phase_spans(events: &Events, align: Align, axis: &Axis) -> Vec<PhaseSpan> {
    let Some(zero) = align.zero(events) else {
        return Vec::new();
    };
    boundaries(events)
        .windows(2)
        .filter_map(|pair| {
            let [(phase, begin), (_, end)] = pair else {
                return None;
            };
            let (from, to) = (begin.secs_since(zero), end.secs_since(zero));
            let (left, right) = (axis.position_pct(from), axis.position_pct(to));
            (right > left).then_some(PhaseSpan {
                phase: *phase,
                start_pct: left,
                width_pct: right - left,
                duration_ms: 1e3 * (to - from),
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
        assert_eq!((axis.start_secs, axis.end_secs), (-1.2, 0.7));
        let spans = phase_spans(&swing, Align::Plant, &axis);
        let phases: Vec<Phase> = spans.iter().map(|span| span.phase).collect();
        let all = [
            Phase::Set,
            Phase::Gather,
            Phase::Stride,
            Phase::Planted,
            Phase::Finish,
        ];
        assert_eq!(phases, all);
        let planted = &spans[3];
        assert!((planted.duration_ms - 200.0).abs() < 1e-6);
        assert!((planted.start_pct - 100.0 * 1.2 / 1.9).abs() < 1e-6);
        assert!((planted.width_pct - 100.0 * 0.2 / 1.9).abs() < 1e-6);
        assert_eq!(axis.ticks()[0].1, "-1.0");
        let contact = Axis::over([&swing].into_iter(), Align::Contact);
        assert_eq!((contact.start_secs, contact.end_secs), (-1.4, 0.5));
    }

    #[test]
    fn what_was_not_seen_leaves_no_part_and_a_long_stance_is_cut() {
        let take = events([Some(0.0), Some(60.0), Some(60.3), Some(60.8), None, None]);
        let axis = Axis::over([&take].into_iter(), Align::Contact);
        assert!(axis.start_secs >= -MAX_SECS_BEFORE);
        let found = phase_spans(&take, Align::Contact, &axis);
        assert_eq!(found.len(), 3);
        assert!(
            found
                .iter()
                .all(|p| p.start_pct >= 0.0 && p.start_pct + p.width_pct <= 100.0 + 1e-9)
        );
        assert!(phase_spans(&events([None; 6]), Align::Plant, &axis).is_empty());
    }
}
