use super::*;
use std::path::Path;

/// Made by ffmpeg with the typical Huffman tables; see `tests/data/clips/README.md`.
fn jpeg() -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/clips/typical_tables.jpg"))
        .unwrap()
}

/// The JPEG as a camera sends it that leaves its tables out.
fn without_tables(jpeg: &[u8]) -> Vec<u8> {
    let (mut bare, mut at) = (jpeg[..2].to_vec(), 2);
    loop {
        let length = 2 + usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
        match jpeg[at + 1] {
            0xC4 => {}
            0xDA => break,
            _ => bare.extend_from_slice(&jpeg[at..at + length]),
        }
        at += length;
    }
    bare.extend_from_slice(&jpeg[at..]);
    bare
}

fn layout(format: PixelFormat, width: usize, height: usize, stride: usize) -> Layout {
    Layout {
        format,
        size: PictureSize {
            width_px: width as u32,
            height_px: height as u32,
        },
        stride,
        color: ColorSpace::default(),
    }
}

fn decoded(bytes: &[u8]) -> Result<Frame, String> {
    let mut frame = Frame::default();
    PixelDecoder::default().decode(bytes, &layout(PixelFormat::Mjpeg, 0, 0, 0), &mut frame)?;
    Ok(frame)
}

#[test]
fn a_jpeg_without_tables_gives_the_same_picture_as_with_them() {
    let whole = jpeg();
    let bare = without_tables(&whole);
    assert!(bare.len() + 300 < whole.len());
    let (with, without) = (decoded(&whole).unwrap(), decoded(&bare).unwrap());
    assert_eq!((with.width, with.height), (64, 48));
    assert!(with.rgb == without.rgb);
}

#[test]
fn a_jpeg_cut_short_is_refused_and_not_painted_gray() {
    let whole = jpeg();
    for length in [whole.len() / 2, whole.len() * 3 / 4, 100, 2] {
        assert!(
            decoded(&whole[..length]).is_err(),
            "{length} of {} bytes",
            whole.len()
        );
    }
    assert!(decoded(b"no jpeg").is_err());
}

#[test]
fn a_header_that_tells_of_hundreds_of_megapixels_takes_no_memory() {
    let mut damaged = jpeg();
    // The height stands five bytes into the frame header, the width two after it (ITU-T T.81, B.2.2).
    let header = damaged
        .windows(2)
        .position(|mark| mark == [0xff, 0xc0])
        .unwrap();
    damaged[header + 5..header + 9].copy_from_slice(&[0x30, 0, 0x40, 0]);
    let mut frame = Frame::default();
    let mut decoder = PixelDecoder::default();
    let told = decoder.decode(&damaged, &layout(PixelFormat::Mjpeg, 0, 0, 0), &mut frame);
    assert!(told.unwrap_err().contains("16384 x 12288"));
    assert_eq!(frame.rgb.capacity(), 0);
}

#[test]
fn a_camera_whose_every_jpeg_lacks_its_end_still_works_after_a_while() {
    let whole = jpeg();
    let endless = &whole[..whole.len() - 200];
    let mut decoder = PixelDecoder::default();
    let mut frame = Frame::default();
    let layout = layout(PixelFormat::Mjpeg, 0, 0, 0);
    let results: Vec<bool> = (0..20)
        .map(|_| decoder.decode(endless, &layout, &mut frame).is_ok())
        .collect();
    assert!(!results[0] && results[19], "{results:?}");
    // A camera that can do better is held to it.
    let mut decoder = PixelDecoder::default();
    decoder.decode(&whole, &layout, &mut frame).unwrap();
    assert!((0..20).all(|_| decoder.decode(endless, &layout, &mut frame).is_err()));
}

#[test]
fn rows_may_be_padded_and_must_be_whole() {
    // Two rows of two pixels, each row followed by two bytes of padding.
    let bytes = [1, 2, 3, 4, 5, 6, 99, 99, 7, 8, 9, 10, 11, 12, 99, 99];
    let mut frame = Frame::default();
    let mut decoder = PixelDecoder::default();
    decoder
        .decode(&bytes, &layout(PixelFormat::Rgb24, 2, 2, 8), &mut frame)
        .unwrap();
    assert_eq!(frame.rgb, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]);
    decoder
        .decode(
            &bytes[..14],
            &layout(PixelFormat::Rgb24, 2, 2, 8),
            &mut frame,
        )
        .unwrap();
    let error = decoder
        .decode(
            &bytes[..13],
            &layout(PixelFormat::Rgb24, 2, 2, 8),
            &mut frame,
        )
        .unwrap_err();
    assert!(error.contains("13 bytes where 14"), "{error}");
    for format in [PixelFormat::Yuyv, PixelFormat::Nv12] {
        assert!(
            decoder
                .decode(&[128; 40], &layout(format, 16, 4, 0), &mut frame)
                .is_err(),
            "{format}"
        );
    }
}

