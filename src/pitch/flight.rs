//! How a pitched ball flies: a point mass under drag and gravity, in the vertical plane through hand and plate.
//!
//! In: a [`Throw`] and the [`Air`]. Out: a [`Flight`]. The ball is aimed so that it crosses the plate's front at a
//! given height. Spin is left out: it bends the path by a foot or two and hardly alters the time, which is
//! all that is heard.

use nalgebra::Vector4;

use super::air::Air;

const METERS_PER_INCH: f64 = 0.0254;
const KG_PER_OUNCE: f64 = 0.028_349_523_125;
const M_S_PER_MPH: f64 = 0.447_04;
const GRAVITY_M_S2: f64 = 9.806_65;
/// Step of the integration: halving it moves the arrival by less than a microsecond.
const STEP_SECS: f64 = 0.002;
/// A ball that flies longer than this is no pitch.
const LONGEST_SECS: f64 = 3.0;
/// A pitch leaves the hand within this angle of horizontal, degrees.
const STEEPEST_DEG: f64 = 30.0;
/// Bisections of the launch angle: from sixty degrees to less than a millionth of a degree.
const HALVINGS: usize = 40;

/// A speed.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Speed {
    m_s: f64,
}

impl Speed {
    /// From meters per second.
    pub const fn from_m_s(m_s: f64) -> Self {
        Self { m_s }
    }

    /// From kilometers per hour.
    pub const fn from_km_h(km_h: f64) -> Self {
        Self { m_s: km_h / 3.6 }
    }

    /// From miles per hour.
    pub const fn from_mph(mph: f64) -> Self {
        Self {
            m_s: mph * M_S_PER_MPH,
        }
    }

    /// Meters per second.
    pub const fn m_s(self) -> f64 {
        self.m_s
    }

    /// Kilometers per hour.
    pub(crate) const fn km_h(self) -> f64 {
        3.6 * self.m_s
    }

    /// Miles per hour.
    pub const fn mph(self) -> f64 {
        self.m_s / M_S_PER_MPH
    }
}

/// The properties of a ball that matter to its flight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ball {
    /// Kilograms.
    pub mass_kg: f64,
    /// Meters.
    pub circumference_m: f64,
    /// Drag coefficient, for the cross-sectional area.
    pub drag: f64,
}

impl Ball {
    /// The middle of the rule for every age: 5 to 5 1/4 oz, 9 to 9 1/4 in around.
    ///
    /// The drag coefficient is about 0.33 and nearly constant from 70 to 100 mph (A. Nathan and D. Young, and D.
    /// Kagan and A. Nathan, Phys. Teach. 52:278, 2014); measured balls lie between 0.30 and 0.40, which is 2 % in
    /// time.
    pub const BASEBALL: Self = Self {
        mass_kg: 5.125 * KG_PER_OUNCE,
        circumference_m: 9.125 * METERS_PER_INCH,
        drag: 0.33,
    };

    /// The middle of the rule for the 12-inch ball: 6 1/4 to 7 oz, 11 7/8 to 12 1/8 in around (Amateur Softball
    /// Association, Official Rules of Softball, as quoted in "Mass of a Softball", The Physics Factbook).
    ///
    /// Its drag coefficient is assumed to be the baseball's: no measurement was at hand.
    pub const SOFTBALL: Self = Self {
        mass_kg: 6.625 * KG_PER_OUNCE,
        circumference_m: 12.0 * METERS_PER_INCH,
        drag: 0.33,
    };

    /// The share of its speed that the ball loses per meter: density, drag and cross section over twice the mass.
    fn slowing_per_m(&self, air: Air) -> f64 {
        let radius_m = self.circumference_m / (2.0 * std::f64::consts::PI);
        let area_m2 = std::f64::consts::PI * radius_m * radius_m;
        air.density_kg_m3() * self.drag * area_m2 / (2.0 * self.mass_kg)
    }
}

