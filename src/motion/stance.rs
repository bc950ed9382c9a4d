//! How a hitter stands in the picture: which foot is in front, and where the pitcher is.

use super::signals::Pair;
use crate::text_enum::text_enum;

/// A side of the body, the person's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Right,
}

text_enum! {
    /// A direction along the picture's horizontal.
    pub enum Direction {
        /// To the image's left.
        Left = "left",
        /// To the image's right.
        Right = "right",
    }
}

impl Direction {
    /// The direction of a difference of two x coordinates; to the right where there is none.
    pub(crate) fn of(dx: f64) -> Self {
        if dx >= 0.0 {
            Direction::Right
        } else {
            Direction::Left
        }
    }

    /// +1 to the image's right, -1 to its left: what an x coordinate is multiplied by to grow in this direction.
    pub(crate) const fn sign(self) -> f64 {
        match self {
            Direction::Left => -1.0,
            Direction::Right => 1.0,
        }
    }
}

/// How a hitter stands in the picture. The front foot is the one nearer the pitcher.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stance {
    /// The side of the front foot.
    pub front: Side,
    /// Where the pitcher is; "forward" is this direction.
    pub pitcher: Direction,
}

impl Stance {
    /// The stance whose front ankle is on the pitcher's side of the back ankle; `left_ahead` is the left ankle's x less
    /// the right ankle's, in any unit.
    pub(crate) fn from_ankles(front: Side, left_ahead: f64) -> Self {
        let pitcher = if (front == Side::Left) == (left_ahead > 0.0) {
            Direction::Right
        } else {
            Direction::Left
        };
        Self { front, pitcher }
    }

    /// +1 where the pitcher is to the image's right, else -1.
    pub(crate) const fn forward(self) -> f64 {
        self.pitcher.sign()
    }

    /// The front one of a pair.
    pub(crate) fn front_of<T>(self, pair: &Pair<T>) -> &T {
        match self.front {
            Side::Left => &pair.left,
            Side::Right => &pair.right,
        }
    }

    /// The back one of a pair.
    pub(crate) fn back_of<T>(self, pair: &Pair<T>) -> &T {
        match self.front {
            Side::Left => &pair.right,
            Side::Right => &pair.left,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_front_ankle_is_on_the_pitchers_side() {
        for (front, left_ahead, pitcher) in [
            (Side::Left, 40.0, Direction::Right),
            (Side::Left, -40.0, Direction::Left),
            (Side::Right, 40.0, Direction::Left),
            (Side::Right, -40.0, Direction::Right),
        ] {
            let stance = Stance::from_ankles(front, left_ahead);
            assert_eq!(stance, Stance { front, pitcher });
            // The front foot is farther along than the back foot.
            let ankles = Pair {
                left: left_ahead,
                right: 0.0,
            };
            let along = |x: &f64| stance.forward() * x;
            assert!(along(stance.front_of(&ankles)) > along(stance.back_of(&ankles)));
        }
    }
}
