//! Pose tracks in, reps out: what holds for any hitter, camera, frame rate and set of points.
//!
//! - `back_side`: swings that are seen from behind the back
//! - `captured`: a person's captured swing, from every side
//! - `fast`: swings at 120 and 240 frames a second, with known truth
//! - `films`: filmed swings labelled by people, cut, slowed and shaken
//! - `hold`: how long a finish is held
//! - `others`: what people do that is no swing
//! - `published`: published figures of batting, and which of them hold
//! - `rates`: frame rates and sets of points
//! - `recorded`: one swing of a bundled recording as a track, for `rates`, `short` and `rubbish`
//! - `rubbish`: points that are no body
//! - `short`: tracks that begin or end within the swing

#[path = "tracks/back_side.rs"]
mod back_side;
#[path = "tracks/captured.rs"]
mod captured;
#[path = "tracks/fast.rs"]
mod fast;
#[path = "tracks/films.rs"]
mod films;
#[path = "tracks/hold.rs"]
mod hold;
#[path = "tracks/others.rs"]
mod others;
#[path = "tracks/published.rs"]
mod published;
#[path = "tracks/rates.rs"]
mod rates;
#[path = "tracks/recorded.rs"]
pub(super) mod recorded;
#[path = "tracks/rubbish.rs"]
mod rubbish;
#[path = "tracks/short.rs"]
mod short;
#[path = "tracks/swing_path.rs"]
mod swing_path;
#[path = "tracks/turns.rs"]
mod turns;