/// A pitch as it leaves the hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Throw {
    /// The ball.
    pub ball: Ball,
    /// Its speed at release.
    pub speed: Speed,
    /// From the hand to the front of the plate along the ground, meters.
    pub distance_m: f64,
    /// Where it leaves the hand, meters above the ground at the plate.
    pub release_height_m: f64,
    /// Where it is to cross the front of the plate, meters.
    pub crossing_height_m: f64,
}

/// The flight of a throw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flight {
    /// From the hand to the front of the plate, seconds.
    pub secs: f64,
    /// Its speed there.
    pub plate_speed: Speed,
    /// The angle above horizontal at release, degrees.
    pub(crate) launch_deg: f64,
    /// How far it crosses below the straight line of its launch, meters.
    pub(crate) drop_m: f64,
    /// How steeply it comes down as it crosses, degrees below horizontal.
    pub(crate) descent_deg: f64,
}

/// Why a pitch cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PitchError {
    /// A quantity is out of range.
    #[error("{what}: {value} is outside {low} to {high}")]
    OutOfRange {
        /// The quantity with its unit.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The smallest value accepted.
        low: f64,
        /// The largest value accepted.
        high: f64,
    },
    /// Too slow or thrown from too near to cross at that height.
    #[error(
        "a pitch of {mph:.0} mph from {distance_m:.1} m does not cross at the height of the strike zone"
    )]
    Misses {
        /// Speed at release.
        mph: f64,
        /// From the hand to the plate.
        distance_m: f64,
    },
}

/// Where a ball is when it crosses the plate's front.
struct Crossing {
    secs: f64,
    height_m: f64,
    speed_m_s: f64,
    descent_deg: f64,
}

/// Position along and up, speed along and up; meters and seconds.
type State = Vector4<f64>;

