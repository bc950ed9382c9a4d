//! One cue on its way out, sample by sample, with the quick fade that cuts it short.
//!
//! Used by the device's audio thread and by the WAV render alike. Does no input or output, takes no
//! lock and allocates nothing after it was made.

use std::sync::Arc;

use super::frames_in;
use super::schedule::CUT_FADE;
use super::tone::raised_cosine;

/// Gives the samples of one cue, scaled; ends early, but softly, after [`Voice::cut`].
#[derive(Debug)]
pub(super) struct Voice {
    samples: Arc<[f32]>,
    position: usize,
    gain: f32,
    /// Samples left of the fade, once the voice was cut.
    fade_left: Option<usize>,
}

impl Voice {
    /// `gain`: 1 plays the samples as they are.
    pub(super) fn new(samples: Arc<[f32]>, gain: f32) -> Self {
        Self {
            samples,
            position: 0,
            gain,
            fade_left: None,
        }
    }

    /// Lets the voice die away within [`CUT_FADE`]. A second call changes nothing.
    pub(super) fn cut(&mut self) {
        self.fade_left.get_or_insert(frames_in(CUT_FADE));
    }
}

impl Iterator for Voice {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        let mut sample = self.samples.get(self.position)? * self.gain;
        self.position += 1;
        if let Some(left) = &mut self.fade_left {
            *left = left.checked_sub(1)?;
            sample *= raised_cosine(*left as f32 / frames_in(CUT_FADE) as f32);
        }
        Some(sample)
    }
}
