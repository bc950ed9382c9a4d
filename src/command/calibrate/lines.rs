//! From lines that were read off a still to the camera's scale and roll.
//!
//! In: ends of lines in pixels and what they are in the cage. Out: a [`Calibration`] with what it is uncertain by, or why
//! the lines cannot be right. Pure.
//!
//! A thing that hangs or stands upright shows the roll, wherever the camera stands. A bat on the ground that points at
//! the pitcher shows the scale; its fall in the picture is the roll only for a camera that stands square, for off square
//! one end is nearer and looks lower. With both, that rest is the camera's angle, and the bat's foreshortening is taken
//! out.

use super::image_line::ImageLine;
use crate::settings::ROLL_DEG;

/// Lengths of a bat, centimeters: 42 inches at most by rule (Official Baseball Rules 3.02), and no child's bat is
/// shorter than this (common practice, no source).
const BATS_CM: std::ops::RangeInclusive<f64> = 50.0..=107.0;
/// Lengths of what stands or hangs upright, centimeters.
const UPRIGHTS_CM: std::ops::RangeInclusive<f64> = 50.0..=400.0;
/// Edges of home plate by rule (Official Baseball Rules 2.02): the front is 17 inches wide, the sides that run toward the
/// pitcher are 8 1/2.
pub(super) const PLATE_FRONT_CM: f64 = 43.18;
pub(super) const PLATE_SIDE_CM: f64 = 21.59;
/// Lengths that an edge of home plate may have, centimeters.
const PLATES_CM: std::ops::RangeInclusive<f64> = 20.0..=45.0;
/// A camera further off square than this shows no open side, degrees.
const MOST_OFF_SQUARE_DEG: f64 = 35.0;
/// A bat that looks steeper than this does not lie across the picture, degrees.
const STEEPEST_BAT_DEG: f64 = 30.0;

/// What was read off the still, and what was measured of the camera's position.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lines {
    /// A bat on the ground where the feet go, pointing at the pitcher, and its length.
    pub bat: Option<(ImageLine, f64)>,
    /// Something upright, and its length where it stands where the hitter does.
    pub plumb: Option<(ImageLine, Option<f64>)>,
    /// An edge of home plate that lies across the picture, and its length.
    pub plate: Option<(ImageLine, f64)>,
    /// Whether the camera is known to stand square to the line to the pitcher.
    pub square: bool,
    /// Camera to that edge of the plate and from there on to the hitter's feet, centimeters.
    pub distances_cm: Option<(f64, f64)>,
    /// The camera's height, centimeters.
    pub height_cm: f64,
}

/// Distance from camera to hitter where none is given, centimeters: the middle of the recommended range.
const USUAL_DISTANCE_CM: f64 = 450.0;

/// A length at the hitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct KnownLength {
    pub cm: f64,
    /// As long as it would look where the hitter stands, from square.
    pub px: f64,
    /// Standard uncertainty of its length in pixels, as a share.
    pub spread: f64,
    /// What it was read off.
    pub of: &'static str,
}

impl KnownLength {
    pub(super) fn cm_per_px(&self) -> f64 {
        self.cm / self.px
    }
}

/// What the lines say.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Calibration {
    /// Lengths at the hitter, the most certain kind first.
    pub lengths: Vec<KnownLength>,
    /// The camera's roll and its standard uncertainty, degrees; positive where a level line falls to the right.
    pub roll_deg: Option<(f64, f64)>,
    /// How far the camera stands off square, degrees; positive where the picture's right is nearer to it.
    pub off_square_deg: Option<f64>,
    /// A length that is in view but cannot serve as the scale, and why.
    pub unused: Option<String>,
}

impl Lines {
    /// Works out scale and roll.
    ///
    /// # Errors
    /// Where a length cannot be that thing's, or a line lies as it cannot lie in a cage.
    pub(super) fn calibrate(&self) -> Result<Calibration, String> {
        let mut found = Calibration::default();
        if let Some((line, cm)) = self.plumb {
            found.roll_deg = Some(roll(line.lean_deg(), line.spread())?);
            if let Some(cm) = cm {
                within(cm, &UPRIGHTS_CM, "what hangs or stands upright")?;
                found.lengths.push(KnownLength {
                    cm,
                    px: line.length_px(),
                    spread: line.spread(),
                    of: "upright",
                });
            }
        }
        if let Some((line, cm)) = self.bat {
            self.read_bat(&line, cm, &mut found)?;
        }
        if let Some((line, cm)) = self.plate {
            within(cm, &PLATES_CM, "an edge of home plate")?;
            match self.distances_cm {
                Some((to_plate, to_feet)) => found.lengths.push(KnownLength {
                    cm,
                    px: line.length_px() * to_plate / (to_plate + to_feet),
                    spread: line.spread(),
                    of: "plate",
                }),
                None => {
                    found.unused = Some(format!(
                        "the plate's edge makes {:.4} cm a pixel at the plate, not at the hitter: tell --camera-to-plate-cm \
                         and --plate-to-feet-cm, from which the difference follows",
                        cm / line.length_px()
                    ));
                }
            }
        }
        Ok(found)
    }