#[test]
fn padded_yuyv_and_nv12_give_the_gray_they_hold() {
    let mut frame = Frame::default();
    let mut decoder = PixelDecoder::default();
    // 126 is mid gray in limited range: (126 - 16) * 255 / 219 = 128.
    let yuyv: Vec<u8> = (0..4)
        .flat_map(|_| [126, 128].into_iter().cycle().take(32).chain([0; 6]))
        .collect();
    decoder
        .decode(&yuyv, &layout(PixelFormat::Yuyv, 16, 4, 38), &mut frame)
        .unwrap();
    assert!(
        frame.rgb.iter().all(|value| value.abs_diff(128) <= 1),
        "{:?}",
        &frame.rgb[..12]
    );
    let nv12: Vec<u8> = (0..6)
        .flat_map(|row| {
            [if row < 4 { 126 } else { 128 }; 16]
                .into_iter()
                .chain([0; 8])
        })
        .collect();
    decoder
        .decode(&nv12, &layout(PixelFormat::Nv12, 16, 4, 24), &mut frame)
        .unwrap();
    assert!(
        frame.rgb.iter().all(|value| value.abs_diff(128) <= 1),
        "{:?}",
        &frame.rgb[..12]
    );
}

/// A picture that changes smoothly in all three colors, as little of it is lost in a JPEG of high quality.
fn smooth(width: usize, height: usize) -> Vec<u8> {
    let wave = |at: usize, length: f64| (127.5 + 100.0 * (at as f64 / length).sin()) as u8;
    (0..width * height)
        .flat_map(|i| {
            let (x, y) = (i % width, i / width);
            [wave(x, 23.0), wave(y, 17.0), wave(x + y, 31.0)]
        })
        .collect()
}

/// Made by the `jpeg-encoder` crate, whose tables are the typical ones of ITU-T T.81, annex K.
#[test]
fn a_jpeg_gives_the_picture_that_was_put_into_it_in_each_sampling_with_and_without_tables() {
    use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
    let (width, height) = (96, 64);
    let picture = smooth(width, height);
    for sampling in [
        SamplingFactor::F_1_1,
        // What webcams send.
        SamplingFactor::F_2_1,
        SamplingFactor::F_2_2,
    ] {
        let mut whole = Vec::new();
        let mut encoder = Encoder::new(&mut whole, 97);
        encoder.set_sampling_factor(sampling);
        encoder
            .encode(&picture, width as u16, height as u16, ColorType::Rgb)
            .unwrap();
        let bare = without_tables(&whole);
        assert!(bare.len() < whole.len());
        for jpeg in [&whole, &bare] {
            let frame = decoded(jpeg).unwrap();
            assert_eq!((frame.width, frame.height), (width, height));
            let off: Vec<u8> = frame
                .rgb
                .iter()
                .zip(&picture)
                .map(|(a, b)| a.abs_diff(*b))
                .collect();
            let mean = off.iter().map(|d| f64::from(*d)).sum::<f64>() / off.len() as f64;
            let most = off.iter().max().unwrap();
            assert!(
                mean < 1.5 && *most <= 12,
                "{sampling:?}: {mean:.2}, {most} at most"
            );
        }
    }
}

/// ITU-R BT.601-7, section 2.5.1: luminance from the primaries; 2.5.3: scaled to 219 levels from 16, and the differences to
/// 224 levels about 128. Solved for the primaries, brought to 0 to 255.
fn bt601(y: u8, cb: u8, cr: u8) -> [f64; 3] {
    let (y, cb, cr) = (
        (f64::from(y) - 16.0) / 219.0,
        (f64::from(cb) - 128.0) / 224.0,
        (f64::from(cr) - 128.0) / 224.0,
    );
    let red = y + 1.402 * cr;
    let blue = y + 1.772 * cb;
    let green = (y - 0.299 * red - 0.114 * blue) / 0.587;
    [red, green, blue].map(|value| (255.0 * value).clamp(0.0, 255.0))
}

#[test]
fn every_pixel_of_yuyv_and_nv12_is_the_one_of_the_recommendation() {
    let (width, height) = (32, 16);
    // Brightness of each pixel, color of each block of two by two; YUYV repeats it in both of its rows.
    let y = |x: usize, row: usize| (16 + (x * 53 + row * 31) % 220) as u8;
    let cb = |x: usize, row: usize| (16 + (x / 2 * 37 + row / 2 * 71) % 225) as u8;
    let cr = |x: usize, row: usize| (16 + (x / 2 * 91 + row / 2 * 13) % 225) as u8;
    let pixels = || (0..height).flat_map(move |row| (0..width).map(move |x| (x, row)));
    let yuyv: Vec<u8> = pixels()
        .flat_map(|(x, row)| [y(x, row), if x % 2 == 0 { cb(x, row) } else { cr(x, row) }])
        .collect();
    let colors = (0..height).step_by(2).flat_map(|row| {
        (0..width)
            .step_by(2)
            .flat_map(move |x| [cb(x, row), cr(x, row)])
    });
    let nv12: Vec<u8> = pixels().map(|(x, row)| y(x, row)).chain(colors).collect();
    for (bytes, format) in [(yuyv, PixelFormat::Yuyv), (nv12, PixelFormat::Nv12)] {
        let mut frame = Frame::default();
        PixelDecoder::default()
            .decode(&bytes, &layout(format, width, height, 0), &mut frame)
            .unwrap();
        let mut off = Vec::new();
        for ((x, row), rgb) in pixels().zip(frame.rgb.chunks(3)) {
            let right = bt601(y(x, row), cb(x, row), cr(x, row));
            off.extend(
                rgb.iter()
                    .zip(right)
                    .map(|(value, right)| (f64::from(*value) - right).abs()),
            );
        }
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        let most = off.iter().copied().fold(0.0, f64::max);
        // The conversion's whole numbers round a product for each part of a pixel.
        assert!(
            mean <= 0.7 && most <= 3.0,
            "{format}: off by {mean:.2}, {most:.2} at most"
        );
    }
}
