//! The safety notice: shown at the start of every run and in the help.

/// The notice.
pub(super) const NOTICE: &str = "\
Care: cagehand is not a substitute for qualified instruction or injury screening. Pain or dizziness means stop.
Camera and PC stand behind a net and out of the ball's path; nobody stands within reach of the bat. Local facility
rules and licensed practitioners come first. No video is stored unless it is turned on in the settings, sound never;
names are optional.";