    fn read_bat(&self, line: &ImageLine, cm: f64, found: &mut Calibration) -> Result<(), String> {
        within(cm, &BATS_CM, "a bat")?;
        let fall_deg = line.fall_deg();
        if fall_deg.abs() > STEEPEST_BAT_DEG {
            return Err(format!(
                "the bat lies {fall_deg:.0} degrees from level in the picture; it must point at the pitcher, across the picture"
            ));
        }
        if self.square {
            found.roll_deg = Some(roll(fall_deg, line.spread())?);
            found.off_square_deg = Some(0.0);
        } else if let Some((roll_deg, _)) = found.roll_deg {
            let distance_cm = self
                .distances_cm
                .map_or(USUAL_DISTANCE_CM, |(to_plate, to_feet)| to_plate + to_feet);
            // Of two ends on the ground the nearer one looks lower, by the height of the camera over its distance.
            let tangent = (fall_deg - roll_deg).to_radians().tan() * distance_cm / self.height_cm;
            let off = tangent.atan().to_degrees();
            if off.abs() > MOST_OFF_SQUARE_DEG {
                return Err(format!(
                    "bat and plumb line put the camera {:.0} degrees off square, which shows no open side: the bat must point \
                     at the pitcher, the plumb line hang free",
                    off.abs()
                ));
            }
            found.off_square_deg = Some(off);
        }
        let seen = found.off_square_deg.unwrap_or(0.0).to_radians().cos();
        found.lengths.push(KnownLength {
            cm,
            px: line.length_px() / seen,
            spread: line.spread(),
            of: "bat",
        });
        Ok(())
    }
}

fn roll(deg: f64, spread_rad: f64) -> Result<(f64, f64), String> {
    if ROLL_DEG.contains(&deg) {
        return Ok((deg, spread_rad.to_degrees()));
    }
    Err(format!(
        "that puts the camera {:.0} degrees from level; more than {} is to be set right by hand, then take a new still",
        deg.abs(),
        ROLL_DEG.end()
    ))
}

fn within(cm: f64, range: &std::ops::RangeInclusive<f64>, what: &str) -> Result<(), String> {
    if range.contains(&cm) {
        return Ok(());
    }
    Err(format!(
        "{what} is not {cm} cm long; it must be {} to {} cm",
        range.start(),
        range.end()
    ))
}

#[cfg(test)]
mod tests {
    use super::super::image_line::Point;
    use super::*;
    use crate::picture_size::PictureSize;

    const SIZE_PX: PictureSize = PictureSize {
        width_px: 1280,
        height_px: 720,
    };

    /// A pinhole camera that looks at a point at hip height over the middle of the feet, turned about its own axis so that
    /// what it sees turns clockwise.
    struct Camera {
        off_square_deg: f64,
        height_cm: f64,
        distance_cm: f64,
        roll_deg: f64,
    }

    const FOCAL_PX: f64 = 1400.0;

    impl Camera {
        /// The picture of a place: centimeters toward the pitcher (the picture's right), up, and toward the plate.
        fn sees(&self, [along, up, near]: [f64; 3]) -> Point {
            let (sin, cos) = self.off_square_deg.to_radians().sin_cos();
            let right = along * cos - near * sin;
            let level_depth = self.distance_cm - near * cos - along * sin;
            let pitch = ((90.0 - self.height_cm) / self.distance_cm).atan();
            let up = up - self.height_cm;
            let depth = level_depth * pitch.cos() + up * pitch.sin();
            let rise = up * pitch.cos() - level_depth * pitch.sin();
            let (x, y) = (FOCAL_PX * right / depth, -FOCAL_PX * rise / depth);
            let (sin, cos) = self.roll_deg.to_radians().sin_cos();
            Point {
                x_px: 640.0 + x * cos - y * sin,
                y_px: 360.0 + y * cos + x * sin,
            }
        }

        fn line(&self, from: [f64; 3], to: [f64; 3]) -> ImageLine {
            ImageLine::new([self.sees(from), self.sees(to)], "line", SIZE_PX).unwrap()
        }

        fn lines(&self) -> Lines {
            Lines {
                bat: Some((self.line([-42.0, 0.0, 0.0], [42.0, 0.0, 0.0]), 84.0)),
                plumb: Some((self.line([0.0, 10.0, 0.0], [0.0, 94.0, 0.0]), None)),
                plate: None,
                square: false,
                distances_cm: Some((self.distance_cm - 60.0, 60.0)),
                height_cm: self.height_cm,
            }
        }

        /// Centimetres a pixel at the hitter's hips.
        fn cm_per_px(&self) -> f64 {
            let pitch = ((90.0 - self.height_cm) / self.distance_cm).atan();
            self.distance_cm / pitch.cos() / FOCAL_PX
        }
    }

    fn cameras() -> Vec<Camera> {
        let mut cameras = Vec::new();
        for off_square_deg in [-25.0, -12.0, 0.0, 12.0, 25.0] {
            for roll_deg in [-3.0, 0.0, 3.0] {
                for (height_cm, distance_cm) in [(90.0, 420.0), (120.0, 500.0)] {
                    cameras.push(Camera {
                        off_square_deg,
                        height_cm,
                        distance_cm,
                        roll_deg,
                    });
                }
            }
        }
        cameras
    }

