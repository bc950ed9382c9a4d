//! The wall clock, read here only. It dates files and entries for people; nothing in a swing is measured with it.

use jiff::{Timestamp, TimestampRound, Unit};

/// The wall clock now.
pub(crate) fn now() -> Timestamp {
    Timestamp::now()
}

/// The wall clock now, cut to whole milliseconds as the journal stores it.
pub fn now_to_the_millisecond() -> Timestamp {
    let now = now();
    let cut = TimestampRound::new()
        .smallest(Unit::Millisecond)
        .mode(jiff::RoundMode::Trunc);
    now.round(cut).unwrap_or(now)
}
