//! What the measures of one rep are made from.

use crate::motion::filter::mean_over;
use crate::motion::{CameraYaw, Foot, Path, Signals, Stance};
use crate::pose::Landmark;

use super::estimates::{EventEstimate, EventEstimates};
use super::not_measured::NotMeasured;
use super::types::{PitchTimes, RepKind, View};

/// A value with one standard deviation, or the reason why there is none.
pub(super) type Reading = Result<(f64, f64), NotMeasured>;

/// Landmarks whose mean visibility is below this make no measure.
pub(super) const LEAST_VISIBILITY: f64 = 0.4;
/// The rest before the gather is averaged over this long, seconds.
pub(super) const REST_SECS: f64 = 0.3;

/// A travel that a moving camera leaves more uncertain than this is not measured, H.
const MOST_STEADIED: f64 = 0.025;
/// So long before and after an event the camera must not be lost, seconds.
const STEADY_SECS: f64 = 0.12;

/// One rep and how it was seen.
#[derive(Clone, Copy)]
pub(super) struct MeasureContext<'a> {
    /// Leveled signals of the whole rep.
    pub signals: &'a Signals,
    /// Where its events lie in them.
    pub estimates: &'a EventEstimates,
    /// Which foot is in front, and where the pitcher is.
    pub stance: Stance,
    /// Swing or take.
    pub kind: RepKind,
    /// Where the camera stands.
    pub view: View,
    /// How far the camera stands off square.
    pub yaw: CameraYaw,
    /// Standard uncertainty of the camera's roll in the signals, radians.
    pub roll_spread_rad: f64,
    /// The pitch that was played last.
    pub pitch: Option<PitchTimes>,
}

impl MeasureContext<'_> {
    pub(super) fn gather(&self) -> Result<EventEstimate, NotMeasured> {
        self.estimates.gather.ok_or(NotMeasured::GatherNotSeen)
    }

    pub(super) fn lift_off(&self) -> Result<EventEstimate, NotMeasured> {
        self.estimates.lift_off.ok_or(NotMeasured::LiftOffNotSeen)
    }

    pub(super) fn plant(&self) -> Result<EventEstimate, NotMeasured> {
        self.estimates.plant.ok_or(NotMeasured::PlantNotSeen)
    }

    pub(super) fn contact(&self) -> Result<EventEstimate, NotMeasured> {
        self.estimates.contact.ok_or(NotMeasured::ContactNotSeen)
    }

    /// The camera's angle off square, radians.
    pub(super) fn yaw_rad(&self) -> Result<f64, NotMeasured> {
        match self.yaw.rad {
            Some(yaw_rad) => Ok(yaw_rad),
            None if self.signals.world(Landmark::LeftHip).is_none() => {
                Err(NotMeasured::NoMetricLandmarks)
            }
            None => Err(NotMeasured::CameraAngleNotShown),
        }
    }

    pub(super) fn front_foot(&self) -> &Foot {
        self.stance.front_of(&self.signals.feet)
    }

    pub(super) fn back_foot(&self) -> &Foot {
        self.stance.back_of(&self.signals.feet)
    }

    /// What a length along the line to the pitcher is multiplied by, for the camera sees it at an angle.
    pub(super) fn unfold(&self) -> f64 {
        1.0 / self.yaw.rad.unwrap_or(0.0).cos()
    }

    /// Whether the hitter is found in all of the samples `from..=to`, and the path is seen well enough in them.
    pub(super) fn seen(&self, path: &Path, (from, to): (usize, usize)) -> bool {
        mean_over(&path.visibility, (from, to)) >= LEAST_VISIBILITY
            && self.signals.found[from..=to].iter().all(|found| *found)
    }

    /// What a travel from one sample to a later one is uncertain by because the camera moved meanwhile, centimeters.
    pub(super) fn steadied_cm(&self, from: f64, to: f64) -> Result<f64, NotMeasured> {
        let Some(steadying) = &self.signals.steadying else {
            return Ok(0.0);
        };
        let scale = self.signals.scale;
        let (from, to) = (self.signals.index(from), self.signals.index(to));
        steadying
            .spread_px(from.min(to), from.max(to))
            .map(|px| px * scale.cm_per_px)
            .filter(|cm| *cm <= MOST_STEADIED * scale.height_cm)
            .ok_or(NotMeasured::CameraMoved)
    }

    /// Whether an event's time can be trusted: a camera that was lost about it makes motion of its own.
    pub(super) fn need_steady(&self, event: EventEstimate) -> Result<(), NotMeasured> {
        let signals = self.signals;
        let reach = STEADY_SECS * signals.rate_hz;
        let (from, to) = (
            signals.index(event.sample - reach),
            signals.index(event.sample + reach),
        );
        match &signals.steadying {
            Some(steadying) if steadying.is_lost(from, to) => Err(NotMeasured::CameraMoved),
            _ => Ok(()),
        }
    }

    /// For measures that reach beyond plant.
    pub(super) fn need_swing(&self) -> Result<(), NotMeasured> {
        match self.kind {
            RepKind::Swing => Ok(()),
            RepKind::Take => Err(NotMeasured::NoSwing),
        }
    }

    /// For measures that show wherever the line to the pitcher runs across the picture.
    pub(super) fn need_side(&self) -> Result<(), NotMeasured> {
        if self.view.is_side_on() {
            return Ok(());
        }
        Err(NotMeasured::SideNeeded)
    }

    /// For measures that a camera behind the back does not see: the trunk hides the hands, and the model makes trunks that
    /// bend away from the camera 6 degrees too upright and feet that point away from it 10 to 20 degrees too open.
    pub(super) fn need_open_side(&self) -> Result<(), NotMeasured> {
        match self.view {
            View::OpenSide => Ok(()),
            View::BackSide => Err(NotMeasured::OpenSideNeeded),
            View::Rear | View::Front => Err(NotMeasured::SideNeeded),
        }
    }

    /// For measures that the lite model's landmarks are too rough for.
    pub(super) fn need_full_model(&self) -> Result<(), NotMeasured> {
        if self.signals.lite {
            return Err(NotMeasured::LiteModelHinge);
        }
        Ok(())
    }
}
