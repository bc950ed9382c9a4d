//! Where a movement ends or begins, to a fraction of a sample, by fitting a curve that rests on one side.

use nalgebra::{Matrix4, Vector4};

use super::estimates::EventEstimate;

/// Terms of the model: a constant, two powers on the moving side, a slow line on the resting side.
const TERMS: usize = 4;

/// How the movement leaves the rest or runs into it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Onset {
    /// With speed left, as a heel meets the ground.
    Abrupt,
    /// With the speed running out, as a body starts to lean.
    Smooth,
}

/// The change point is tried at every so many samples.
const STEP: f64 = 0.25;

/// Finds the fractional sample index in `from..=to` where `signals` come to rest.
///
/// Each signal is taken over `from - before ..= to + after` and modeled by a curve that runs into a line at the change
/// point `x`: `c + p (x - i) + q (x - i)^2` before it (for a smooth onset the square and the cube instead), `c + r (i - x)` after it. The line need
/// not be level: a planted foot is drawn on slowly as the hips open. All signals share `x`; each has its own `c`, `p`,
/// `q`, `r`. `None` where there is too little signal.
pub(super) fn comes_to_rest(
    signals: &[&[f64]],
    from: usize,
    to: usize,
    before: usize,
    after: usize,
    onset: Onset,
) -> Option<EventEstimate> {
    let len = signals.first()?.len();
    let start = from.saturating_sub(before);
    let end = (to + after).min(len.checked_sub(1)?);
    if to < from || end < start + 5 {
        return None;
    }
    let steps = ((to - from) as f64 / STEP) as usize;
    let errors: Vec<f64> = (0..=steps)
        .map(|k| {
            let change = from as f64 + k as f64 * STEP;
            signals
                .iter()
                .map(|s| rest_error(&s[start..=end], change - start as f64, onset))
                .sum()
        })
        .collect();
    let best = (0..errors.len()).min_by(|&a, &b| errors[a].total_cmp(&errors[b]))?;
    let count = (signals.len() * (end - start + 1)) as f64;
    let noise = errors[best] / (count - (TERMS * signals.len()) as f64 - 1.0).max(1.0);
    // Four times the noise variance above the least error marks two standard deviations.
    let limit = errors[best] + 4.0 * noise;
    let wide = |mut k: usize, step: isize| {
        while let Some(next) = k.checked_add_signed(step).filter(|&n| n < errors.len()) {
            if errors[next] > limit {
                break;
            }
            k = next;
        }
        k
    };
    let width = (wide(best, 1) - wide(best, -1)) as f64 * STEP;
    Some(EventEstimate {
        sample: from as f64 + best as f64 * STEP,
        sigma: (width / 4.0).max(STEP / 2.0),
    })
}

/// The mirror image of [`comes_to_rest`]: where signals that rested begin to move.
pub(super) fn starts_to_move(
    signals: &[&[f64]],
    from: usize,
    to: usize,
    before: usize,
    after: usize,
    onset: Onset,
) -> Option<EventEstimate> {
    let last = signals.first()?.len().checked_sub(1)?;
    let mirrored: Vec<Vec<f64>> = signals
        .iter()
        .map(|s| s.iter().rev().copied().collect())
        .collect();
    let views: Vec<&[f64]> = mirrored.iter().map(Vec::as_slice).collect();
    let estimate = comes_to_rest(
        &views,
        last.checked_sub(to)?,
        last.checked_sub(from)?,
        after,
        before,
        onset,
    )?;
    Some(EventEstimate {
        sample: last as f64 - estimate.sample,
        ..estimate
    })
}

/// Least squared error of one signal for a given change point.
fn rest_error(signal: &[f64], change: f64, onset: Onset) -> f64 {
    let basis = |i: usize| {
        let away = change - i as f64;
        let u = away.max(0.0);
        let rest = (-away).max(0.0);
        match onset {
            Onset::Abrupt => Vector4::new(1.0, u, u * u, rest),
            Onset::Smooth => Vector4::new(1.0, u * u, u * u * u, rest),
        }
    };
    // The ridge is far below any real signal; it only keeps a term without samples from blowing up.
    let mut normal = Matrix4::identity() * 1e-9;
    let mut right = Vector4::zeros();
    for (i, y) in signal.iter().enumerate() {
        let f = basis(i);
        normal += f * f.transpose();
        right += f * *y;
    }
    let Some(factors) = normal.cholesky().map(|c| c.solve(&right)) else {
        return f64::INFINITY;
    };
    signal
        .iter()
        .enumerate()
        .map(|(i, y)| (y - basis(i).dot(&factors)).powi(2))
        .sum()
}

/// Fractional sample index of the highest point near `i`, by the parabola through it and its neighbors.
pub(super) fn peak_sample(signal: &[f64], i: usize) -> f64 {
    if i == 0 || i + 1 >= signal.len() {
        return i as f64;
    }
    let (a, b, c) = (signal[i - 1], signal[i], signal[i + 1]);
    let curve = a - 2.0 * b + c;
    if curve >= -1e-12 {
        i as f64
    } else {
        i as f64 + (0.5 * (a - c) / curve).clamp(-0.5, 0.5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_landing_is_found_between_two_frames() {
        // A foot that comes down along a parabola and stands from frame 20.4 on.
        let y: Vec<f64> = (0..40)
            .map(|i| (20.4 - f64::from(i)).max(0.0).powi(2) * 0.3 + 7.0)
            .collect();
        let estimate = comes_to_rest(&[&y], 12, 28, 8, 6, Onset::Smooth).unwrap();
        assert!((estimate.sample - 20.4).abs() <= STEP, "{estimate:?}");
    }

    #[test]
    fn a_start_is_the_mirror_of_a_landing() {
        let y: Vec<f64> = (0..40)
            .map(|i| (f64::from(i) - 13.6).max(0.0) * 2.0)
            .collect();
        let estimate = starts_to_move(&[&y], 8, 22, 8, 8, Onset::Abrupt).unwrap();
        assert!((estimate.sample - 13.6).abs() <= STEP, "{estimate:?}");
    }

    #[test]
    fn too_little_signal_gives_no_answer() {
        assert_eq!(
            comes_to_rest(&[&[1.0, 2.0]], 0, 1, 0, 0, Onset::Abrupt),
            None
        );
        assert_eq!(comes_to_rest(&[], 0, 1, 0, 0, Onset::Abrupt), None);
    }

    #[test]
    fn a_peak_between_samples_is_interpolated() {
        let y: Vec<f64> = (0..9).map(|i| -(f64::from(i) - 4.3f64).powi(2)).collect();
        assert!((peak_sample(&y, 4) - 4.3).abs() < 1e-9);
    }
}
