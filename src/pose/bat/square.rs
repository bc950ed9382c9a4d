//! The square of a frame that the network sees, scaled down: each of its points is the mean of the pixels that it covers.

use cagehand_networks::{append_gray, color_means, gray_means};

use crate::capture::Frame;

/// An upright square of the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Square {
    pub center_px: [f32; 2],
    pub side_px: f32,
}

impl Square {
    /// The place of a point of the picture, in cells of a grid over the square.
    pub(super) fn px_to_grid(self, point_px: [f32; 2], cells: usize) -> [f32; 2] {
        let scale = cells as f32 / self.side_px;
        [0, 1].map(|axis| (point_px[axis] - self.center_px[axis]) * scale + 0.5 * cells as f32)
    }

    /// The point of the picture at a place on a grid over the square.
    pub(super) fn grid_to_px(self, place: [f32; 2], cells: usize) -> [f32; 2] {
        let scale = self.side_px / cells as f32;
        [0, 1].map(|axis| (place[axis] - 0.5 * cells as f32) * scale + self.center_px[axis])
    }

    /// The square with room for where the hands may be a frame later.
    pub(super) fn grown(self) -> Self {
        Self {
            side_px: 1.2 * self.side_px,
            ..self
        }
    }

    /// This square, grown about its middle until it covers the other.
    pub(super) fn with(self, other: Self) -> Self {
        let reach = |axis: usize| {
            (other.center_px[axis] - self.center_px[axis]).abs() + 0.5 * other.side_px
        };
        Self {
            side_px: self.side_px.max(2.0 * reach(0)).max(2.0 * reach(1)),
            ..self
        }
    }

    /// The pixels along an axis that each cell covers, those beyond the picture's edge replaced by the edge's.
    fn spans(self, axis: usize, cells: usize, length: usize) -> Vec<(usize, usize)> {
        let edge = |cell: usize| {
            let mut place = [0.0; 2];
            place[axis] = cell as f32;
            let at = self.grid_to_px(place, cells)[axis].round();
            at.clamp(-1e6, 1e6) as i64
        };
        (0..cells)
            .map(|cell| {
                let last = length as i64 - 1;
                let from = edge(cell).clamp(0, last);
                let to = edge(cell + 1).max(edge(cell) + 1).clamp(from + 1, last + 1);
                (from as usize, to as usize)
            })
            .collect()
    }

    /// Samples the square into `cells` x `cells` red, green and blue, 0 to 1.
    pub(super) fn sample(self, frame: &Frame, cells: usize, into: &mut [f32]) {
        let columns = self.spans(0, cells, frame.width);
        let rows = self.spans(1, cells, frame.height);
        color_means(&frame.rgb, frame.width, &columns, &rows, into);
    }
}

/// The gray of what is around the hitter in the frame before.
#[derive(Debug, Default)]
pub(super) struct GrayFrame {
    /// Corner and size of the part that is kept, pixels; empty where there was no such frame.
    left: usize,
    top: usize,
    width: usize,
    height: usize,
    bytes: Vec<u8>,
}

/// Gray of red, green and blue (ITU-R BT.601).
fn gray([red, green, blue]: [f32; 3]) -> f32 {
    0.299 * red + 0.587 * green + 0.114 * blue
}

impl GrayFrame {
    pub(super) fn clear(&mut self) {
        self.bytes.clear();
    }

    /// Keeps this part of a frame.
    pub(super) fn take(&mut self, frame: &Frame, part: &Square) {
        let range = |axis: usize, length: usize| {
            let half = 0.5 * part.side_px;
            let [from, to] = [-half, half].map(|side| (part.center_px[axis] + side) as usize);
            (from.min(length), to.min(length))
        };
        let (left, right) = range(0, frame.width);
        let (top, bottom) = range(1, frame.height);
        *self = Self {
            left,
            top,
            width: right - left,
            height: bottom - top,
            bytes: std::mem::take(&mut self.bytes),
        };
        self.bytes.clear();
        for y in top..bottom {
            let pixels = &frame.rgb[3 * (y * frame.width + left)..][..3 * self.width];
            append_gray(pixels, &mut self.bytes);
        }
    }

