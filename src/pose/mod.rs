//! Finds the hitter's body in each frame and follows it.
//!
//! In: frames. Out: one [`PoseFrame`] a frame, with or without a body. One thread at a time uses a [`Tracker`], whose
//! worker pool has helper threads. The networks run in the crate `cagehand-networks`; pose tracks, the file form of poses,
//! are in [`track`].

mod bat;
mod body;
mod camera_motion;
mod camera_watch;
mod crop;
mod detector;
mod hitter_choice;
mod hitter_gate;
mod landmark;
mod landmarker;
mod models;
mod one_euro;
mod roi;
pub mod track;
mod tracker;
mod trunk_turn;

pub(crate) use bat::HANDS_TOGETHER;
pub use bat::{BatReader, SeenBat};
pub use body::{BatAndTurn, Body, ImagePoint, PoseFrame, WorldPoint};
pub(crate) use cagehand_networks::InferenceError;
pub(crate) use cagehand_networks::machine_cores;
pub(crate) use camera_motion::shift_into_picture;
pub use camera_motion::{CameraMotion, CameraPlace, Steadier};
pub use camera_watch::CameraWatch;
pub use landmark::{LANDMARK_COUNT, Landmark};
pub use models::Model;
pub(crate) use models::default_threads;
pub(crate) use one_euro::{OneEuro, OneEuroTuning, SpeedFrom};
pub use tracker::Tracker;
pub use trunk_turn::{TrunkTurn, TurnAngle, TurnOrigin};
