//! A stage for tests: bodies in metres, a camera that looks at them, and landmarks as wrong as the pose model's.
//!
//! In: a [`Motion`], which says where a body's parts are at any moment. Out: pose frames as a camera and the pose
//! model would give them. Everything is drawn from a seed, so that a test sees the same frames on every run.
//!
//! - [`capture`]: a person's recorded swing
//! - [`database`]: a PostgreSQL server for a test process
//! - [`exercises`]: squats, lifts and the like
//! - [`figure`]: a stick figure of any size
//! - [`film`]: films that people have labelled by hand
//! - [`filmed_swing`]: the captured swing in such films
//! - [`movements`]: what people do that is no swing
//! - [`sound_scene`]: what a microphone beside a cage hears

pub mod capture;
pub mod database;
pub mod exercises;
pub mod figure;
pub mod film;
pub mod filmed_swing;
pub mod movements;
pub mod sound_scene;

use cagehand::pose::{Body, ImagePoint, LANDMARK_COUNT, Landmark, PoseFrame};
use cagehand::rep::{HitterSetup, Rep, RepFinder};
use cagehand::time::CaptureTime;

/// A place in metres: x toward the pitcher, y up, z the way a hitter's chest faces.
pub type Spot = [f64; 3];

/// Where a body's parts are at one moment; `None` for what the source does not know.
#[derive(Clone)]
pub struct Pose3 {
    spots: [Option<Spot>; LANDMARK_COUNT],
}

impl Default for Pose3 {
    fn default() -> Self {
        Self {
            spots: [None; LANDMARK_COUNT],
        }
    }
}

impl Pose3 {
    /// Nothing is known yet.
    pub fn new() -> Self {
        Self::default()
    }

    pub fn put(&mut self, landmark: Landmark, spot: Spot) {
        self.spots[landmark.index()] = Some(spot);
    }

    /// The place of a landmark that the source has.
    pub fn at(&self, landmark: Landmark) -> Spot {
        self.spots[landmark.index()].unwrap()
    }

    /// The landmarks that the source has.
    pub fn known(&self) -> impl Iterator<Item = Landmark> {
        Landmark::ALL
            .into_iter()
            .filter(|l| self.spots[l.index()].is_some())
    }

    pub fn middle(&self, a: Landmark, b: Landmark) -> Spot {
        let (p, q) = (self.at(a), self.at(b));
        [0, 1, 2].map(|k| 0.5 * (p[k] + q[k]))
    }

    /// The same pose in a mirror: a right-handed hitter becomes a left-handed one.
    pub fn mirrored(&self) -> Self {
        let mut out = Self::new();
        for landmark in Landmark::ALL {
            if let Some([x, y, z]) = self.spots[landmark.index()] {
                out.put(other_side(landmark), [-x, y, z]);
            }
        }
        out
    }
}

fn other_side(landmark: Landmark) -> Landmark {
    let name = landmark.name();
    let other = if name.contains("left") {
        name.replace("left", "right")
    } else {
        name.replace("right", "left")
    };
    Landmark::from_name(&other).unwrap()
}

/// A body over time.
pub struct Motion {
    pub secs: f64,
    pub height_m: f64,
    pub at: Box<dyn Fn(f64) -> Pose3>,
}

/// Which landmarks a track carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Points {
    /// The nose and the twelve joints.
    Thirteen,
    /// Eyes and ears as well.
    Seventeen,
    /// And what the source knows of heels and toes.
    WithFeet,
}

impl Points {
    pub fn carries(self, landmark: Landmark) -> bool {
        use Landmark::*;
        match landmark {
            LeftEye | RightEye | LeftEar | RightEar => self != Points::Thirteen,
            LeftHeel | RightHeel | LeftFootIndex | RightFootIndex => self == Points::WithFeet,
            Nose | LeftShoulder | RightShoulder | LeftElbow | RightElbow | LeftWrist
            | RightWrist | LeftHip | RightHip | LeftKnee | RightKnee | LeftAnkle | RightAnkle => {
                true
            }
            _ => false,
        }
    }
}

