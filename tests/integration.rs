//! What a user is promised, checked on the built program. One binary, one module a promise:
//!
//! - `allocations`: a pose takes no memory on its way through the rep stage
//! - `audit`: who logged in, looked at a hitter, exported, deleted, changed keys
//! - `bats`: the bat and the turn that a track tells of stay with their rep
//! - `truth_clips`: swings are found and measured on recordings with known truth
//! - `end_to_end`: one command gives a cue, a rep log and a journal that agree
//! - `listening`: the sound file holds the right cue at the right time
//! - `bad_input`: each kind of bad input gets a clear error and loses nothing
//! - `doors`: the page stays shut without its keys
//! - `encrypted`: beyond this machine the page is encrypted, and takes few connections for a limited time
//! - `facility`: two cages send to one store, and the office reads, corrects and deletes
//! - `feedback`: plans, sets and the head tone as a hitter hears them
//! - `feedback_sim`: simulated hitters of hundreds of reps are cued as each schedule promises
//! - `cages`: what cages have and studios have not (nets, other people, mirrors, dark clothes, waiting) costs no swing and makes none
//! - `calibrate`: a one-time calibration is worked out and written
//! - `children`: a hitter who stepped in is asked for after a restart, never assumed; a coach looks after hitters at the page
//! - `check`: the camera's view of the hitter is named
//! - `consents`: what a hitter allows holds for that hitter, at once, and for nobody else
//! - `clips_in`: a clip that a coach drops on the page becomes a session beside the cage, or says why not, and is gone afterward
//! - `clock`: a wall clock that is set while the daemon runs changes no rep
//! - `evening`: a coach is through with thirteen hitters by keyboard, and a sheet is one page of paper
//! - `fuzzed`: what a fuzzer once found stays mended
//! - `guards`: every form of the page is refused where one thing about it is wrong
//! - `health`: a running daemon tells how it is
//! - `logins`: what ends a login, and what does not
//! - `moved`: an event that a coach moves takes its measures along, and what was found is kept
//! - `nothing_lost`: files beside the journal that fail or exist already cost no rep and nobody's data
//! - `not_counted`: what was seen and not counted is told with its reason
//! - `bumped_camera`: a camera that is bumped while the daemon watches is told of, and its calibration rests
//! - `moving_camera`: a camera that is panned, shaken, zoomed or bumped is noticed, and steadied or refused
//! - `page`: the page in a real browser
//! - `pictures`: the camera's picture and films on the page, only where they are allowed, and in step with the figure
//! - `pitch`: a played pitch flies as long as published ones
//! - `journal_command`: the journal is backed up, restored, exported, set aside when damaged, and a hitter deleted
//! - `signs`: signs of the arms are answered at once and do what they say, and other arms ask for nothing
//! - `slowed`: a recording that plays slower than life gives the reps that happened
//! - `spanish`: a reader of the Spanish page meets no English word
//! - `reload`: settings are explained, and an edit while the daemon runs is taken up or refused
//! - `video`: films of reps are kept only where turned on, told of, and deleted
//! - `voice`: a coach's own words are recorded at the page, heard from the next cue on, and deleted again
//! - `logs`: the log files are JSON lines, limited, and name nobody
//! - `documents`: the documents say what is so
//! - `tracks`: pose tracks of a captured swing give its truth, those of other movements give no rep

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test that meets the unexpected should fail on the spot"
)]

#[path = "integration/allocations.rs"]
mod allocations;
#[path = "integration/audit.rs"]
mod audit;
#[path = "integration/bad_input.rs"]
mod bad_input;
#[path = "integration/bats.rs"]
mod bats;
#[path = "integration/browser.rs"]
mod browser;
#[path = "integration/bumped_camera.rs"]
mod bumped_camera;
#[path = "integration/c3d.rs"]
mod c3d;
#[path = "integration/cages.rs"]
mod cages;
#[path = "integration/calibrate.rs"]
mod calibrate;
#[path = "integration/check.rs"]
mod check;
#[path = "integration/children.rs"]
mod children;
#[path = "integration/clips_in.rs"]
mod clips_in;
#[path = "integration/clock.rs"]
mod clock;
#[path = "integration/consents.rs"]
mod consents;
#[path = "integration/documents.rs"]
mod documents;
#[path = "integration/doors.rs"]
mod doors;
#[path = "integration/encrypted.rs"]
mod encrypted;
#[path = "integration/end_to_end.rs"]
mod end_to_end;
#[path = "integration/evening.rs"]
mod evening;
#[path = "integration/facility.rs"]
mod facility;
#[path = "integration/feedback.rs"]
mod feedback;
#[path = "integration/feedback_sim.rs"]
mod feedback_sim;
#[path = "fuzz/src/lib.rs"]
#[allow(unreachable_pub, reason = "there it is a library of its own")]
mod fuzz_targets;
#[path = "integration/fuzzed.rs"]
mod fuzzed;
#[path = "integration/guards.rs"]
mod guards;
#[path = "integration/health.rs"]
mod health;
#[path = "integration/heard.rs"]
mod heard;
#[path = "integration/journal_command.rs"]
mod journal_command;
#[path = "integration/listening.rs"]
mod listening;
#[path = "integration/logins.rs"]
mod logins;
#[path = "integration/logs.rs"]
mod logs;
#[path = "integration/moved.rs"]
mod moved;
#[path = "integration/moving_camera.rs"]
mod moving_camera;
#[path = "integration/not_counted.rs"]
mod not_counted;
#[path = "integration/nothing_lost.rs"]
mod nothing_lost;
#[path = "integration/page.rs"]
mod page;
#[path = "integration/pictures.rs"]
mod pictures;
#[path = "integration/pitch.rs"]
mod pitch;
#[path = "integration/program.rs"]
mod program;
#[path = "integration/reload.rs"]
mod reload;
#[path = "integration/review.rs"]
mod review;
#[path = "integration/signs.rs"]
mod signs;
#[path = "integration/slowed.rs"]
mod slowed;
#[path = "integration/spanish.rs"]
mod spanish;
#[path = "integration/tracks.rs"]
mod tracks;
#[path = "integration/truth.rs"]
mod truth;
#[path = "integration/truth_clips.rs"]
mod truth_clips;
#[path = "integration/video.rs"]
mod video;
#[path = "integration/voice.rs"]
mod voice;
#[path = "integration/watching.rs"]
mod watching;
