//! Shift, turn and enlargement between two pictures, and their robust fit to points that were found in both.
//!
//! Points are in pixels of the frame from the picture's middle.

use crate::pose::camera_motion::CameraPlace;

/// A point, pixels of the frame from the picture's middle.
pub(super) type Point = [f64; 2];

/// Turns and enlarges by the complex number `turn`, then shifts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Similarity {
    turn: [f64; 2],
    shift: Point,
}

fn times([a, b]: [f64; 2], [x, y]: [f64; 2]) -> [f64; 2] {
    [a * x - b * y, a * y + b * x]
}

impl Similarity {
    pub(super) const IDENTITY: Self = Self {
        turn: [1.0, 0.0],
        shift: [0.0, 0.0],
    };

    pub(super) fn apply(&self, point: Point) -> Point {
        let [x, y] = times(self.turn, point);
        [x + self.shift[0], y + self.shift[1]]
    }

    pub(super) fn inverse(&self) -> Self {
        let size = self.turn[0].powi(2) + self.turn[1].powi(2);
        let turn = [self.turn[0] / size, -self.turn[1] / size];
        let [x, y] = times(turn, self.shift);
        Self {
            turn,
            shift: [-x, -y],
        }
    }

    /// First `self`, then `next`.
    pub(super) fn then(&self, next: &Self) -> Self {
        Self {
            turn: times(next.turn, self.turn),
            shift: next.apply(self.shift),
        }
    }

    /// The same, shifted by so much more.
    pub(super) fn shifted(&self, [dx, dy]: Point) -> Self {
        Self {
            shift: [self.shift[0] + dx, self.shift[1] + dy],
            ..*self
        }
    }

    #[cfg(test)]
    pub(super) fn of(place: CameraPlace) -> Self {
        let (sin, cos) = place.roll_deg.to_radians().sin_cos();
        Self {
            turn: [place.zoom * cos, place.zoom * sin],
            shift: [place.dx_px, place.dy_px],
        }
    }

    pub(super) fn place(&self) -> CameraPlace {
        CameraPlace {
            dx_px: self.shift[0],
            dy_px: self.shift[1],
            roll_deg: self.turn[1].atan2(self.turn[0]).to_degrees(),
            zoom: self.turn[0].hypot(self.turn[1]),
        }
    }

    /// How far it moves a point relative to another, at most: in the middle of the picture and half way to its corners.
    pub(super) fn differs_px(&self, other: &Self, size: (f64, f64)) -> f64 {
        around_middle(size)
            .into_iter()
            .map(|point| distance(self.apply(point), other.apply(point)))
            .fold(0.0, f64::max)
    }

    /// Whether it moves one of the same points relative to another by more than `least_px` and by more than chance explains.
    pub(super) fn differs_surely(
        &self,
        other: &Self,
        size: (f64, f64),
        least_px: f64,
        chance: &Chance,
    ) -> bool {
        const SURE: f64 = 4.0;
        around_middle(size).into_iter().any(|point| {
            distance(self.apply(point), other.apply(point))
                > least_px.max(SURE * chance.spread_px(point))
        })
    }

