//! A picture that later ones are compared with: small patches of it that can be found again.
//!
//! A patch is looked for by the Lucas-Kanade method, without regard to brightness and contrast, so that a lamp or the camera's
//! own exposure moves nothing.

use super::small_picture::SmallPicture;

/// A patch reaches so far from its middle, pixels of the small picture.
const REACH: usize = 4;
const SIDE: usize = 2 * REACH + 1;
const AREA: usize = SIDE * SIDE;
/// The picture is divided into squares of about this side, each with one patch at most.
const CELL: usize = 13;
/// A patch must have so much texture in its weaker direction: brightness steps from pixel to pixel, root mean square, 0 to 255.
/// Noise and compression stay below it.
const LEAST_TEXTURE: f32 = 0.8;
/// With so much it is clear.
const CLEAR_TEXTURE: f32 = 2.0;
/// A patch that looks less like itself than this is not found; correlation.
const ALIKE: f32 = 0.8;
/// A patch is not looked for farther than this from where it is expected, pixels of the small picture.
const FARTHEST: f32 = 3.0;
const STEPS: usize = 6;
/// A patch that was looked for so often counts only if it was where it should be in this share of the pictures.
const LOOKED_ENOUGH: u8 = 8;
const KEPT_SHARE: f32 = 0.65;
/// After so many pictures earlier ones count half.
const LOOKED_MOST: u8 = 60;
/// A search ends with a step shorter than this.
const SHORTEST_STEP: f32 = 0.01;
/// How far the coarse search looks in each direction, in steps of two pixels.
const COARSE_REACH: i32 = 7;
/// Every so manieth patch takes part in the coarse search.
const COARSE_EVERY: usize = 2;
const COARSE_SIDE: usize = 2 * COARSE_REACH as usize + 1;

/// A place in the small picture.
pub(super) type Spot = [f32; 2];

/// A square of a picture that has texture in both directions.
#[derive(Clone, Debug)]
pub(super) struct Patch {
    /// Its middle.
    pub spot: Spot,
    /// Brightness less its mean.
    texture: [f32; AREA],
    /// Its norm.
    contrast: f32,
    slopes: [[f32; 2]; AREA],
    /// The inverse of the slopes' second moments: xx, xy, yy.
    inverse: [f32; 3],
    /// What it counts as evidence, 0 to 1: a codec drags faint texture along with what moves past it.
    pub strength: f32,
    /// How often it was looked for, and how often it was where the camera's place has it.
    looked: u8,
    kept: u8,
}

impl Patch {
    /// `weaker_slope` is the texture in the direction in which there is less of it.
    fn new(picture: &SmallPicture, x: usize, y: usize, weaker_slope: f32) -> Option<Self> {
        let mut texture = [0.0; AREA];
        let mut slopes = [[0.0; 2]; AREA];
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for row in 0..SIDE {
            for column in 0..SIDE {
                let (px, py) = (x + column - REACH, y + row - REACH);
                let slope = slope(picture, px, py);
                texture[row * SIDE + column] = picture.at(px, py);
                slopes[row * SIDE + column] = slope;
                xx += slope[0] * slope[0];
                xy += slope[0] * slope[1];
                yy += slope[1] * slope[1];
            }
        }
        let mean = texture.iter().sum::<f32>() / AREA as f32;
        texture.iter_mut().for_each(|v| *v -= mean);
        let contrast = texture.iter().map(|v| v * v).sum::<f32>().sqrt();
        let determinant = xx * yy - xy * xy;
        (determinant > 1e-3 && contrast > 1e-3).then(|| Self {
            spot: [x as f32, y as f32],
            texture,
            contrast,
            slopes,
            inverse: [yy / determinant, -xy / determinant, xx / determinant],
            strength: (weaker_slope / CLEAR_TEXTURE).min(1.0).powi(2),
            looked: 0,
            kept: 0,
        })
    }

    /// Whether it stays where it is: noise and what a codec makes of it come and go, or drift with what moves near them.
    pub(super) fn is_reliable(&self) -> bool {
        self.looked < LOOKED_ENOUGH || f32::from(self.kept) >= KEPT_SHARE * f32::from(self.looked)
    }

    /// Remembers whether it was where the camera's place has it.
    pub(super) fn remember(&mut self, was_there: bool) {
        if self.looked >= LOOKED_MOST {
            (self.looked, self.kept) = (self.looked / 2, self.kept / 2);
        }
        self.looked += 1;
        self.kept += u8::from(was_there);
    }

