//! The keys of a foot pedal, clicker or presenter.
//!
//! In: key presses of a named input device of Linux. Out: requests. The thread `keys` waits for the device, takes it for itself so
//! that its keys reach nothing else, and looks for it again when it is unplugged. It holds nothing up and ends with the program: a read
//! of the device cannot be canceled.

use std::io;
use std::time::Duration;

use evdev::{Device, EventSummary, InputEvent, KeyCode};

use super::Terminal;
use super::requests::{Request, RequestSender};
use crate::settings::KeySettings;
use crate::thread::spawn;

/// How often a device that is not there is looked for.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// The value of a key's event when it goes down; 0 is up, 2 is held.
const PRESSED: i32 = 1;

/// Which keys ask for what.
struct Bindings(Vec<(KeyCode, Request)>);

/// Listens to the device of the settings from now on.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn listen_to_keys(
    settings: &KeySettings,
    requests: RequestSender,
    terminal: Terminal,
) -> io::Result<()> {
    let bindings = Bindings::of(settings);
    let name = settings.device.clone();
    spawn("keys", move || {
        let mut missed = false;
        loop {
            match opened(&name, &bindings) {
                Some(mut device) => {
                    missed = false;
                    terminal.println(&format!("keys: {}", device.name().unwrap_or(&name)));
                    let error = listen(&mut device, &bindings, &requests);
                    tracing::info!(%error, "the device with the keys is gone");
                }
                None if !missed => {
                    missed = true;
                    terminal.println(&format!(
                        "keys: no input device with {name:?} in its name and one of the keys that are asked for, or none that may be read; waiting for it"
                    ));
                }
                None => {}
            }
            std::thread::sleep(LOOK_EVERY);
        }
    })?;
    Ok(())
}

/// The device, taken for the program alone; `None` where there is none or it may not be read.
fn opened(name: &str, bindings: &Bindings) -> Option<Device> {
    let named = |device: &Device| {
        let fits = device.name().is_some_and(|full| is_named(full, name));
        fits && device
            .supported_keys()
            .is_some_and(|keys| bindings.0.iter().any(|(key, _)| keys.contains(*key)))
    };
    let mut device = evdev::enumerate().map(|(_, device)| device).find(named)?;
    if let Err(error) = device.grab() {
        tracing::warn!(%error, "the device with the keys is not ours alone: its keys reach the desktop too");
    }
    Some(device)
}

fn is_named(full: &str, part: &str) -> bool {
    full.to_lowercase().contains(&part.to_lowercase())
}

/// Passes on what is pressed until the device is gone.
fn listen(device: &mut Device, bindings: &Bindings, requests: &RequestSender) -> io::Error {
    loop {
        match device.fetch_events() {
            Ok(events) => {
                for request in events.filter_map(|event| bindings.request(event)) {
                    requests.ask(request);
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return error,
        }
    }
}

impl Bindings {
    fn of(settings: &KeySettings) -> Self {
        let KeySettings {
            again,
            pause,
            next_hitter,
            ..
        } = settings;
        let named = [
            (again, Request::Again),
            (pause, Request::Pause),
            (next_hitter, Request::NextHitter),
        ];
        Self(
            named
                .into_iter()
                .filter_map(|(key, request)| Some((key.as_ref()?.parse().ok()?, request)))
                .collect(),
        )
    }

    /// What a key that goes down asks for.
    fn request(&self, event: InputEvent) -> Option<Request> {
        let EventSummary::Key(_, pressed, PRESSED) = event.destructure() else {
            return None;
        };
        let (_, request) = self.0.iter().find(|(key, _)| *key == pressed)?;
        Some(*request)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evdev::EventType;

    #[test]
    fn a_key_asks_once_when_it_goes_down() {
        let bindings = Bindings::of(&KeySettings {
            device: "pedal".into(),
            again: Some("KEY_PAGEDOWN".into()),
            pause: Some("KEY_B".into()),
            next_hitter: None,
        });
        let key = |code: KeyCode, value| InputEvent::new(EventType::KEY.0, code.code(), value);
        for (event, asked) in [
            (key(KeyCode::KEY_PAGEDOWN, 1), Some(Request::Again)),
            (key(KeyCode::KEY_PAGEDOWN, 2), None),
            (key(KeyCode::KEY_PAGEDOWN, 0), None),
            (key(KeyCode::KEY_B, 1), Some(Request::Pause)),
            (key(KeyCode::KEY_A, 1), None),
            (
                InputEvent::new(EventType::RELATIVE.0, KeyCode::KEY_B.code(), 1),
                None,
            ),
        ] {
            assert_eq!(bindings.request(event), asked, "{event:?}");
        }
        // 109 and 48 are these keys in linux/input-event-codes.h.
        assert_eq!(
            (KeyCode::KEY_PAGEDOWN.code(), KeyCode::KEY_B.code()),
            (109, 48)
        );
        assert!(is_named("A Foot Switch", "foot switch") && !is_named("Keyboard", "pedal"));
    }
}