/// A pinhole camera that looks level at the middle of the place.
#[derive(Clone, Copy, Debug)]
pub struct Camera {
    /// 0 faces a hitter's chest, 90 stands where the pitcher is, 180 sees the back.
    pub yaw_deg: f64,
    pub roll_deg: f64,
    pub distance_m: f64,
    pub height_m: f64,
}

const FOCAL_PX: f64 = 1400.0;
const MIDDLE_PX: [f64; 2] = [640.0, 360.0];

impl Camera {
    pub fn at(yaw_deg: f64) -> Self {
        Self {
            yaw_deg,
            roll_deg: 0.0,
            distance_m: 4.6,
            height_m: 1.1,
        }
    }

    /// Where a spot shows in the picture, pixels.
    fn sees(&self, spot: Spot) -> [f64; 2] {
        let (sin, cos) = self.yaw_deg.to_radians().sin_cos();
        let along = spot[0] * cos - spot[2] * sin;
        let depth = (self.distance_m - spot[0] * sin - spot[2] * cos).max(0.3);
        let (u, v) = (
            FOCAL_PX * along / depth,
            -FOCAL_PX * (spot[1] - self.height_m) / depth,
        );
        let (sin, cos) = self.roll_deg.to_radians().sin_cos();
        [
            MIDDLE_PX[0] + u * cos - v * sin,
            MIDDLE_PX[1] + u * sin + v * cos,
        ]
    }

    fn px_per_cm(&self) -> f64 {
        0.01 * FOCAL_PX / self.distance_m
    }
}

/// How a motion is taken.
#[derive(Clone, Copy, Debug)]
pub struct Take {
    pub fps: f64,
    pub points: Points,
    pub camera: Camera,
    /// 1 for landmarks as wrong as the model's, 0 for perfect ones.
    pub noise: f64,
    pub seed: u64,
}

impl Take {
    pub fn new(camera: Camera, seed: u64) -> Self {
        Self {
            fps: 60.0,
            points: Points::Seventeen,
            camera,
            noise: 1.0,
            seed,
        }
    }

    /// The frames of a motion.
    pub fn film(&self, motion: &Motion) -> Vec<PoseFrame> {
        let mut dice = Dice::new(self.seed);
        let frames = (motion.secs * self.fps + 1e-6).floor() as u64 + 1;
        let mut errors: Vec<Wander> = Landmark::ALL
            .iter()
            .map(|&l| Wander::new(l, self.fps, &mut dice))
            .collect();
        let cm = self.noise * self.camera.px_per_cm();
        (0..frames)
            .map(|index| {
                let t = index as f64 / self.fps;
                let pose = (motion.at)(t);
                let haste = haste(motion, t);
                let mut body = Body::empty();
                for (landmark, error) in Landmark::ALL.into_iter().zip(&mut errors) {
                    let [ex, ey] = error.next(&mut dice, haste);
                    let Some(spot) = pose.spots[landmark.index()] else {
                        continue;
                    };
                    if self.points.carries(landmark) {
                        let [x, y] = self.camera.sees(spot);
                        body.image[landmark.index()] = Some(ImagePoint {
                            x_px: (x + cm * ex) as f32,
                            y_px: (y + cm * ey) as f32,
                            visibility: 0.95,
                        });
                    }
                }
                PoseFrame::new(index, CaptureTime::from_secs(t), Some(body))
            })
            .collect()
    }
}

/// One landmark's error: it wanders smoothly about its true place and trembles a little from frame to frame.
///
/// Sizes are the full model's on rendered hitters with known joints: how far it is off while the hands are quiet and
/// in a swing (rms over the picture, constant offset removed), how long it stays off on the same side, and how much it
/// trembles at 60 frames a second. A hand that the other arm hides is worse at times; no track here hides a hand.
struct Wander {
    keeps: f64,
    step: f64,
    quiet_cm: f64,
    swing_cm: f64,
    tremble_cm: f64,
    state: [[f64; 2]; 2],
}

