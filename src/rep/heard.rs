//! What was heard of a swing, as a rep keeps it.

/// What the microphone says of a swing's contact.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Heard {
    /// The bat was heard on the ball, and the event `contact` is that moment.
    Contact {
        /// One standard deviation of the moment, milliseconds.
        plus_minus_ms: f64,
        /// Its highest sample above 1 kHz, decibels against full scale.
        level_db: f64,
    },
    /// It would have been heard and was not: a swing and miss.
    Nothing,
    /// It cannot be told: the room was too loud, sounds were too alike, or what contact sounds like here is not known.
    Unclear,
}

impl Heard {
    /// The word used in logs.
    pub const fn name(self) -> &'static str {
        match self {
            Heard::Contact { .. } => "contact",
            Heard::Nothing => "nothing",
            Heard::Unclear => "unclear",
        }
    }
}
