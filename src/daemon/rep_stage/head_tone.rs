//! The tone that follows the hitter's head.

use super::RepStage;
use crate::daemon::DaemonError;
use crate::pose::PoseFrame;
use crate::rep::MeasureName;

/// The tone turns sharp at this travel where the head's band has no upper end, centimetres.
const TONE_EDGE_CM: f64 = 10.0;

impl RepStage {
    /// Lets the tone follow the head from the gather to the swing.
    pub(super) fn follow_head(&mut self, pose: &PoseFrame) -> Result<(), DaemonError> {
        let travel = self
            .head
            .push(pose, self.finder.phase(), self.finder.forward());
        let coach = self.training.trainer.coach();
        let edge_cm = coach
            .band_for(self.bats, MeasureName::HeadToPlant)
            .and_then(|band| band.high)
            .filter(|high| *high > 0.0)
            .unwrap_or(TONE_EDGE_CM);
        let share = travel.map(|travel| (travel.forward_cm / edge_cm) as f32);
        if share.is_some() || self.tone_on {
            // What the device did with the news before this one.
            if let (Some(told_ms), Some(lag)) = (self.tone_told_ms, self.sinks.sound.tone_lag()) {
                self.tone_times.add_ms(told_ms + 1e3 * lag.as_secs_f64());
            }
            self.tone_told_ms = self
                .clock
                .get()
                .map(|clock| 1e3 * clock.now().secs_since(pose.captured_at));
            self.sinks.sound.head_tone(share, pose.captured_at)?;
        }
        self.tone_on = share.is_some();
        Ok(())
    }
}
