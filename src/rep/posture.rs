//! Whether a body stands upright on its feet.
//!
//! In: signals of a stretch and a sample. Out: yes or no.

use crate::motion::Signals;

/// Shoulders over hips over knees over ankles, each by a fair part of what an upright body shows.
pub(super) fn standing(signals: &Signals, i: usize) -> bool {
    let ankles = 0.5 * (signals.feet.left.ankle.y_cm[i] + signals.feet.right.ankle.y_cm[i]);
    upright(
        [
            ankles,
            signals.knees.y_cm[i],
            signals.hips.y_cm[i],
            signals.shoulders.y_cm[i],
            signals.head.y_cm[i],
        ],
        signals.scale.height_cm,
    )
}

fn upright([ankles, knees, hips, shoulders, head]: [f64; 5], height_cm: f64) -> bool {
    knees - ankles > 0.08 * height_cm
        && hips - knees > 0.04 * height_cm
        && shoulders - hips > 0.13 * height_cm
        && head - shoulders > 0.0
}
