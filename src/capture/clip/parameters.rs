//! What an H.264 sequence parameter set says about the pictures: whether the decoder built into
//! this program can decode them, and their colours.

use h264_reader::nal::sps::{ChromaFormat, FrameMbsFlags, SeqParameterSet};
use h264_reader::nal::{Nal, RefNal};

use crate::capture::colour::ColourSpace;

/// The colours of the pictures, or the kind of picture that the built-in decoder cannot decode.
///
/// `sets` are sequence parameter sets without start codes. A set that cannot be parsed is left to
/// the decoder to judge, with the usual colours.
pub(super) fn inspect(sets: &[Vec<u8>]) -> Result<ColourSpace, &'static str> {
    let mut colour = ColourSpace::default();
    for set in sets.iter().filter(|set| !set.is_empty()) {
        let Ok(parsed) = SeqParameterSet::from_bits(RefNal::new(set, &[], true).rbsp_bits()) else {
            tracing::debug!(
                "a sequence parameter set could not be parsed; the decoder will judge it"
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
            colour = ColourSpace::from_codes(matrix, signal.video_full_range_flag);
        }
    }
    Ok(colour)
}