impl Wander {
    fn new(landmark: Landmark, fps: f64, dice: &mut Dice) -> Self {
        use Landmark::*;
        let (quiet_cm, swing_cm, memory_secs, tremble_cm): (f64, f64, f64, f64) = match landmark {
            LeftShoulder | RightShoulder => (1.5, 4.5, 0.34, 0.4),
            LeftElbow | RightElbow => (2.2, 5.5, 0.2, 0.9),
            LeftWrist | RightWrist => (1.7, 6.8, 0.25, 0.8),
            LeftHip | RightHip => (1.5, 5.5, 0.3, 0.2),
            LeftKnee | RightKnee => (1.3, 1.6, 0.2, 0.3),
            LeftAnkle | RightAnkle => (1.1, 1.9, 0.23, 0.25),
            LeftHeel | RightHeel => (1.6, 2.2, 0.23, 0.3),
            LeftFootIndex | RightFootIndex => (1.4, 3.8, 0.23, 0.3),
            _ => (0.8, 2.2, 0.8, 0.3),
        };
        // Two equal low passes in a row; the step makes their output one wide in all.
        let keeps = (-1.0 / (fps * memory_secs)).exp();
        let squared = keeps * keeps;
        let mut wander = Self {
            keeps,
            step: ((1.0 - squared).powi(3) / (1.0 + squared)).sqrt(),
            quiet_cm,
            swing_cm,
            tremble_cm,
            state: [[0.0; 2]; 2],
        };
        for _ in 0..(6.0 * fps * memory_secs) as usize {
            wander.next(dice, 0.0);
        }
        wander
    }

    /// The next error in each direction of the picture; `haste` is 0 for quiet hands and 1 for hands that swing.
    fn next(&mut self, dice: &mut Dice, haste: f64) -> [f64; 2] {
        let (keeps, step) = (self.keeps, self.step);
        let half = std::f64::consts::FRAC_1_SQRT_2;
        let wide = half * (self.quiet_cm + (self.swing_cm - self.quiet_cm) * haste);
        let tremble = half * self.tremble_cm;
        self.state.each_mut().map(|[first, second]| {
            *first = keeps * *first + step * dice.bell();
            *second = keeps * *second + *first;
            wide * *second + tremble * dice.bell()
        })
    }
}

/// How much of a swing's hurry is in a motion: 1 where the middle of the wrists goes at 3 m/s or more.
fn haste(motion: &Motion, t: f64) -> f64 {
    let hands = |t: f64| (motion.at)(t).middle(Landmark::LeftWrist, Landmark::RightWrist);
    let (a, b) = (hands(t - 0.02), hands(t + 0.02));
    let way: f64 = a.iter().zip(b).map(|(p, q)| (p - q) * (p - q)).sum();
    (way.sqrt() / 0.04 / 3.0).min(1.0)
}

/// What the program makes of a track.
pub fn reps_of(frames: &[PoseFrame], height_cm: Option<f64>) -> Vec<Rep> {
    reps_with(
        frames,
        HitterSetup {
            height_cm,
            ..HitterSetup::default()
        },
    )
}

/// The same, with all that was said of hitter and camera.
pub fn reps_with(frames: &[PoseFrame], setup: HitterSetup) -> Vec<Rep> {
    let mut finder = RepFinder::new(setup);
    let mut reps: Vec<Rep> = frames
        .iter()
        .filter_map(|frame| finder.push(frame.clone()))
        .map(|found| found.rep)
        .collect();
    reps.extend(finder.finish().map(|found| found.rep));
    reps
}

/// Numbers drawn from a seed (SplitMix64), the same on every machine.
#[derive(Clone)]
pub struct Dice {
    state: u64,
}

impl Dice {
    pub fn new(seed: u64) -> Self {
        let mut dice = Self {
            state: seed.wrapping_mul(0x2545_F491_4F6C_DD1D),
        };
        dice.throw();
        dice
    }

    fn throw(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * ((self.throw() >> 11) as f64 / (1u64 << 53) as f64)
    }

    pub fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.throw() % choices.len() as u64) as usize]
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    /// From the normal distribution with mean 0 and deviation 1.
    pub fn bell(&mut self) -> f64 {
        let (u, v) = (self.between(1e-12, 1.0), self.between(0.0, 1.0));
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}