impl Throw {
    /// The flight through this air.
    ///
    /// # Errors
    /// [`PitchError`] where a quantity is out of range, or no angle within 30 degrees of horizontal brings the ball to its
    /// crossing height.
    pub fn fly(&self, air: Air) -> Result<Flight, PitchError> {
        self.check(air)?;
        let misses = PitchError::Misses {
            mph: self.speed.mph(),
            distance_m: self.distance_m,
        };
        let above = |deg: f64| {
            self.crossing(air, deg, GRAVITY_M_S2)
                .is_some_and(|c| c.height_m >= self.crossing_height_m)
        };
        let (mut low, mut high) = (-STEEPEST_DEG, STEEPEST_DEG);
        if above(low) || !above(high) {
            return Err(misses);
        }
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if above(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        let crossing = self.crossing(air, high, GRAVITY_M_S2).ok_or(misses)?;
        let aimed = self.release_height_m + self.distance_m * high.to_radians().tan();
        Ok(Flight {
            secs: crossing.secs,
            plate_speed: Speed::from_m_s(crossing.speed_m_s),
            launch_deg: high,
            drop_m: aimed - crossing.height_m,
            descent_deg: crossing.descent_deg,
        })
    }

    fn check(&self, air: Air) -> Result<(), PitchError> {
        for (what, value, low, high) in [
            ("ball mass, kg", self.ball.mass_kg, 0.02, 1.0),
            ("ball circumference, m", self.ball.circumference_m, 0.1, 0.5),
            ("drag coefficient", self.ball.drag, 0.0, 2.0),
            ("release speed, m/s", self.speed.m_s(), 5.0, 60.0),
            ("flight distance, m", self.distance_m, 3.0, 30.0),
            ("release height, m", self.release_height_m, 0.0, 3.5),
            ("crossing height, m", self.crossing_height_m, 0.0, 2.0),
            ("air density, kg/m3", air.density_kg_m3(), 0.0, 2.0),
        ] {
            if !(low..=high).contains(&value) {
                return Err(PitchError::OutOfRange {
                    what,
                    value,
                    low,
                    high,
                });
            }
        }
        Ok(())
    }

    /// Where the ball crosses the plate's front; `None` where it takes too long.
    fn crossing(&self, air: Air, launch_deg: f64, gravity_m_s2: f64) -> Option<Crossing> {
        let slowing = self.ball.slowing_per_m(air);
        let change = |s: &State| {
            let speed = s[2].hypot(s[3]);
            Vector4::new(
                s[2],
                s[3],
                -slowing * speed * s[2],
                -slowing * speed * s[3] - gravity_m_s2,
            )
        };
        let (sin, cos) = launch_deg.to_radians().sin_cos();
        let speed = self.speed.m_s();
        let mut state = Vector4::new(0.0, self.release_height_m, speed * cos, speed * sin);
        let mut secs = 0.0;
        while secs < LONGEST_SECS {
            let next = stepped(&state, STEP_SECS, change);
            if next[0] >= self.distance_m {
                // The last step is shortened to end at the plate: Newton's method on a position that is almost linear in time.
                let mut rest = (self.distance_m - state[0]) / state[2];
                for _ in 0..3 {
                    let there = stepped(&state, rest, change);
                    rest += (self.distance_m - there[0]) / there[2];
                }
                let there = stepped(&state, rest, change);
                return Some(Crossing {
                    secs: secs + rest,
                    height_m: there[1],
                    speed_m_s: there[2].hypot(there[3]),
                    descent_deg: (-there[3]).atan2(there[2]).to_degrees(),
                });
            }
            state = next;
            secs += STEP_SECS;
        }
        None
    }
}

/// One step of the classical Runge-Kutta method of fourth order.
fn stepped(state: &State, secs: f64, change: impl Fn(&State) -> State) -> State {
    let first = change(state);
    let second = change(&(state + 0.5 * secs * first));
    let third = change(&(state + 0.5 * secs * second));
    let fourth = change(&(state + secs * third));
    state + secs / 6.0 * (first + 2.0 * second + 2.0 * third + fourth)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn throw(ball: Ball, speed: Speed) -> Throw {
        Throw {
            ball,
            speed,
            distance_m: 16.0,
            release_height_m: 1.8,
            crossing_height_m: 0.76,
        }
    }

    /// Time and last speed over a distance, for drag alone: D. C. Wilcox, "Basic Fluid Mechanics", problem 10.28.
    fn closed_form(throw: &Throw, air: Air) -> (f64, f64) {
        let k = throw.ball.slowing_per_m(air);
        let (v, x) = (throw.speed.m_s(), throw.distance_m);
        (((k * x).exp() - 1.0) / (k * v), v * (-k * x).exp())
    }

    #[test]
    fn without_gravity_it_is_the_closed_form() {
        for ball in [Ball::BASEBALL, Ball::SOFTBALL] {
            for m_s in [15.0, 27.0, 45.0] {
                let throw = throw(ball, Speed::from_m_s(m_s));
                let air = Air::default();
                let found = throw.crossing(air, 0.0, 0.0).unwrap();
                let (secs, speed) = closed_form(&throw, air);
                assert!((found.secs - secs).abs() < 1e-9, "{m_s} m/s");
                assert!((found.speed_m_s - speed).abs() < 1e-7, "{m_s} m/s");
                assert_eq!(found.height_m, 1.8);
            }
        }
    }

    #[test]
    fn without_air_it_is_the_parabola_of_the_schoolbook() {
        let throw = throw(Ball::BASEBALL, Speed::from_m_s(30.0));
        let flight = throw.fly(Air::with_density(0.0)).unwrap();
        let angle = flight.launch_deg.to_radians();
        let secs = throw.distance_m / (30.0 * angle.cos());
        assert!((flight.secs - secs).abs() < 1e-9);
        let drop = 0.5 * GRAVITY_M_S2 * secs * secs;
        assert!((flight.drop_m - drop).abs() < 1e-6, "{flight:?}");
        let height = 1.8 + throw.distance_m * angle.tan() - drop;
        assert!((height - 0.76).abs() < 1e-6);
        // It comes down as steeply as it was thrown, plus what it fell meanwhile: tan is linear in time.
        let steep = GRAVITY_M_S2 * secs / (30.0 * angle.cos()) - angle.tan();
        assert!((flight.descent_deg.to_radians().tan() - steep).abs() < 1e-9);
        // The energy that it gained is the height that it lost.
        let gained = 0.5 * (flight.plate_speed.m_s().powi(2) - 30.0_f64.powi(2));
        assert!((gained - GRAVITY_M_S2 * (1.8 - 0.76)).abs() < 1e-5);
    }

    #[test]
    fn half_the_step_changes_nothing_that_could_be_heard() {
        let throw = throw(Ball::SOFTBALL, Speed::from_mph(60.0));
        let slowing = throw.ball.slowing_per_m(Air::default());
        let change = |s: &State| {
            let v = s[2].hypot(s[3]);
            Vector4::new(s[2], s[3], -slowing * v * s[2], -slowing * v * s[3] - 9.8)
        };
        let start = Vector4::new(0.0, 1.8, 26.0, 1.0);
        let run =
            |steps: u32| (0..steps).fold(start, |s, _| stepped(&s, 0.4 / f64::from(steps), change));
        assert!((run(200) - run(400)).norm() < 1e-9);
    }

    #[test]
    fn slower_throws_denser_air_and_bigger_balls_take_longer() {
        let secs = |ball, mph, density| {
            let throw = throw(ball, Speed::from_mph(mph));
            throw.fly(Air::with_density(density)).unwrap().secs
        };
        let usual = secs(Ball::BASEBALL, 80.0, 1.2);
        assert!(secs(Ball::BASEBALL, 79.0, 1.2) > usual);
        assert!(secs(Ball::BASEBALL, 80.0, 1.25) > usual);
        assert!(secs(Ball::SOFTBALL, 80.0, 1.2) > usual);
        assert!(secs(Ball::BASEBALL, 80.0, 0.0) < usual);
    }

    /// About 6 degrees for a fastball at the plate (A. Nathan, "Optimizing the Swing", 2015, as cited elsewhere), and
    /// 7.1 worked out for 90 mph without lift, from 1.85 m high and 1.7 m ahead of the rubber to 0.75 m, at a drag of 0.35.
    #[test]
    fn it_comes_down_as_steeply_as_published() {
        let descent = |mph: f64| {
            let throw = Throw {
                ball: Ball {
                    drag: 0.35,
                    ..Ball::BASEBALL
                },
                speed: Speed::from_mph(mph),
                distance_m: 18.44 - 0.43 - 1.7,
                release_height_m: 1.85,
                crossing_height_m: 0.75,
            };
            throw.fly(Air::with_density(1.2)).unwrap().descent_deg
        };
        for (mph, deg) in [
            (60.0, 11.0),
            (70.0, 9.1),
            (80.0, 7.9),
            (90.0, 7.1),
            (95.0, 6.7),
        ] {
            assert!((descent(mph) - deg).abs() < 0.6, "{mph}: {}", descent(mph));
        }
    }

    #[test]
    fn a_pitch_that_cannot_be_is_refused_with_its_reason() {
        let usual = throw(Ball::BASEBALL, Speed::from_mph(80.0));
        let slow = Throw {
            speed: Speed::from_m_s(8.0),
            ..usual
        };
        assert!(matches!(
            slow.fly(Air::default()),
            Err(PitchError::Misses { .. })
        ));
        for broken in [
            Throw {
                speed: Speed::from_m_s(f64::NAN),
                ..usual
            },
            Throw {
                distance_m: -1.0,
                ..usual
            },
            Throw {
                ball: Ball {
                    mass_kg: 0.0,
                    ..Ball::BASEBALL
                },
                ..usual
            },
        ] {
            let refused = broken.fly(Air::default());
            assert!(matches!(refused, Err(PitchError::OutOfRange { .. })));
        }
    }
}