    /// Samples the square; where there was no frame before, the gray of `now`, its red, green and blue.
    pub(super) fn sample(&self, square: &Square, cells: usize, now: &[f32], into: &mut [f32]) {
        if self.bytes.is_empty() {
            for (value, color) in into.iter_mut().zip(now.chunks_exact(3)) {
                *value = gray([color[0], color[1], color[2]]);
            }
            return;
        }
        let moved = Square {
            center_px: [
                square.center_px[0] - self.left as f32,
                square.center_px[1] - self.top as f32,
            ],
            ..*square
        };
        let columns = moved.spans(0, cells, self.width);
        let rows = moved.spans(1, cells, self.height);
        gray_means(&self.bytes, self.width, &columns, &rows, into);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each pixel's red is its column, its green its row.
    fn ramp(width: usize, height: usize) -> Frame {
        let pixels = (0..height).flat_map(|y| (0..width).map(move |x| [x as u8, y as u8, 7]));
        Frame {
            width,
            height,
            rgb: pixels.flatten().collect(),
            ..Frame::default()
        }
    }

    #[test]
    fn places_on_the_grid_and_in_the_picture_are_each_others_inverse() {
        let square = Square {
            center_px: [100.0, 60.0],
            side_px: 96.0,
        };
        assert_eq!(square.px_to_grid([100.0, 60.0], 48), [24.0; 2]);
        assert_eq!(square.grid_to_px([0.0, 48.0], 48), [52.0, 108.0]);
        assert_eq!(
            square.px_to_grid(square.grid_to_px([3.5, 40.0], 48), 48),
            [3.5, 40.0]
        );
    }

    #[test]
    fn a_square_grows_about_its_middle_to_cover_another() {
        let square = |x, side_px| Square {
            center_px: [x, 60.0],
            side_px,
        };
        assert_eq!(
            square(100.0, 96.0).with(square(110.0, 20.0)),
            square(100.0, 96.0)
        );
        assert_eq!(
            square(100.0, 96.0).with(square(40.0, 20.0)),
            square(100.0, 140.0)
        );
    }

    #[test]
    fn each_cell_is_the_mean_of_its_pixels_and_the_edge_is_repeated() {
        let frame = ramp(100, 80);
        let square = Square {
            center_px: [20.0, 40.0],
            side_px: 80.0,
        };
        let mut cells = vec![0.0; 3 * 400];
        square.sample(&frame, 20, &mut cells);
        let at = |row: usize, column: usize| &cells[3 * (20 * row + column)..][..3];
        // Cells of four pixels; the fifth column begins at the picture's left edge.
        let wanted = [1.5 / 255.0, 1.5 / 255.0, 7.0 / 255.0];
        for (got, wanted) in at(0, 5).iter().zip(wanted) {
            assert!((got - wanted).abs() < 1e-6, "{got} {wanted}");
        }
        assert_eq!(at(0, 0)[0], 0.0);
        assert!((at(19, 19)[1] - 77.5 / 255.0).abs() < 1e-6);
    }

    #[test]
    fn the_frame_before_is_seen_through_the_square_of_now() {
        let frame = ramp(100, 80);
        let square = Square {
            center_px: [50.0, 40.0],
            side_px: 40.0,
        };
        let mut before = GrayFrame::default();
        let (mut colors, mut grays) = (vec![0.0; 300], vec![0.0; 100]);
        square.sample(&frame, 10, &mut colors);
        before.sample(&square, 10, &colors, &mut grays);
        let now = grays.clone();
        before.take(&frame, &square.grown());
        before.sample(&square, 10, &colors, &mut grays);
        // Bytes are rounded down, and the weights are those of eight bits.
        let close = now
            .iter()
            .zip(&grays)
            .all(|(a, b)| (a - b).abs() < 1.5 / 255.0);
        assert!(close, "{now:?} {grays:?}");
        before.clear();
        before.sample(&square, 10, &colors, &mut grays);
        assert_eq!(now, grays);
    }

    #[test]
    fn a_square_beside_the_picture_is_its_edge() {
        let frame = ramp(20, 10);
        let square = Square {
            center_px: [-500.0, 900.0],
            side_px: 50.0,
        };
        let mut cells = vec![9.0; 3 * 16];
        square.sample(&frame, 4, &mut cells);
        assert!(
            cells
                .chunks_exact(3)
                .all(|cell| cell[0] == 0.0 && (cell[1] - 9.0 / 255.0).abs() < 1e-6)
        );
        let mut before = GrayFrame::default();
        before.take(&frame, &square);
        let mut grays = vec![9.0; 16];
        before.sample(&square, 4, &cells, &mut grays);
        assert!(grays.iter().all(|gray| *gray < 1.0));
    }
}
