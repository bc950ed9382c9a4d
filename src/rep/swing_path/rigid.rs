//! A bat of known length that turns about the hands, fitted to where single frames show its tip.
//!
//! In: [`TipReading`]s, the course of the grip, a [`Start`]. Out: a [`RigidFit`], which tells any number about the bat with its
//! spread. The bat is a unit vector that a smooth angular velocity turns; the pinhole camera's equation says where its tip shows.
//! Lengths in centimeters, x toward the pitcher's side of the picture, y up, z toward the camera.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, UnitVector3, Vector2, Vector3};

/// The angular velocity runs straight between knots this far apart, seconds.
const KNOT_SECS: f64 = 0.02;
/// Steps of the turn between two knots.
const STEPS: usize = 4;
/// By how much the angular velocity changes from knot to knot, and by how much that change changes, one standard deviation,
/// radians a second. A swing that reaches 2250 degrees a second within a tenth of a second has 10 and 7 at most.
const CHANGE: f64 = 14.0;
const CHANGE_OF_CHANGE: f64 = 12.0;
/// How fast a bat spins about its own axis, which no picture shows, and how fast it turns at all, radians a second.
const SPIN: f64 = 3.0;
const FASTEST: f64 = 60.0;
/// A tip is read to this and to what it moves in so much time, which stands for the smear; centimeters, seconds.
const TIP_CM: f64 = 2.5;
const SMEAR_SECS: f64 = 0.002;
/// Readings farther off than this many of their spreads lose their weight.
const GROSS: f64 = 2.0;
const ITERATIONS: usize = 40;

/// Where one frame shows the tip.
#[derive(Clone, Copy, Debug)]
pub(super) struct TipReading {
    /// Since the window began.
    pub secs: f64,
    /// In the picture, from the point that the camera is aimed at.
    pub tip: Vector2<f64>,
    /// Where the bat is held.
    pub grip: GripPlace,
    /// Probability that it is the bat.
    pub probability: f64,
}

/// How the hitter stands before the camera.
#[derive(Clone, Copy, Debug)]
pub(super) struct Camera {
    /// To the hitter, as far as is known, and the spread of its logarithm.
    pub away_cm: f64,
    pub away_spread: f64,
}

impl Camera {
    /// Where a camera that stands `away` times as far as is known shows the bat's end that is `out` from the grip.
    pub(super) fn shows(&self, away: f64, grip: &GripPlace, out: Vector3<f64>) -> Vector2<f64> {
        let away_cm = away * self.away_cm;
        let hands_away = away_cm - grip.nearer_cm;
        let larger = hands_away / (hands_away - out.z).max(0.2 * away_cm);
        (grip.shown + out.xy() * (away_cm / hands_away)) * larger
    }

    /// Where something `out` from the grip is: from the aim, centimeters.
    pub(super) fn place(&self, away: f64, grip: &GripPlace, out: Vector3<f64>) -> Vector3<f64> {
        let hands = grip.shown * self.hands_scale(away, grip);
        Vector3::new(hands.x, hands.y, grip.nearer_cm) + out
    }

    /// What a length in the picture is at the hands.
    pub(super) fn hands_scale(&self, away: f64, grip: &GripPlace) -> f64 {
        let away_cm = away * self.away_cm;
        (away_cm - grip.nearer_cm) / away_cm
    }
}

/// Where the middle of the grip is.
#[derive(Clone, Copy, Debug)]
pub(super) struct GripPlace {
    /// In the picture, from the point that the camera is aimed at.
    pub shown: Vector2<f64>,
    /// How much nearer to the camera than the hitter, centimeters.
    pub nearer_cm: f64,
}

/// What a fit begins with: the bat's direction at the window's start and its angular velocity over time.
pub(super) struct Start {
    pub direction: Vector3<f64>,
    pub turning: Box<dyn Fn(f64) -> Vector3<f64>>,
}

/// What is fitted.
#[derive(Clone, Debug)]
pub(super) struct Motion {
    /// The direction at the start, before the two small turns of the parameters.
    base: Vector3<f64>,
    /// Two small turns of it, the logarithms of the length and of the camera's distance against what is known, the angular
    /// velocity at each knot.
    params: DVector<f64>,
    /// Directions at every step, and the angular velocity between this one and the next.
    steps: Vec<(Vector3<f64>, Vector3<f64>)>,
}

const FIXED: usize = 4;
const STEP_SECS: f64 = KNOT_SECS / STEPS as f64;

impl Motion {
    fn new(base: Vector3<f64>, params: DVector<f64>) -> Self {
        let mut motion = Self {
            base,
            params,
            steps: Vec::new(),
        };
        motion.turn();
        motion
    }

    fn knots(&self) -> usize {
        (self.params.len() - FIXED) / 3
    }

