//! cagehand: watches a hitter, cues one thing at once, logs every rep.
//!
//! Data flows one way through the rooms; each knows the types of the room before it only, and
//! [`daemon`] alone knows them all:
//!
//! - [`capture`]: frames and where they come from
//! - [`pose`]: the hitter's body in each frame
//! - [`motion`]: from landmarks in pixels to signals in centimetres and seconds
//! - [`rep`]: phases, events and measures
//! - [`pitch`]: how a pitch flies and when it comes
//! - [`coach`]: bands, verdicts, and which cue follows a rep
//! - [`sound`]: what the hitter hears
//! - [`journal`]: what is kept
//! - [`video`]: films of reps, where they are turned on
//! - [`logging`]: what the program tells of itself
//! - [`page`]: what is served on the local machine
//! - `status`: how the run is, for whoever reads it
//! - [`daemon`]: the run itself: threads, channels, shutdown
//! - [`command`]: the command line
//! - [`settings`]: what the operator and the coach have chosen
//! - [`time`]: the one clock that they all speak in
//! - [`text_enum`]: enums that have a fixed text in files
//! - [`toml_checked`]: TOML that people write, checked with lines
//! - [`thread`], [`picture_size`], `stats`, `machine`: leaves that any room may use

pub mod capture;
pub mod coach;
pub mod command;
pub(crate) mod cores;
pub mod daemon;
pub mod journal;
pub(crate) mod logging;
pub(crate) mod machine;
pub(crate) mod motion;
pub(crate) mod page;
pub(crate) mod paths;
pub mod picture_size;
pub mod pitch;
pub mod pose;
pub mod rep;
pub mod settings;
pub mod sound;
pub(crate) mod stats;
pub(crate) mod status;
pub(crate) mod text_enum;
pub mod thread;
pub mod time;
pub(crate) mod toml_checked;
pub mod video;