    #[test]
    fn a_plumb_line_and_a_bat_give_roll_angle_and_scale_wherever_the_camera_stands() {
        for camera in cameras() {
            let found = camera.lines().calibrate().unwrap();
            let (roll_deg, _) = found.roll_deg.unwrap();
            assert!((roll_deg - camera.roll_deg).abs() < 0.1, "{found:?}");
            let off = found.off_square_deg.unwrap();
            assert!((off - camera.off_square_deg).abs() < 1.5, "{found:?}");
            let scale = found.lengths[0].cm_per_px() / camera.cm_per_px();
            assert!((scale - 1.0).abs() < 0.03, "{scale} {found:?}");
        }
    }

    #[test]
    fn a_bat_alone_shows_the_roll_of_a_square_camera_only() {
        for camera in cameras() {
            let alone = Lines {
                plumb: None,
                ..camera.lines()
            };
            assert_eq!(alone.calibrate().unwrap().roll_deg, None);
            let square = Lines {
                square: true,
                ..alone
            };
            let (roll_deg, _) = square.calibrate().unwrap().roll_deg.unwrap();
            let off = (roll_deg - camera.roll_deg).abs();
            if camera.off_square_deg == 0.0 {
                assert!(off < 0.1, "{off}");
            } else {
                assert!(off > 2.0, "{off}: the reason why it must be told");
            }
        }
    }

    #[test]
    fn the_plate_gives_the_scale_at_the_hitter_by_the_distances() {
        let camera = Camera {
            off_square_deg: 0.0,
            height_cm: 90.0,
            distance_cm: 460.0,
            roll_deg: 0.0,
        };
        let edge = camera.line([-10.795, 0.0, 60.0], [10.795, 0.0, 60.0]);
        let lines = Lines {
            bat: None,
            plumb: None,
            plate: Some((edge, PLATE_SIDE_CM)),
            ..camera.lines()
        };
        let found = lines.calibrate().unwrap();
        let scale = found.lengths[0].cm_per_px() / camera.cm_per_px();
        assert!((scale - 1.0).abs() < 0.001, "{scale}");
        let untold = Lines {
            distances_cm: None,
            ..lines
        };
        let found = untold.calibrate().unwrap();
        assert!(found.lengths.is_empty() && found.unused.unwrap().contains("0.2857"));
    }

    #[test]
    fn two_pixels_at_each_end_make_what_is_said() {
        let at = |x_px, y_px| Point { x_px, y_px };
        let line = ImageLine::new([at(100.0, 600.0), at(400.0, 600.0)], "bat", SIZE_PX).unwrap();
        // Two independent errors of 2 px: 2.83 px of 300.
        assert!((line.spread() - 0.00943).abs() < 1e-5);
        let plumb = ImageLine::new([at(600.0, 100.0), at(590.0, 400.0)], "plumb", SIZE_PX).unwrap();
        let lines = Lines {
            bat: None,
            plumb: Some((plumb, None)),
            plate: None,
            square: false,
            distances_cm: None,
            height_cm: 100.0,
        };
        let (deg, spread_deg) = lines.calibrate().unwrap().roll_deg.unwrap();
        // atan(10 / 300) to the right at the top.
        assert!((deg - 1.909).abs() < 1e-3 && (spread_deg - 0.54).abs() < 0.005);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let at = |x_px, y_px| Point { x_px, y_px };
        let line = |a, b| ImageLine::new([a, b], "--bat", SIZE_PX);
        let level = line(at(400.0, 600.0), at(700.0, 600.0)).unwrap();
        let steep = line(at(400.0, 300.0), at(600.0, 600.0)).unwrap();
        let upright = line(at(640.0, 100.0), at(640.0, 500.0)).unwrap();
        let sloping = line(at(500.0, 600.0), at(800.0, 700.0)).unwrap();
        let none = Lines {
            bat: None,
            plumb: None,
            plate: None,
            square: false,
            distances_cm: None,
            height_cm: 100.0,
        };
        for (lines, says) in [
            (
                Lines {
                    bat: Some((level, 49.0)),
                    ..none
                },
                "50 to 107",
            ),
            (
                Lines {
                    bat: Some((level, 108.0)),
                    ..none
                },
                "50 to 107",
            ),
            (
                Lines {
                    bat: Some((steep, 84.0)),
                    ..none
                },
                "across the picture",
            ),
            (
                Lines {
                    bat: Some((sloping, 84.0)),
                    square: true,
                    ..none
                },
                "by hand",
            ),
            (
                Lines {
                    plumb: Some((steep, None)),
                    ..none
                },
                "by hand",
            ),
            (
                Lines {
                    bat: Some((sloping, 84.0)),
                    plumb: Some((upright, None)),
                    ..none
                },
                "off square",
            ),
            (
                Lines {
                    plate: Some((level, 60.0)),
                    ..none
                },
                "home plate",
            ),
        ] {
            let refused = lines.calibrate().unwrap_err();
            assert!(refused.contains(says), "{refused}");
        }
    }
}
