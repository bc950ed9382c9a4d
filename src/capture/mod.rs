//! Frames and where they come from.
//!
//! In: a video clip on disk or a camera. Out: [`Frame`]s, upright 8-bit RGB with the time each was
//! taken, in the order they were taken. [`FrameSource`] is the one type the daemon drives; it runs on
//! the capture thread and may block for one frame. [`LatestFrame`] carries frames from that thread
//! to the pose thread; the newest frame replaces one that was not taken yet.
//!
//! This room knows nothing of poses, reps or cues, opens no window, and writes nothing to disk.

mod camera;
mod clip;
mod clock;
mod color;
mod error;
mod frame;
mod latest_frame;
mod rotation;
mod slowed;
mod source;

pub use camera::MjpegDecoder;
pub(crate) use camera::{
    BLUR_LIMIT_CM, CameraBackend, CameraControls, CameraMode, CameraRequest, CameraSource,
    ControlStatus, EXPOSURE_LIMIT_MS, ExposureController, ExposureRequest, FocusRequest,
    FocusStatus, GainRequest, LiveControls, PixelFormat, PowerLine, blur_cm,
};
pub use clip::ClipSource;
pub(crate) use clock::CaptureClock;
pub(crate) use error::CaptureError;
pub use frame::Frame;
pub(crate) use latest_frame::{LatestFrame, TakeOutcome};
pub(crate) use rotation::Rotation;
pub use slowed::NotSlowed;
pub(crate) use slowed::SlowedBy;
pub(crate) use source::{FrameSource, PlaybackRate, thinned_rates};