    fn knot(&self, k: usize) -> Vector3<f64> {
        self.params.fixed_rows::<3>(FIXED + 3 * k).into_owned()
    }

    fn turn(&mut self) {
        let helper = match self.base.x.abs() < 0.7 {
            true => Vector3::x(),
            false => Vector3::y(),
        };
        let first = self.base.cross(&helper).normalize();
        let second = self.base.cross(&first);
        let mut u = (self.base + self.params[0] * first + self.params[1] * second).normalize();
        self.steps.clear();
        for k in 0..self.knots() - 1 {
            let (from, to) = (self.knot(k), self.knot(k + 1));
            for step in 0..STEPS {
                let share = (step as f64 + 0.5) / STEPS as f64;
                let turning = from.lerp(&to, share);
                self.steps.push((u, turning));
                u = turned(u, turning, STEP_SECS);
            }
        }
    }

    /// The last moment that is fitted, seconds.
    pub(super) fn last_secs(&self) -> f64 {
        (self.knots() - 1) as f64 * KNOT_SECS
    }

    /// From the grip's middle to the tip, centimeters.
    pub(super) fn length_cm(&self) -> f64 {
        self.params[2].exp()
    }

    /// How far the camera stands against what is known.
    pub(super) fn away(&self) -> f64 {
        self.params[3].exp()
    }

    /// The bat's direction and angular velocity.
    pub(super) fn at(&self, secs: f64) -> (Vector3<f64>, Vector3<f64>) {
        let i = (secs / STEP_SECS)
            .floor()
            .clamp(0.0, (self.steps.len() - 1) as f64) as usize;
        let (u, turning) = self.steps[i];
        let knot = (secs / KNOT_SECS).clamp(0.0, (self.knots() - 1) as f64);
        let k = (knot.floor() as usize).min(self.knots() - 2);
        let now = self.knot(k).lerp(&self.knot(k + 1), knot - k as f64);
        (turned(u, turning, secs - i as f64 * STEP_SECS), now)
    }
}

fn turned(u: Vector3<f64>, turning: Vector3<f64>, secs: f64) -> Vector3<f64> {
    match UnitVector3::try_new_and_get(turning, 1e-9) {
        Some((axis, speed)) => nalgebra::Rotation3::from_axis_angle(&axis, speed * secs) * u,
        None => u,
    }
}

/// A fitted motion and how surely its parameters are known.
pub(super) struct RigidFit {
    pub motion: Motion,
    /// Each reading's distance from the fit, in its own spreads.
    pub off: Vec<f64>,
    cost: f64,
    normal: Cholesky<f64, Dyn>,
    /// What the readings are farther off than they should be.
    wider: f64,
}

impl RigidFit {
    /// The best fit from any of the starts; `None` where none converges.
    pub(super) fn new(
        readings: &[TipReading],
        camera: &Camera,
        secs: f64,
        length: (f64, f64),
        starts: &[Start],
    ) -> Option<Self> {
        let problem = Problem {
            readings,
            camera,
            length,
        };
        starts
            .iter()
            .filter_map(|start| problem.solve(secs, start))
            .min_by(|a, b| a.cost.total_cmp(&b.cost))
    }

    /// A number that the motion gives, and its standard deviation.
    pub(super) fn tell(&self, number: impl Fn(&Motion) -> f64) -> (f64, f64) {
        let [told] = self.tell_all(|motion| [number(motion)]);
        told
    }

    /// Numbers that the motion gives, each with its standard deviation.
    pub(super) fn tell_all<const N: usize>(
        &self,
        numbers: impl Fn(&Motion) -> [f64; N],
    ) -> [(f64, f64); N] {
        let values = numbers(&self.motion);
        let mut gradients = [(); N].map(|()| DVector::zeros(self.motion.params.len()));
        for p in 0..self.motion.params.len() {
            let (step, moved) = nudged(&self.motion, p);
            let moved = numbers(&moved);
            for (k, gradient) in gradients.iter_mut().enumerate() {
                gradient[p] = (moved[k] - values[k]) / step;
            }
        }
        std::array::from_fn(|k| {
            let variance = gradients[k].dot(&self.normal.solve(&gradients[k]));
            (values[k], self.wider * variance.max(0.0).sqrt())
        })
    }
}

fn nudged(motion: &Motion, param: usize) -> (f64, Motion) {
    let step = if param < FIXED { 1e-5 } else { 1e-3 };
    let mut params = motion.params.clone();
    params[param] += step;
    (step, Motion::new(motion.base, params))
}

struct Problem<'a> {
    readings: &'a [TipReading],
    camera: &'a Camera,
    /// Length and the spread of its logarithm.
    length: (f64, f64),
}

