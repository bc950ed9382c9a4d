//! What H.264 sequence parameter sets say about the pictures: whether the built-in decoder can decode
//! them, and their color space.

use h264_reader::nal::sps::{ChromaFormat, FrameMbsFlags, SeqParameterSet};
use h264_reader::nal::{Nal, RefNal};

use crate::capture::color::ColorSpace;

/// The color space of the pictures.
///
/// `sets` are sequence parameter sets without start codes. One that cannot be parsed is left to the
/// decoder, with the default color space.
///
/// # Errors
/// The kind of picture that the built-in decoder cannot decode, in words.
pub(in super::super) fn color_space(sets: &[Vec<u8>]) -> Result<ColorSpace, &'static str> {
    let mut color = ColorSpace::default();
    for set in sets.iter().filter(|set| !set.is_empty()) {
        let Ok(parsed) = SeqParameterSet::from_bits(RefNal::new(set, &[], true).rbsp_bits()) else {
            tracing::debug!(
                "a sequence parameter set could not be parsed; the decoder has to deal with it"
            );
            continue;
        };
        let chroma = &parsed.chroma_info;
        if chroma.bit_depth_luma_minus8 > 0 || chroma.bit_depth_chroma_minus8 > 0 {
            return Err("more than 8 bits a colour");
        }
        if chroma.chroma_format != ChromaFormat::YUV420 {
            return Err("colour sampling other than 4:2:0");
        }
        if matches!(parsed.frame_mbs_flags, FrameMbsFlags::Fields { .. }) {
            return Err("interlaced coding");
        }
        if let Some(signal) = parsed
            .vui_parameters
            .as_ref()
            .and_then(|vui| vui.video_signal_type.as_ref())
        {
            let matrix = signal
                .colour_description
                .as_ref()
                .map(|description| description.matrix_coefficients);
            color = ColorSpace::from_codes(matrix, signal.video_full_range_flag);
        }
    }
    Ok(color)
}
