//! The run: threads, channels, sessions, shutdown. It knows every stage; only the command line knows it.
//!
//! ```text
//! thread capture ─frames─▶ thread pose ──queue──▶ main thread: reps, coach ──▶ thread sound
//!                                                                        └──▶ thread journal
//! ```
//!
//! Where films are kept, the pose thread also hands its frames to the thread `video`, and the main thread says which to keep.
//! Where screens may show the camera's picture and one is asked for, a copy of a frame goes to the thread `picture`.
//!
//! Beside them the thread `settings` checks the settings file and hands what changed to the main thread.
//!
//! The order of a shutdown: the capture thread stops and closes the frame channel; the pose thread empties it and ends; the
//! main thread judges what is still open and closes the journal, then the sound.

mod apply_settings;
mod bat_stage;
mod calibration_mark;
mod capture_loop;
mod cue_library;
mod ears_feed;
mod error;
mod facility_link;
mod frame_channel;
mod hitter_now;
mod keep_up;
#[cfg(target_os = "linux")]
mod key_device;
mod live_benchmark;
mod live_publisher;
mod model_benchmark;
mod model_choice;
mod pending_changes;
mod permissions;
mod pipeline;
mod pitcher;
mod plan_choice;
mod pose_stage;
mod preview_encoder;
mod rate_rule;
mod read_clip;
mod rep_stage;
mod rep_text;
mod replay;
mod requests;
mod retention;
mod review;
mod session_controller;
mod settings_watcher;
mod signals;
mod stop;
mod terminal;
mod training;
mod turns;
mod watch;
mod watchdog;

pub(crate) use calibration_mark::{Calibration, CalibrationMark};
pub(crate) use capture_loop::camera_request;
pub(crate) use cue_library::cue_library;
pub use error::DaemonError;
pub(crate) use live_benchmark::{LiveBenchmark, LiveBenchmarkReport};
pub(crate) use model_benchmark::{BenchmarkLoad, time_landmarks};
pub(crate) use model_choice::{choose_pair, source_at, wanted_rates};
pub use pipeline::PoseSample;
pub(crate) use pitcher::Pitcher;
pub(crate) use plan_choice::{PlanOverride, checked_plan, find_plan, plan_in_force, plan_template};
pub(crate) use read_clip::read_clip;
pub use rep_stage::{RepSinks, RepStage};
pub(crate) use rep_stage::{SessionChange, film_notice};
pub(crate) use replay::{ReplayOptions, Slowed, replay};
pub(crate) use review::{ReviewOptions, review};
pub use terminal::Terminal;
pub use training::Training;
pub(crate) use watch::{StandInClip, WatchOptions, watch};
