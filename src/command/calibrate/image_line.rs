//! A line that was read off a still.
//!
//! In: its ends in pixels. Out: its length and direction with their uncertainty. Pure.

use std::fmt;
use std::str::FromStr;

use crate::picture_size::PictureSize;

/// How precisely each end of a line is read, pixels, one standard deviation.
pub(super) const READING_PX: f64 = 2.0;
/// Lines shorter than this say nothing, pixels.
const SHORTEST_PX: f64 = 20.0;

/// A point in the picture, pixels from the top left corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub x_px: f64,
    pub y_px: f64,
}

impl FromStr for Point {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let number = |part: &str| part.trim().parse::<f64>().ok().filter(|n| n.is_finite());
        text.split_once(',')
            .and_then(|(x, y)| number(x).zip(number(y)))
            .map(|(x_px, y_px)| Self { x_px, y_px })
            .ok_or_else(|| "a place is written X,Y in pixels, such as 512,640".to_owned())
    }
}

impl fmt::Display for Point {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{},{}", self.x_px, self.y_px)
    }
}

/// A line between two different points.
#[derive(Clone, Copy, Debug)]
pub(super) struct ImageLine {
    ends: [Point; 2],
}

impl ImageLine {
    /// The line that was read off a picture of this size; `what` names it in messages.
    ///
    /// # Errors
    /// For an end outside the picture, and for ends too near to each other.
    pub(super) fn new(ends: [Point; 2], what: &str, size: PictureSize) -> Result<Self, String> {
        let (width, height) = (f64::from(size.width_px), f64::from(size.height_px));
        for end in ends {
            if !((0.0..=width).contains(&end.x_px) && (0.0..=height).contains(&end.y_px)) {
                return Err(format!(
                    "{what} {end} lies outside the picture, which is {width} x {height} pixels"
                ));
            }
        }
        let line = Self { ends };
        if ends[0] == ends[1] {
            return Err(format!("{what} {} is the same place twice", ends[0]));
        }
        if line.length_px() < SHORTEST_PX {
            return Err(format!(
                "{what} is {:.0} pixels long; less than {SHORTEST_PX:.0} cannot be measured",
                line.length_px()
            ));
        }
        Ok(line)
    }

    /// Its length, pixels.
    pub(super) fn length_px(&self) -> f64 {
        let [a, b] = self.ends;
        (a.x_px - b.x_px).hypot(a.y_px - b.y_px)
    }

    /// How far it falls from left to right, degrees.
    pub(super) fn fall_deg(&self) -> f64 {
        let [a, b] = self.ends;
        let (left, right) = if a.x_px <= b.x_px { (a, b) } else { (b, a) };
        (right.y_px - left.y_px)
            .atan2(right.x_px - left.x_px)
            .to_degrees()
    }

    /// How far it leans to the right at its top, degrees.
    pub(super) fn lean_deg(&self) -> f64 {
        let [a, b] = self.ends;
        let (top, foot) = if a.y_px <= b.y_px { (a, b) } else { (b, a) };
        (top.x_px - foot.x_px)
            .atan2(foot.y_px - top.y_px)
            .to_degrees()
    }

    /// The uncertainty of its length, as a share of it; the same number in radians is that of its direction.
    pub(super) fn spread(&self) -> f64 {
        std::f64::consts::SQRT_2 * READING_PX / self.length_px()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE_PX: PictureSize = PictureSize {
        width_px: 1280,
        height_px: 720,
    };

    #[test]
    fn ends_that_make_no_line_are_refused() {
        let at = |x_px, y_px| Point { x_px, y_px };
        let line = |a, b| ImageLine::new([a, b], "--bat", SIZE_PX);
        for (ends, says) in [
            ((at(-1.0, 5.0), at(300.0, 5.0)), "-1,5 lies outside"),
            ((at(10.0, 5.0), at(300.0, 721.0)), "1280 x 720"),
            ((at(10.0, 5.0), at(10.0, 5.0)), "same place twice"),
            ((at(10.0, 5.0), at(20.0, 5.0)), "10 pixels long"),
        ] {
            let refused = line(ends.0, ends.1).unwrap_err();
            assert!(refused.contains(says), "{refused}");
        }
    }

    #[test]
    fn fall_and_lean_have_the_sign_of_a_picture_turned_clockwise_whichever_end_comes_first() {
        let at = |x_px, y_px| Point { x_px, y_px };
        for flip in [false, true] {
            let line =
                |a, b| ImageLine::new(if flip { [b, a] } else { [a, b] }, "line", SIZE_PX).unwrap();
            // A fall of 10 in 100 is 5.711 degrees.
            let level = line(at(100.0, 600.0), at(200.0, 610.0));
            let post = line(at(610.0, 100.0), at(600.0, 200.0));
            assert!((level.fall_deg() - 5.711).abs() < 1e-3);
            assert!((post.lean_deg() - 5.711).abs() < 1e-3);
        }
    }

    #[test]
    fn a_place_is_two_numbers() {
        assert_eq!(
            "512, 640.5".parse(),
            Ok(Point {
                x_px: 512.0,
                y_px: 640.5
            })
        );
        for text in ["", "512", "512;640", "512,640,3", "512,nan"] {
            assert!(text.parse::<Point>().is_err(), "{text:?}");
        }
    }
}
