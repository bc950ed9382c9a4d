//! What the cage's screen shows, for an office that looks at it.
//!
//! In: the live state, as the page of this cage shows it. Out: that state in the store, a few times a second for as long as somebody
//! looks, over a connection of its own, so that it does not wait behind a batch. It has no picture of the camera, and nothing that can
//! be asked for or answered in the cage alone.

use std::sync::Arc;
use std::time::Duration;

use crossbeam_channel::{Receiver, RecvTimeoutError};
use serde_json::{Value, json};

use super::{Carrier, Exchange};
use crate::facility::{FacilitySettings, ScreenClient, StoreError};
use crate::journal::{HitterChoice, HitterId, Journal, JournalError, JournalReader};
use crate::status::{Health, Live, ShownHitter};
use crate::thread::{Lower, give_way, spawn};

/// How often the state is told.
const TELL_EVERY: Duration = Duration::from_millis(200);

impl Carrier {
    /// Begins to tell what the screen shows, where an office looks and the settings let it.
    pub(super) fn show_screen_where_watched(
        &self,
        exchange: &mut Exchange,
    ) -> Result<(), StoreError> {
        let mut running = self.screen.borrow_mut();
        let is_told = running.as_ref().is_some_and(|thread| !thread.is_finished());
        if !self.settings.live || is_told || !exchange.store.is_watched()? {
            return Ok(());
        }
        let screen = Screen {
            settings: self.settings.clone(),
            reader: Journal::read_only(&exchange.ends.path)?,
            health: Arc::clone(&self.health),
            stopped: self.stopped.clone(),
        };
        let thread = spawn("facility-screen", move || {
            give_way(Lower::Much);
            if let Err(error) = screen.show() {
                tracing::info!(%error, "the office does not see this cage's screen");
            }
        });
        *running = thread
            .inspect_err(|error| tracing::warn!(%error, "the office cannot see this cage's screen"))
            .ok();
        Ok(())
    }
}

struct Screen {
    settings: FacilitySettings,
    reader: JournalReader,
    health: Arc<Health>,
    stopped: Receiver<()>,
}

impl Screen {
    /// Tells the state until nobody looks any more, or the program ends.
    fn show(&self) -> Result<(), StoreError> {
        let mut store = ScreenClient::connect(&self.settings.address, &self.reader.standing()?)?;
        let view = self.health.live.show_office();
        loop {
            let is_watched = store.show(&for_the_office(&view.newest(), &self.reader)?)?;
            let is_over = !matches!(
                self.stopped.recv_timeout(TELL_EVERY),
                Err(RecvTimeoutError::Timeout)
            );
            if !is_watched || is_over {
                return Ok(());
            }
        }
    }
}

/// The state without what is for the cage alone, and with whose it is, for the audit trail. A hitter has another number in the store, which
/// finds it by the uid.
fn for_the_office(live: &Live, reader: &JournalReader) -> Result<Value, JournalError> {
    let mut state = json!(live);
    state["pictured"] = json!(false);
    state["office_looks"] = json!(false);
    state["asked"] = Value::Null;
    state["asks"] = json!([]);
    for (key, hitter) in [("hitter", &live.hitter), ("next", &live.next)] {
        if let Some(ShownHitter::Number(number)) = hitter {
            let uid = reader.uid_of_hitter(HitterId::new(*number))?;
            state[key] = json!({ "uid": uid });
        }
    }
    let whose = match &live.hitter {
        Some(ShownHitter::Number(number)) => Some(HitterId::new(*number)),
        Some(ShownHitter::Name(name)) => {
            let choice = HitterChoice::Name(name.clone());
            reader.hitter(&choice).ok().map(|row| row.id)
        }
        None => None,
    };
    if let Some(hitter) = whose {
        state["whose"] = json!({ "uid": reader.uid_of_hitter(hitter)? });
    }
    Ok(state)
}
