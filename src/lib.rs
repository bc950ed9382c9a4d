//! cagehand: watches a hitter, cues one thing at once, logs every rep.
//!
//! Data flows one way. A room imports the rooms above it in this list and the leaves, never those below it:
//!
//! - [`capture`]: frames and where they come from
//! - [`pose`]: the hitter's body in each frame
//! - `motion`: from landmarks in pixels to signals in centimeters and seconds
//! - [`rep`]: phases, events and measures
//! - [`pitch`]: how a pitch flies and when it comes
//! - [`signs`]: what the hitter asks with the arms
//! - [`coach`]: bands, verdicts, and which cue follows a rep
//! - [`sound`]: what the hitter hears
//! - [`video`]: films of reps, where they are turned on
//! - [`journal`]: what is kept
//! - `facility`: the store behind the journals of several cages
//! - `logging`: the program's log
//! - [`settings`]: what the operator and the coach have chosen
//! - `status`: health figures, live state and preview, written by the daemon and read by the page
//! - `clips`: clips that a coach drops on the page, read by a second cagehand
//! - `page`: the web page
//! - [`daemon`]: the run: threads, channels, sessions, shutdown
//! - [`command`]: the command line
//!
//! Leaves, which import no room:
//!
//! - `alsa_messages`: keeps what the sound library says off the terminal
//! - [`time`]: the one clock that all rooms speak in
//! - [`picture_size`]: width and height of a picture
//! - [`text_enum`]: enums that have a fixed text in files
//! - [`thread`]: named threads
//! - `toml_checked`: TOML that people write, checked with line numbers
//! - `stats`: medians and quantiles
//! - `audit`: the trail of who logged in, looked, exported, deleted
//! - `output_file`: files that a person names, so that none of another kind is written over
//! - `paths`: where the program's own files are
//! - `machine`: free disk space, temperature, memory
//! - `cores`: lets helper threads give way while a frame is decoded or encoded
//! - [`wall_clock`]: the wall clock, for dates that people read

#![forbid(unsafe_code)]

mod alsa_messages;
pub(crate) mod audit;
pub mod capture;
mod clips;
pub mod coach;
pub mod command;
pub(crate) mod cores;
pub mod daemon;
mod facility;
mod hearing;
pub mod journal;
pub(crate) mod logging;
pub(crate) mod machine;
pub(crate) mod motion;
pub(crate) mod output_file;
pub(crate) mod page;
mod paths;
pub mod picture_size;
pub mod pitch;
pub mod pose;
pub(crate) mod private_file;
pub mod rep;
pub mod settings;
pub mod signs;
pub mod sound;
pub(crate) mod stats;
pub(crate) mod status;
pub(crate) mod text_enum;
pub mod thread;
pub mod time;
pub(crate) mod toml_checked;
pub mod video;
pub mod wall_clock;

#[doc(hidden)]
pub use page::fuzzing as page_fuzzing;
