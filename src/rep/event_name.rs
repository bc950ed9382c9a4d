//! A rep's events by name.

use super::types::Events;
use crate::time::CaptureTime;

/// One of a rep's events.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EventName {
    /// The hitter came to rest in the stance.
    Set,
    /// The weight starts back.
    Gather,
    /// The front foot leaves the ground.
    LiftOff,
    /// The front foot is down and still.
    Plant,
    /// The back heel leaves the ground.
    HeelRise,
    /// The bat meets the ball.
    Contact,
    /// The hands come to rest.
    Finish,
}

impl EventName {
    /// All events, in the order of [`Events::named`].
    pub const ALL: [Self; 7] = [
        Self::Set,
        Self::Gather,
        Self::LiftOff,
        Self::Plant,
        Self::HeelRise,
        Self::Contact,
        Self::Finish,
    ];

    /// The word used in logs, as [`Events::named`] gives it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Set => "set",
            Self::Gather => "gather",
            Self::LiftOff => "lift_off",
            Self::Plant => "plant",
            Self::HeelRise => "heel_rise",
            Self::Contact => "contact",
            Self::Finish => "finish",
        }
    }

    /// The event of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|event| event.name() == name)
    }
}

impl Events {
    /// When an event happened; `None` where it was not seen.
    pub fn at(&self, event: EventName) -> Option<CaptureTime> {
        let mut events = *self;
        *events.slot(event)
    }

    /// The same with one event at another time.
    #[must_use]
    pub fn with(mut self, event: EventName, at: Option<CaptureTime>) -> Self {
        *self.slot(event) = at;
        self
    }

    fn slot(&mut self, event: EventName) -> &mut Option<CaptureTime> {
        match event {
            EventName::Set => &mut self.set,
            EventName::Gather => &mut self.gather,
            EventName::LiftOff => &mut self.lift_off,
            EventName::Plant => &mut self.plant,
            EventName::HeelRise => &mut self.heel_rise,
            EventName::Contact => &mut self.contact,
            EventName::Finish => &mut self.finish,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_places_agree_with_the_list_of_a_rep() {
        let mut events = Events::default();
        for (secs, event) in EventName::ALL.into_iter().enumerate() {
            events = events.with(event, Some(CaptureTime::from_secs(secs as f64)));
        }
        for ((name, at), event) in events.named().into_iter().zip(EventName::ALL) {
            assert_eq!((name, at), (event.name(), events.at(event)));
            assert_eq!(EventName::from_name(name), Some(event));
        }
        assert_eq!(EventName::from_name("wave"), None);
    }
}
