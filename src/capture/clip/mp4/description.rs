//! What a track's description says: codec, parameter sets, orientation.

use re_mp4::{Avc1Box, Mp4, StsdBoxContent, TrakBox};

use super::AvcConfig;
use crate::capture::Rotation;

/// `None` if parameter sets are missing.
pub(super) fn avc_config(avc1: &Avc1Box) -> Option<AvcConfig> {
    let config = &avc1.avcc.contents;
    let avc = AvcConfig {
        length_size: usize::from(config.length_size_minus_one & 3) + 1,
        sequence_sets: config
            .sequence_parameter_sets
            .iter()
            .map(|unit| unit.bytes.clone())
            .collect(),
        picture_sets: config
            .picture_parameter_sets
            .iter()
            .map(|unit| unit.bytes.clone())
            .collect(),
    };
    (!avc.sequence_sets.is_empty() && !avc.picture_sets.is_empty()).then_some(avc)
}

/// The rotation that the movie's and the track's matrices amount to together, and whether they mirror.
pub(super) fn orientation(mp4: &Mp4, trak: &TrakBox) -> (Rotation, bool) {
    let (track, movie) = (&trak.tkhd.matrix, &mp4.moov.mvhd.matrix);
    let [a, b, c, d] = [track.a, track.b, track.c, track.d].map(f64::from);
    let [e, f, g, h] = [movie.a, movie.b, movie.c, movie.d].map(f64::from);
    // (x, y) becomes (ax + cy, bx + dy) in the track, then likewise in the movie; y points down.
    let (x_to_x, x_to_y) = (a * e + b * g, a * f + b * h);
    let (y_to_x, y_to_y) = (c * e + d * g, c * f + d * h);
    let mirrored = x_to_x * y_to_y - x_to_y * y_to_x < 0.0;
    (
        Rotation::from_clockwise_deg(x_to_y.atan2(x_to_x).to_degrees()),
        mirrored,
    )
}

/// The codec in the words people use, with the exact code.
pub(super) fn codec_name(contents: &StsdBoxContent) -> String {
    let code = contents.codec_string();
    match contents {
        StsdBoxContent::Avc1(_) => format!("H.264 ({})", code.unwrap_or_else(|| "avc1".into())),
        StsdBoxContent::Hvc1(_) | StsdBoxContent::Hev1(_) => format!(
            "HEVC, also called H.265 ({})",
            code.unwrap_or_else(|| "hvc1".into())
        ),
        StsdBoxContent::Av01(_) => "AV1".into(),
        StsdBoxContent::Vp08(_) => "VP8".into(),
        StsdBoxContent::Vp09(_) => "VP9".into(),
        StsdBoxContent::Unknown(code) => match u32::from(code).to_be_bytes().as_slice() {
            b"avc3" | b"avc4" => format!("H.264 with its parameters inside the stream ({code})"),
            b"dvh1" | b"dvhe" => format!("HEVC with Dolby Vision ({code})"),
            b"mp4v" => "MPEG-4 Part 2 (mp4v)".into(),
            b"jpeg" | b"mjpa" | b"mjpb" => format!("Motion JPEG ({code})"),
            b"apcn" | b"apch" | b"apcs" | b"apco" | b"ap4h" | b"ap4x" => format!("ProRes ({code})"),
            b"encv" => "an encrypted video track (encv)".into(),
            _ => format!("the codec \"{code}\""),
        },
        _ => "an unknown codec".into(),
    }
}
