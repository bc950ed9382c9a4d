//! The device whose keys ask for something.

use toml::Spanned;

use super::non_empty;
use crate::settings::KeySettings;
use crate::settings::file::Keys;
use crate::toml_checked::{Checked, refuse};

/// The device and its keys; `None` where no device is named.
pub(super) fn keys(given: Keys) -> Checked<Option<KeySettings>> {
    let Keys {
        device,
        again,
        pause,
        next_hitter,
    } = given;
    let mut taken: Vec<String> = Vec::new();
    let mut key = |given: Option<Spanned<String>>| -> Checked<Option<String>> {
        let Some(given) = given.filter(|key| !key.get_ref().trim().is_empty()) else {
            return Ok(None);
        };
        let name = given.get_ref().trim().to_owned();
        if !is_key(&name) {
            return refuse(
                &given,
                format!(
                    "{name:?} is no key of Linux; write its name as in \"KEY_PAGEDOWN\" or \"KEY_B\""
                ),
            );
        }
        if taken.contains(&name) {
            return refuse(
                &given,
                format!("{name} asks for two things; give each its own key"),
            );
        }
        taken.push(name.clone());
        Ok(Some(name))
    };
    let (again, pause, next_hitter) = (key(again)?, key(pause)?, key(next_hitter)?);
    Ok(non_empty(device).map(|device| KeySettings {
        device,
        again,
        pause,
        next_hitter,
    }))
}

/// Whether the kernel has a key of this name.
#[cfg(target_os = "linux")]
fn is_key(name: &str) -> bool {
    name.parse::<evdev::KeyCode>().is_ok()
}

/// Elsewhere no key is read, and a file that is shared with a Linux machine is still right.
#[cfg(not(target_os = "linux"))]
fn is_key(_: &str) -> bool {
    true
}

#[cfg(test)]
mod tests {
    use crate::settings::Settings;
    use std::path::Path;

    fn read(text: &str) -> Result<Settings, String> {
        Settings::parse(text, Path::new("s")).map_err(|error| error.to_string())
    }

    #[test]
    fn keys_have_the_kernels_names_and_each_asks_for_one_thing() {
        assert_eq!(read("").unwrap().keys, None, "off by default");
        let text = "[keys]\ndevice = \"Presenter\"\nagain = \"KEY_B\"\npause = \"KEY_F5\"\nnext_hitter = \"\"";
        let keys = read(text).unwrap().keys.unwrap();
        assert_eq!(
            (
                keys.device.as_str(),
                keys.again.as_deref(),
                keys.pause.as_deref(),
                keys.next_hitter
            ),
            ("Presenter", Some("KEY_B"), Some("KEY_F5"), None)
        );
        let wrong = read("[keys]\ndevice = \"Presenter\"\nagain = \"KEY_WHATEVER\"").unwrap_err();
        assert!(
            wrong.contains("line 3") && wrong.contains("KEY_WHATEVER"),
            "{wrong}"
        );
        let twice =
            read("[keys]\ndevice = \"P\"\nagain = \"KEY_B\"\npause = \"KEY_B\"").unwrap_err();
        assert!(
            twice.contains("line 4") && twice.contains("two things"),
            "{twice}"
        );
    }
}
