//! Sounds that are computed: the tones of cues, the sounds of a delivery, the head tone, and the level
//! that all sounds are brought to. Pure; no files, no threads.

mod delivery;
mod head_tone;
mod loudness;
mod tone;

#[cfg(test)]
mod tests;

pub(super) use delivery::DeliverySounds;
pub(super) use head_tone::HeadToneVoice;
pub(super) use loudness::level;
#[cfg(test)]
pub(super) use loudness::{MAX_SAMPLE, TARGET_LUFS, loudest_momentary};
pub(super) use tone::{Tone, samples as tone_samples};

use std::f32::consts::PI;

/// Rises smoothly from 0 at `share` 0 to 1 at `share` 1 and stays there.
pub(super) fn raised_cosine(share: f32) -> f32 {
    0.5 - 0.5 * (PI * share.clamp(0.0, 1.0)).cos()
}
