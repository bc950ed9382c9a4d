//! Rotates RGB pictures by quarter turns, for clips filmed with the camera on its side. No resampling.

/// How far a stored picture must be rotated, clockwise, to be upright.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Rotation {
    /// Stored upright.
    #[default]
    None,
    /// A quarter turn clockwise.
    Clockwise90,
    /// Upside down.
    Half,
    /// A quarter turn counterclockwise.
    Clockwise270,
}

impl Rotation {
    /// The nearest quarter turn to a clockwise angle in degrees.
    pub(crate) fn from_clockwise_deg(deg: f64) -> Self {
        match (deg / 90.0).round().rem_euclid(4.0) as u32 {
            1 => Self::Clockwise90,
            2 => Self::Half,
            3 => Self::Clockwise270,
            _ => Self::None,
        }
    }

    /// Width and height in pixels after the rotation.
    pub(crate) fn rotated_size(self, width: usize, height: usize) -> (usize, usize) {
        match self {
            Self::None | Self::Half => (width, height),
            Self::Clockwise90 | Self::Clockwise270 => (height, width),
        }
    }
}

/// How many pixels of an upright row are written at a time: few enough that the stored rows they come
/// from stay in the processor's cache from one column to the next.
const STRIP: usize = 16;

/// Rotates `from` (`width` x `height`, tightly packed RGB) into `into`, which must be as long.
pub(super) fn rotate_rgb(
    from: &[u8],
    width: usize,
    height: usize,
    rotation: Rotation,
    into: &mut [u8],
) {
    assert_eq!(from.len(), 3 * width * height);
    assert_eq!(from.len(), into.len());
    match rotation {
        Rotation::None => into.copy_from_slice(from),
        Rotation::Half => {
            let (from, _) = from.as_chunks::<3>();
            let (into, _) = into.as_chunks_mut::<3>();
            for (to, pixel) in into.iter_mut().zip(from.iter().rev()) {
                *to = *pixel;
            }
        }
        Rotation::Clockwise90 => {
            rotate_quarter(from, height, into, |row, column| {
                (height - 1 - column) * width + row
            });
        }
        Rotation::Clockwise270 => {
            rotate_quarter(from, height, into, |row, column| {
                column * width + (width - 1 - row)
            });
        }
    }
}

/// `stored_at(row, column)` is the index of the stored pixel for that pixel of the upright picture.
fn rotate_quarter(
    from: &[u8],
    upright_width: usize,
    into: &mut [u8],
    stored_at: impl Fn(usize, usize) -> usize,
) {
    let (from, _) = from.as_chunks::<3>();
    let (into, _) = into.as_chunks_mut::<3>();
    for strip in (0..upright_width).step_by(STRIP) {
        let strip = strip..(strip + STRIP).min(upright_width);
        for (row, pixels) in into.chunks_exact_mut(upright_width).enumerate() {
            for (column, pixel) in strip.clone().zip(&mut pixels[strip.clone()]) {
                *pixel = from[stored_at(row, column)];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture whose pixels are all different: the pixel at (x, y) is [x, y, x ^ y].
    fn picture(width: usize, height: usize) -> Vec<u8> {
        (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| [x as u8, y as u8, (x ^ y) as u8]))
            .collect()
    }

    fn rotated(rotation: Rotation, width: usize, height: usize) -> Vec<u8> {
        let mut into = vec![0; 3 * width * height];
        rotate_rgb(&picture(width, height), width, height, rotation, &mut into);
        into
    }

    #[test]
    fn corners_land_where_a_rotated_page_puts_them() {
        let (width, height) = (5, 3);
        let pixel = |rgb: &[u8], width: usize, x: usize, y: usize| {
            [rgb[3 * (y * width + x)], rgb[3 * (y * width + x) + 1]]
        };
        // The stored top left corner is (0, 0).
        assert_eq!(
            pixel(
                &rotated(Rotation::Clockwise90, width, height),
                height,
                height - 1,
                0
            ),
            [0, 0]
        );
        assert_eq!(
            pixel(
                &rotated(Rotation::Half, width, height),
                width,
                width - 1,
                height - 1
            ),
            [0, 0]
        );
        assert_eq!(
            pixel(
                &rotated(Rotation::Clockwise270, width, height),
                height,
                0,
                width - 1
            ),
            [0, 0]
        );
        // The stored top right corner is (4, 0).
        assert_eq!(
            pixel(
                &rotated(Rotation::Clockwise90, width, height),
                height,
                height - 1,
                width - 1
            ),
            [4, 0]
        );
        assert_eq!(
            pixel(
                &rotated(Rotation::Half, width, height),
                width,
                0,
                height - 1
            ),
            [4, 0]
        );
        assert_eq!(
            pixel(
                &rotated(Rotation::Clockwise270, width, height),
                height,
                0,
                0
            ),
            [4, 0]
        );
    }

    #[test]
    fn four_quarter_turns_give_the_picture_back() {
        // Larger than a strip and no multiple of it.
        let (width, height) = (70, 45);
        let original = picture(width, height);
        let (mut now, mut size) = (original.clone(), (width, height));
        for _ in 0..4 {
            let mut next = vec![0; now.len()];
            rotate_rgb(&now, size.0, size.1, Rotation::Clockwise90, &mut next);
            size = Rotation::Clockwise90.rotated_size(size.0, size.1);
            now = next;
        }
        assert_eq!(size, (width, height));
        assert_eq!(now, original);
    }

    #[test]
    fn angles_round_to_the_nearest_quarter() {
        use Rotation::{Clockwise90, Clockwise270, Half, None};
        for (deg, expected) in [
            (0.0, None),
            (89.0, Clockwise90),
            (-90.0, Clockwise270),
            (180.0, Half),
            (-180.0, Half),
            (450.0, Clockwise90),
            (44.0, None),
        ] {
            assert_eq!(Rotation::from_clockwise_deg(deg), expected, "{deg}");
        }
    }
}