    /// Where the patch is in a picture, if it is near `expected`.
    pub(super) fn find(&self, picture: &SmallPicture, expected: Spot) -> Option<Spot> {
        let mut at = expected;
        let mut seen = [0.0; AREA];
        for _ in 0..STEPS {
            let contrast = window(picture, at, &mut seen)?;
            let gain = self.contrast / contrast;
            let (mut bx, mut by) = (0.0, 0.0);
            for ((seen, texture), slope) in seen.iter().zip(&self.texture).zip(&self.slopes) {
                let error = gain * seen - texture;
                bx += slope[0] * error;
                by += slope[1] * error;
            }
            let [xx, xy, yy] = self.inverse;
            let step = [xx * bx + xy * by, xy * bx + yy * by];
            at = [at[0] - step[0], at[1] - step[1]];
            if (at[0] - expected[0]).hypot(at[1] - expected[1]) > FARTHEST {
                return None;
            }
            if step[0].hypot(step[1]) < SHORTEST_STEP {
                break;
            }
        }
        let contrast = window(picture, at, &mut seen)?;
        let product: f32 = seen.iter().zip(&self.texture).map(|(a, b)| a * b).sum();
        (product > ALIKE * contrast * self.contrast).then_some(at)
    }

    /// How unlike the picture is to the patch around each place of the coarse search, 0 to 2; `None` where it would leave the
    /// picture.
    fn unlikeness(&self, picture: &SmallPicture, at: Spot) -> Option<f32> {
        let (x, y) = (at[0].round(), at[1].round());
        let reach = REACH as f32;
        let inside = x >= reach
            && y >= reach
            && x + reach < picture.width as f32
            && y + reach < picture.height as f32;
        if !inside {
            return None;
        }
        let (left, top) = (x as usize - REACH, y as usize - REACH);
        let (mut sum, mut squares, mut product) = (0.0, 0.0, 0.0);
        for row in 0..SIDE {
            let from = (top + row) * picture.width + left;
            let seen = &picture.gray[from..from + SIDE];
            let texture = &self.texture[row * SIDE..(row + 1) * SIDE];
            for (seen, texture) in seen.iter().zip(texture) {
                sum += seen;
                squares += seen * seen;
                product += seen * texture;
            }
        }
        let variance = (squares - sum * sum / AREA as f32).max(1e-3);
        Some(1.0 - product / (variance.sqrt() * self.contrast))
    }
}

fn slope(picture: &SmallPicture, x: usize, y: usize) -> [f32; 2] {
    [
        0.5 * (picture.at(x + 1, y) - picture.at(x - 1, y)),
        0.5 * (picture.at(x, y + 1) - picture.at(x, y - 1)),
    ]
}

/// Reads the square around a place between pixels, less its mean; gives its norm. `None` where it leaves the picture or has no
/// texture.
fn window(picture: &SmallPicture, [x, y]: Spot, seen: &mut [f32; AREA]) -> Option<f32> {
    let (left, top) = (x - REACH as f32, y - REACH as f32);
    let inside = left >= 0.0
        && top >= 0.0
        && left + (SIDE as f32) < picture.width as f32
        && top + (SIDE as f32) < picture.height as f32;
    if !inside {
        return None;
    }
    let (column, row) = (left as usize, top as usize);
    let (fx, fy) = (left - column as f32, top - row as f32);
    let weights = [
        (1.0 - fx) * (1.0 - fy),
        fx * (1.0 - fy),
        (1.0 - fx) * fy,
        fx * fy,
    ];
    let mut sum = 0.0;
    for (r, out) in seen.chunks_exact_mut(SIDE).enumerate() {
        let from = (row + r) * picture.width + column;
        let above = &picture.gray[from..=from + SIDE];
        let below = &picture.gray[from + picture.width..=from + picture.width + SIDE];
        for (c, out) in out.iter_mut().enumerate() {
            *out = weights[0] * above[c]
                + weights[1] * above[c + 1]
                + weights[2] * below[c]
                + weights[3] * below[c + 1];
            sum += *out;
        }
    }
    let mean = sum / AREA as f32;
    let mut squares = 0.0;
    for value in seen.iter_mut() {
        *value -= mean;
        squares += *value * *value;
    }
    (squares > 1.0).then(|| squares.sqrt())
}

