//! The handlers, one file a page or a kind of answer; shared parts of pages beside them.

pub(super) mod audit;
pub(super) mod cage;
pub(super) mod cage_screen;
pub(super) mod cages;
pub(super) mod clips;
pub(super) mod consents;
pub(super) mod corrections;
pub(super) mod cues;
pub(super) mod films;
pub(super) mod health;
pub(super) mod language;
pub(super) mod live;
pub(super) mod logins;
mod measure_rows;
pub(super) mod not_counted;
pub(super) mod people;
mod phase_timeline;
mod pitch_line;
mod plan_fields;
pub(super) mod plans;
mod plot;
pub(super) mod print_sheet;
pub(super) mod rep;
pub(super) mod replay_data;
pub(super) mod sessions;
pub(super) mod today;
mod trend_plot;
pub(super) mod trends;

/// One of several options to select.
pub(super) struct SelectOption {
    /// What the form sends.
    value: String,
    /// What is read.
    label: String,
    selected: bool,
}