impl Problem<'_> {
    fn solve(&self, secs: f64, start: &Start) -> Option<RigidFit> {
        let knots = (secs / KNOT_SECS).ceil() as usize + 1;
        let mut params = DVector::zeros(FIXED + 3 * knots);
        params[2] = self.length.0.ln();
        for k in 0..knots {
            let turning = (start.turning)(k as f64 * KNOT_SECS);
            params
                .fixed_rows_mut::<3>(FIXED + 3 * k)
                .copy_from(&turning);
        }
        let mut motion = Motion::new(start.direction.normalize(), params);
        let mut weights = self.weights(&motion);
        let mut damping = 1e-3;
        for _ in 0..ITERATIONS {
            let (residuals, jacobian) = self.linearized(&motion, &weights);
            let cost = residuals.norm_squared();
            let gradient = jacobian.tr_mul(&residuals);
            let mut normal = jacobian.tr_mul(&jacobian);
            for i in 0..normal.nrows() {
                normal[(i, i)] *= 1.0 + damping;
            }
            let step = normal.cholesky()?.solve(&gradient);
            let moved = Motion::new(motion.base, &motion.params - &step);
            let now = self.residuals(&moved, &weights).norm_squared();
            if now < cost {
                motion = moved;
                damping = (damping * 0.3).max(1e-7);
                let settled = cost - now < 1e-4 * cost;
                let before = weights;
                weights = self.weights(&motion);
                let same = weights
                    .iter()
                    .zip(&before)
                    .all(|(a, b)| (a - b).abs() < 0.02);
                if settled && same {
                    break;
                }
            } else {
                damping *= 6.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        self.finished(motion)
    }

    fn finished(&self, motion: Motion) -> Option<RigidFit> {
        let weights = self.weights(&motion);
        let (residuals, jacobian) = self.linearized(&motion, &weights);
        let normal = jacobian.tr_mul(&jacobian).cholesky()?;
        let off = self.off(&motion);
        let robust: f64 = off.iter().map(|off| (off / GROSS).powi(2).ln_1p()).sum();
        let priors = residuals
            .rows_range(2 * self.readings.len()..)
            .norm_squared();
        let kept: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().zip(&off).map(|(w, off)| w * off * off).sum();
        // Two numbers a reading.
        let wider = (squares / (2.0 * kept).max(1.0)).sqrt().max(1.0);
        Some(RigidFit {
            motion,
            cost: GROSS * GROSS * robust + priors,
            off,
            normal,
            wider,
        })
    }

    /// How far each reading is off, in its spreads.
    fn off(&self, motion: &Motion) -> Vec<f64> {
        let each = self.readings.iter();
        each.map(|reading| self.miss(motion, reading).norm())
            .collect()
    }

    fn miss(&self, motion: &Motion, reading: &TipReading) -> Vector2<f64> {
        let (u, turning) = motion.at(reading.secs);
        let length = motion.length_cm();
        let moves = length * turning.cross(&u).norm() * SMEAR_SECS;
        (self.camera.shows(motion.away(), &reading.grip, length * u) - reading.tip)
            / TIP_CM.hypot(moves)
    }

    fn weights(&self, motion: &Motion) -> Vec<f64> {
        let off = self.off(motion);
        let each = self.readings.iter().zip(&off);
        each.map(|(reading, off)| reading.probability / (1.0 + (off / GROSS).powi(2)))
            .collect()
    }

    fn residuals(&self, motion: &Motion, weights: &[f64]) -> DVector<f64> {
        let knots = motion.knots();
        let mut out = Vec::with_capacity(2 * self.readings.len() + 10 * knots);
        for (reading, weight) in self.readings.iter().zip(weights) {
            let miss = weight.sqrt() * self.miss(motion, reading);
            out.extend([miss.x, miss.y]);
        }
        out.push((motion.params[2] - self.length.0.ln()) / self.length.1);
        out.push(motion.params[3] / self.camera.away_spread);
        for k in 0..knots {
            let now = motion.knot(k);
            let (u, _) = motion.at(k as f64 * KNOT_SECS);
            out.extend((now / FASTEST).iter());
            out.push(now.dot(&u) / SPIN);
            if k + 1 < knots {
                let change = motion.knot(k + 1) - now;
                out.extend((change / CHANGE).iter());
                if k > 0 {
                    let bend = change - (now - motion.knot(k - 1));
                    out.extend((bend / CHANGE_OF_CHANGE).iter());
                }
            }
        }
        DVector::from_vec(out)
    }

    fn linearized(&self, motion: &Motion, weights: &[f64]) -> (DVector<f64>, DMatrix<f64>) {
        let residuals = self.residuals(motion, weights);
        let mut jacobian = DMatrix::zeros(residuals.len(), motion.params.len());
        for p in 0..motion.params.len() {
            let (step, moved) = nudged(motion, p);
            let column = (self.residuals(&moved, weights) - &residuals) / step;
            jacobian.set_column(p, &column);
        }
        (residuals, jacobian)
    }
}
