//! Filters of second order.
//!
//! In and out: samples. Coefficients after R. Bristow-Johnson's *Cookbook formulae for audio EQ biquad filter coefficients*
//! (published as a W3C Working Group Note, 2021).

use std::f64::consts::PI;

/// One filter with its state, in transposed direct form II.
#[derive(Clone, Copy, Debug)]
pub(super) struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Biquad {
    /// A band about `middle_hz`, 0 dB there; `q` is the middle over the width at -3 dB.
    pub(super) fn band_pass(middle_hz: f64, q: f64, rate_hz: f64) -> Self {
        let w = 2.0 * PI * middle_hz / rate_hz;
        let alpha = w.sin() / (2.0 * q);
        Self::normalized([alpha, 0.0, -alpha], w, alpha)
    }

    /// What lies above `edge_hz`, -3 dB there.
    pub(super) fn high_pass(edge_hz: f64, rate_hz: f64) -> Self {
        let w = 2.0 * PI * edge_hz / rate_hz;
        let alpha = w.sin() * std::f64::consts::FRAC_1_SQRT_2;
        let one = 1.0 + w.cos();
        Self::normalized([0.5 * one, -one, 0.5 * one], w, alpha)
    }

    fn normalized(b: [f64; 3], w: f64, alpha: f64) -> Self {
        let a0 = 1.0 + alpha;
        Self {
            b: b.map(|b| b / a0),
            a: [-2.0 * w.cos() / a0, (1.0 - alpha) / a0],
            state: [0.0; 2],
        }
    }

    /// The next sample.
    pub(super) fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The strength of a filter at a frequency.
    fn gain(mut filter: Biquad, hz: f64) -> f64 {
        let rate = 48_000.0;
        let out: Vec<f64> = (0..24_000)
            .map(|i| filter.step((2.0 * PI * hz * f64::from(i) / rate).sin()))
            .collect();
        let power = out[12_000..].iter().map(|s| s * s).sum::<f64>() / 12_000.0;
        (2.0 * power).sqrt()
    }

    #[test]
    fn edges_and_middles_are_where_they_are_said_to_be() {
        let half = std::f64::consts::FRAC_1_SQRT_2;
        let high = Biquad::high_pass(1000.0, 48_000.0);
        for (hz, wanted) in [(1000.0, half), (8000.0, 1.0), (100.0, 0.01)] {
            assert!((gain(high, hz) - wanted).abs() < 0.01, "{hz}");
        }
        let band = Biquad::band_pass(2000.0, 1.4, 48_000.0);
        assert!((gain(band, 2000.0) - 1.0).abs() < 0.001);
        // The width at -3 dB is the middle over q: edges whose product is the middle squared.
        let edge = 2000.0 * ((1.0 / 2.8_f64).hypot(1.0) + 1.0 / 2.8);
        assert!(
            (gain(band, edge) - half).abs() < 0.02,
            "{}",
            gain(band, edge)
        );
    }
}