    /// The mean of several.
    pub(super) fn mean<'a>(all: impl Iterator<Item = &'a Self> + Clone) -> Self {
        let count = all.clone().count().max(1) as f64;
        let sum = |get: fn(&Self) -> f64| all.clone().map(get).sum::<f64>() / count;
        Self {
            turn: [sum(|s| s.turn[0]), sum(|s| s.turn[1])],
            shift: [sum(|s| s.shift[0]), sum(|s| s.shift[1])],
        }
    }

    /// The least squares fit that brings each first point to the second; `None` for too few that differ.
    fn fit(pairs: &[(Point, Point)]) -> Option<Self> {
        if pairs.len() < 3 {
            return None;
        }
        let count = pairs.len() as f64;
        let mean = |get: fn(&(Point, Point)) -> f64| pairs.iter().map(get).sum::<f64>() / count;
        let from = [mean(|p| p.0[0]), mean(|p| p.0[1])];
        let to = [mean(|p| p.1[0]), mean(|p| p.1[1])];
        let (mut turn, mut size) = ([0.0, 0.0], 0.0);
        for (a, b) in pairs {
            let (a, b) = (
                [a[0] - from[0], a[1] - from[1]],
                [b[0] - to[0], b[1] - to[1]],
            );
            let [x, y] = times([a[0], -a[1]], b);
            turn = [turn[0] + x, turn[1] + y];
            size += a[0] * a[0] + a[1] * a[1];
        }
        if size < 1.0 {
            return None;
        }
        let turn = [turn[0] / size, turn[1] / size];
        let [x, y] = times(turn, from);
        Some(Self {
            turn,
            shift: [to[0] - x, to[1] - y],
        })
    }

    /// The fit to those pairs that agree with a first guess, then to those that agree with that fit, ever more closely. Leaves
    /// the pairs that agree in the end in `agreeing`.
    pub(super) fn robust_fit(
        guess: Self,
        pairs: &[(Point, Point)],
        gates_px: [f64; 3],
        agreeing: &mut Vec<(Point, Point)>,
    ) -> Option<(Self, Chance)> {
        let mut fit = guess;
        for gate in gates_px {
            agreeing.clear();
            agreeing.extend(
                pairs
                    .iter()
                    .filter(|(a, b)| distance(fit.apply(*a), *b) < gate),
            );
            fit = Self::fit(agreeing)?;
        }
        Some((fit, Chance::of(&fit, agreeing)))
    }
}

/// How far a fit may be off by chance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chance {
    residual_px: f64,
    count: f64,
    middle: Point,
    /// Sum of the squared distances from the middle.
    reach: f64,
}

impl Chance {
    fn of(fit: &Similarity, pairs: &[(Point, Point)]) -> Self {
        let count = pairs.len().max(1) as f64;
        let sum = |get: &dyn Fn(&(Point, Point)) -> f64| pairs.iter().map(get).sum::<f64>();
        let middle = [sum(&|p| p.1[0]) / count, sum(&|p| p.1[1]) / count];
        Self {
            residual_px: (sum(&|p| distance(fit.apply(p.0), p.1).powi(2)) / count).sqrt(),
            count,
            middle,
            reach: sum(&|p| distance(p.1, middle).powi(2)).max(1.0),
        }
    }

    /// One standard deviation of the fit's place of a point.
    fn spread_px(&self, point: Point) -> f64 {
        let away = distance(point, self.middle).powi(2) / self.reach;
        self.residual_px * (1.0 / self.count + away).sqrt()
    }
}

/// The middle of the picture and four points half way to its corners.
fn around_middle((width, height): (f64, f64)) -> [Point; 5] {
    let (w, h) = (0.25 * width, 0.25 * height);
    [[0.0, 0.0], [-w, -h], [w, -h], [-w, h], [w, h]]
}

pub(super) fn distance(a: Point, b: Point) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turned() -> Similarity {
        Similarity {
            turn: [1.02 * 0.03f64.cos(), 1.02 * 0.03f64.sin()],
            shift: [12.0, -7.0],
        }
    }

    #[test]
    fn what_moved_is_found_among_points_that_went_elsewhere() {
        let truth = turned();
        let pairs: Vec<(Point, Point)> = (0..60)
            .map(|i| {
                let point = [
                    f64::from(i * 37 % 600) - 300.0,
                    f64::from(i * 53 % 400) - 200.0,
                ];
                let elsewhere = if i % 3 == 0 { 40.0 } else { 0.0 };
                let [x, y] = truth.apply(point);
                (point, [x + elsewhere, y])
            })
            .collect();
        let guess = Similarity::IDENTITY.shifted([10.0, -5.0]);
        let mut agreeing = Vec::new();
        let (fit, _) =
            Similarity::robust_fit(guess, &pairs, [20.0, 5.0, 1.0], &mut agreeing).unwrap();
        assert!(fit.differs_px(&truth, (600.0, 400.0)) < 1e-6);
        assert_eq!(agreeing.len(), 40);
        let place = fit.place();
        assert!((place.zoom - 1.02).abs() < 1e-9);
        assert!((place.roll_deg - 0.03f64.to_degrees()).abs() < 1e-9);
    }

    #[test]
    fn there_and_back_is_where_it_was() {
        let there = turned();
        let back = there.then(&there.inverse());
        assert!(back.differs_px(&Similarity::IDENTITY, (600.0, 400.0)) < 1e-9);
    }
}
