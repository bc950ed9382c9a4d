//! The plot of a measure over swings, sessions or months.

use super::plot::{LARGE, Plot, Point};
use super::sessions::plan_label;
use super::trends::{GroupBy, link};
use crate::coach::AbsoluteBand;
use crate::journal::{MeasuredSwing, StoredPlan};
use crate::page::error::PageError;
use crate::page::i18n::Messages;
use crate::rep::MeasureName;
use crate::stats::{median, quantile};

/// Swings in the running median.
const RUNNING: usize = 15;

pub(super) fn draw(
    swings: &[MeasuredSwing],
    groups: &[(String, Vec<&MeasuredSwing>)],
    by: GroupBy,
    measure: MeasureName,
    changes: &[(usize, &StoredPlan)],
    i18n: &Messages,
) -> Result<Option<String>, PageError> {
    let lengths = i18n.lengths();
    let shown = |value| lengths.shown(measure.unit(), value);
    let points: Vec<Point> = groups
        .iter()
        .enumerate()
        .filter_map(|(place, (_, members))| {
            let point = point(place, members, by)?;
            Some(Point {
                link: link(members, by),
                y: shown(point.y),
                range: (shown(point.range.0), shown(point.range.1)),
                ..point
            })
        })
        .collect();
    let median_line: Vec<(f64, f64)> = match by {
        GroupBy::Reps => running_median(swings)
            .into_iter()
            .map(|(x, y)| (x, shown(y)))
            .collect(),
        GroupBy::Sessions | GroupBy::Months => points.iter().map(|p| (p.x, p.y)).collect(),
    };
    // A change lies before the group of the first swing after it.
    let changes: Vec<(f64, String)> = changes
        .iter()
        .filter_map(|(first, plan)| {
            let mut counted = 0;
            let place = groups.iter().position(|(_, members)| {
                counted += members.len();
                counted > *first
            })?;
            Some((place as f64 - 0.5, plan_label(plan, i18n)))
        })
        .collect();
    let label = |x: f64| {
        let place = x.round();
        if place < 0.0 {
            return String::new();
        }
        groups
            .get(place as usize)
            .map(|(words, _)| words.clone())
            .unwrap_or_default()
    };
    Plot {
        points: &points,
        band: swings.last().map_or((None, None), |swing| {
            (swing.band.0.map(shown), swing.band.1.map(shown))
        }),
        median: &median_line,
        changes: &changes,
        unit: lengths.suffix(measure.unit()),
        label: &label,
        size: LARGE,
    }
    .svg()
}

fn point(place: usize, members: &[&MeasuredSwing], by: GroupBy) -> Option<Point> {
    let x = place as f64;
    if by == GroupBy::Reps {
        let swing = members.first()?;
        return Some(Point {
            x,
            y: swing.value,
            range: (
                swing.value - swing.plus_minus,
                swing.value + swing.plus_minus,
            ),
            verdict: swing.verdict,
            link: None,
        });
    }
    let values: Vec<f64> = members.iter().map(|swing| swing.value).collect();
    let y = median(&values)?;
    let (low, high) = members.last()?.band;
    let verdict = (low.is_some() || high.is_some()).then(|| AbsoluteBand { low, high }.judge(y));
    Some(Point {
        x,
        y,
        range: (quantile(&values, 0.25)?, quantile(&values, 0.75)?),
        verdict,
        link: None,
    })
}

/// The median of the last swings, swing by swing.
fn running_median(swings: &[MeasuredSwing]) -> Vec<(f64, f64)> {
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    (RUNNING..=values.len())
        .filter_map(|end| Some(((end - 1) as f64, median(&values[end - RUNNING..end])?)))
        .collect()
}
