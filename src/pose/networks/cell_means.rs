//! Scales a part of a picture down: each cell of a grid is the mean of the pixels that it covers.

/// Writes the mean red, green and blue of each cell, 0 to 1, row by row.
///
/// `pixels` is a picture of `width` pixels a row; `columns` and `rows` are the first pixel of each cell and the one after its
/// last, none of them empty.
///
/// # Panics
/// Where a cell is empty or lies outside the picture, or `into` has another length than the grid.
pub fn color_means(
    pixels: &[u8],
    width: usize,
    columns: &[(usize, usize)],
    rows: &[(usize, usize)],
    into: &mut [f32],
) {
    cell_means::<3>(pixels, width, columns, rows, into);
}

/// As [`color_means`], of a gray picture.
///
/// # Panics
/// As there.
pub fn gray_means(
    pixels: &[u8],
    width: usize,
    columns: &[(usize, usize)],
    rows: &[(usize, usize)],
    into: &mut [f32],
) {
    cell_means::<1>(pixels, width, columns, rows, into);
}

// Private, so that it is compiled in this crate, with this crate's optimization.
fn cell_means<const CHANNELS: usize>(
    pixels: &[u8],
    width: usize,
    columns: &[(usize, usize)],
    rows: &[(usize, usize)],
    into: &mut [f32],
) {
    assert_eq!(into.len(), rows.len() * columns.len() * CHANNELS, "cells");
    let (Some(first), Some(last)) = (columns.first(), columns.last()) else {
        return;
    };
    assert!(
        columns.iter().all(|(from, to)| from < to && *to <= width),
        "columns"
    );
    let mut sums = vec![[0u32; CHANNELS]; columns.len()];
    for (row, cells) in rows
        .iter()
        .zip(into.chunks_exact_mut(columns.len() * CHANNELS))
    {
        assert!(row.0 < row.1, "rows");
        sums.fill([0; CHANNELS]);
        for y in row.0..row.1 {
            let line = &pixels[CHANNELS * (y * width + first.0)..CHANNELS * (y * width + last.1)];
            for ((from, to), sum) in columns.iter().zip(&mut sums) {
                let covered = &line[CHANNELS * (from - first.0)..CHANNELS * (to - first.0)];
                for pixel in covered.chunks_exact(CHANNELS) {
                    for (sum, byte) in sum.iter_mut().zip(pixel) {
                        *sum += u32::from(*byte);
                    }
                }
            }
        }
        for ((from, to), (sum, cell)) in columns
            .iter()
            .zip(sums.iter().zip(cells.chunks_exact_mut(CHANNELS)))
        {
            let unit = 1.0 / (255.0 * ((row.1 - row.0) * (to - from)) as f32);
            for (value, sum) in cell.iter_mut().zip(sum) {
                *value = *sum as f32 * unit;
            }
        }
    }
}

/// Appends the gray of red, green and blue pixels (ITU-R BT.601, weights of eight bits).
pub fn append_gray(rgb: &[u8], gray: &mut Vec<u8>) {
    gray.extend(rgb.chunks_exact(3).map(|pixel| {
        let [red, green, blue] = [pixel[0], pixel[1], pixel[2]].map(u32::from);
        ((77 * red + 150 * green + 29 * blue) >> 8) as u8
    }));
}
