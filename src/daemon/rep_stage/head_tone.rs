//! The tone that follows the hitter's head from the gather to the swing.

use std::sync::{Arc, OnceLock};

use crate::capture::CaptureClock;
use crate::pose::PoseFrame;
use crate::rep::{HitterSetup, LiveHead, RepFinder};
use crate::sound::SoundOutput;
use crate::status::DurationWindow;

/// The travel at which the tone turns sharp where the head's band has no upper end, centimeters.
pub(super) const DEFAULT_EDGE_CM: f64 = 10.0;

/// Follows one hitter's head and sets the tone.
pub(super) struct HeadTone {
    head: LiveHead,
    is_on: bool,
    /// From a frame's capture to the tone's last change.
    set_after_ms: Option<f64>,
    clock: Arc<OnceLock<CaptureClock>>,
    /// From capture to the first sample of the changed tone.
    latency: Arc<DurationWindow>,
}

impl HeadTone {
    pub(super) fn new(
        setup: HitterSetup,
        clock: Arc<OnceLock<CaptureClock>>,
        latency: Arc<DurationWindow>,
    ) -> Self {
        Self {
            head: LiveHead::new(setup),
            is_on: false,
            set_after_ms: None,
            clock,
            latency,
        }
    }

    /// Records latencies here.
    pub(super) fn set_latency_window(&mut self, latency: Arc<DurationWindow>) {
        self.latency = latency;
    }

    /// Follows another hitter.
    pub(super) fn begin_session(&mut self, setup: HitterSetup) {
        self.head = LiveHead::new(setup);
    }

    /// What is known of hitter and camera has changed; a resting place that was seen keeps its scale.
    pub(super) fn set_setup(&mut self, setup: HitterSetup) {
        self.head.set_setup(setup);
    }

    /// Takes the next pose. `edge_cm` is the travel at which the tone turns sharp.
    pub(super) fn step(
        &mut self,
        pose: &PoseFrame,
        finder: &RepFinder,
        edge_cm: f64,
        sound: &mut SoundOutput,
    ) {
        let travel = self.head.push(pose, finder.phase(), finder.pitcher());
        let share = travel.map(|travel| (travel.forward_cm / edge_cm) as f32);
        if share.is_some() || self.is_on {
            // When the device took the change before this one.
            if let (Some(set_after_ms), Some(lag)) = (self.set_after_ms, sound.head_tone_lag()) {
                self.latency.add_ms(set_after_ms + 1e3 * lag.as_secs_f64());
            }
            self.set_after_ms = self
                .clock
                .get()
                .map(|clock| 1e3 * clock.now().secs_since(pose.captured_at));
            sound.set_head_tone(share, pose.captured_at);
        }
        self.is_on = share.is_some();
    }
}
