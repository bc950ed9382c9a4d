//! Clips that a coach drops on the page: each is read by a second cagehand in the background and becomes a session.
//!
//! In: a video file in [`Clips::folder`] and whose it is. Out: a session in the journal, through its writer; what is going on, for the page.
//! One clip is read at a time, by a process of its own at the lowest priority: whatever a broken file does to it, the line from camera to
//! cue goes on. The file is deleted as soon as it was read, refused or given up.

mod files;
mod order;
mod queue;

pub(crate) use order::{ClipFailure, ClipNews, ClipOrder};
pub(crate) use queue::{
    ClipId, ClipState, ClipToRead, Clips, LARGEST_BYTES, NewClip, NoRoom, ShownClip,
};

/// The longest clip, seconds as it plays.
pub(crate) const LONGEST_SECS: f64 = 600.0;
/// What the source of a clip's session begins with in the journal. After it comes the beginning of the file's SHA-256, by which the same
/// clip is known again, and not the file's name, which may be somebody's.
pub(crate) const CLIP_SOURCE: &str = "clip";