/// The patches of a picture, one of the most textured in each square of it. `hidden` says where none may be.
pub(super) fn patches(picture: &SmallPicture, hidden: impl Fn(Spot) -> bool) -> Vec<Patch> {
    let margin = REACH + 1;
    if picture.width < 4 * margin || picture.height < 4 * margin {
        return Vec::new();
    }
    let least = LEAST_TEXTURE * LEAST_TEXTURE;
    let texture = Texture::new(picture);
    let mut found = Vec::new();
    for top in (margin..picture.height - margin).step_by(CELL) {
        for left in (margin..picture.width - margin).step_by(CELL) {
            let spots = (top..(top + CELL).min(picture.height - margin)).flat_map(|y| {
                (left..(left + CELL).min(picture.width - margin)).map(move |x| (x, y))
            });
            let best = spots
                .filter(|(x, y)| !hidden([*x as f32, *y as f32]))
                .map(|(x, y)| (texture.weaker(x, y), x, y))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((weaker, x, y)) = best
                && weaker > least
            {
                found.extend(Patch::new(picture, x, y, weaker.sqrt()));
            }
        }
    }
    found
}

/// Sums of the slopes' products from the top left corner on.
struct Texture {
    width: usize,
    sums: Vec<[f64; 3]>,
}

impl Texture {
    fn new(picture: &SmallPicture) -> Self {
        let width = picture.width + 1;
        let mut sums = vec![[0.0; 3]; width * (picture.height + 1)];
        for y in 0..picture.height {
            let mut row = [0.0; 3];
            let inner = y > 0 && y + 1 < picture.height;
            for x in 0..picture.width {
                if inner && x > 0 && x + 1 < picture.width {
                    let [sx, sy] = slope(picture, x, y).map(f64::from);
                    row = [row[0] + sx * sx, row[1] + sx * sy, row[2] + sy * sy];
                }
                let above = sums[y * width + x + 1];
                sums[(y + 1) * width + x + 1] = [0, 1, 2].map(|k| above[k] + row[k]);
            }
        }
        Self { width, sums }
    }

    /// Mean square slope in the direction in which it is least, in the patch around a place.
    fn weaker(&self, x: usize, y: usize) -> f32 {
        let at = |x: usize, y: usize| self.sums[y * self.width + x];
        let (left, top) = (x - REACH, y - REACH);
        let (right, bottom) = (x + REACH + 1, y + REACH + 1);
        let [xx, xy, yy] = [0, 1, 2].map(|k| {
            at(right, bottom)[k] - at(left, bottom)[k] - at(right, top)[k] + at(left, top)[k]
        });
        let half = 0.5 * (xx + yy);
        let apart = (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
        ((half - apart) / AREA as f64) as f32
    }
}

/// Where most patches have gone in whole steps of two pixels from where they are expected.
pub(super) fn coarse_shift(
    patches: &[Patch],
    picture: &SmallPicture,
    expected: impl Fn(&Patch) -> Option<Spot>,
) -> Option<Spot> {
    let mut votes = [[0u16; COARSE_SIDE]; COARSE_SIDE];
    for patch in patches.iter().step_by(COARSE_EVERY) {
        let Some([x, y]) = expected(patch) else {
            continue;
        };
        let reach = -COARSE_REACH..=COARSE_REACH;
        let shifts = reach
            .clone()
            .flat_map(|dy| reach.clone().map(move |dx| (dx, dy)));
        let best = shifts
            .filter_map(|(dx, dy)| {
                let at = [x + 2.0 * dx as f32, y + 2.0 * dy as f32];
                Some((patch.unlikeness(picture, at)?, dx, dy))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((unlike, dx, dy)) = best
            && unlike < 0.5
        {
            votes[(dy + COARSE_REACH) as usize][(dx + COARSE_REACH) as usize] += 1;
        }
    }
    most_voted(&votes)
}

/// The middle of the three by three squares with the most votes.
fn most_voted(votes: &[[u16; COARSE_SIDE]; COARSE_SIDE]) -> Option<Spot> {
    let around = |x: usize, y: usize| {
        let rows = &votes[y.saturating_sub(1)..(y + 2).min(COARSE_SIDE)];
        let span = x.saturating_sub(1)..(x + 2).min(COARSE_SIDE);
        let mut all = (0u32, 0u32, 0u32);
        for (r, row) in rows.iter().enumerate() {
            for (c, count) in row[span.clone()].iter().enumerate() {
                let count = u32::from(*count);
                all.0 += count;
                all.1 += count * (span.start + c) as u32;
                all.2 += count * (y.saturating_sub(1) + r) as u32;
            }
        }
        all
    };
    let (count, x, y) = (0..COARSE_SIDE)
        .flat_map(|y| (0..COARSE_SIDE).map(move |x| (x, y)))
        .map(|(x, y)| around(x, y))
        .max_by_key(|(count, _, _)| *count)?;
    if count == 0 {
        return None;
    }
    let shift = |sum: u32| 2.0 * (sum as f32 / count as f32 - COARSE_REACH as f32);
    Some([shift(x), shift(y)])
}
