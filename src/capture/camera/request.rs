//! Which camera to open, through which library, and how it should run. Pure; opens nothing.

use std::convert::Infallible;
use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use super::{CameraInfo, LiveControls};
use crate::capture::CaptureError;
use crate::picture_size::PictureSize;

/// Selects a camera.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) enum DeviceSelector {
    /// The first that has a usable mode.
    #[default]
    Auto,
    /// The system's number.
    Number(u32),
    /// A device node, or a link to one such as those in `/dev/v4l/by-id`.
    Path(PathBuf),
    /// Part of the name, in either case.
    Name(String),
}

impl FromStr for DeviceSelector {
    type Err = Infallible;

    /// `auto`, a number, a path or a name; every text is one of them.
    fn from_str(text: &str) -> Result<Self, Infallible> {
        let text = text.trim();
        Ok(match text.parse() {
            Ok(number) => Self::Number(number),
            Err(_) if text.is_empty() || text.eq_ignore_ascii_case("auto") => Self::Auto,
            Err(_) if text.contains('/') => Self::Path(text.into()),
            Err(_) => Self::Name(text.into()),
        })
    }
}

impl fmt::Display for DeviceSelector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Auto => f.write_str("auto"),
            Self::Number(number) => number.fmt(f),
            Self::Path(path) => path.display().fmt(f),
            Self::Name(name) => name.fmt(f),
        }
    }
}

/// The library that talks to the camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum CameraBackend {
    /// The Linux kernel's interface, through the crate `v4l`.
    V4l,
    /// The crate `nokhwa`, on every system.
    Nokhwa,
}

impl CameraBackend {
    /// All there are, on any system.
    pub(crate) const ALL: [Self; 2] = [Self::V4l, Self::Nokhwa];

    /// Those that work on this system, the default first.
    pub(crate) const AVAILABLE: &'static [Self] = if cfg!(target_os = "linux") {
        &Self::ALL
    } else {
        &[Self::Nokhwa]
    };

    /// As the settings and messages have it.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::V4l => "v4l",
            Self::Nokhwa => "nokhwa",
        }
    }
}

impl Default for CameraBackend {
    fn default() -> Self {
        Self::AVAILABLE[0]
    }
}

/// A camera and how it should run.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct CameraRequest {
    /// Which camera.
    pub device: DeviceSelector,
    /// The library that talks to it.
    pub backend: CameraBackend,
    /// `None` leaves the size to [`best_mode`](super::mode::best_mode).
    pub size: Option<PictureSize>,
    /// Frames per second; `None` leaves the rate to [`best_mode`](super::mode::best_mode).
    pub fps: Option<f64>,
    /// Exposure, gain, power line frequency and focus; followed while the camera runs.
    pub controls: LiveControls,
}

/// The selected camera among those found; `Auto` takes the first.
pub(super) fn select(
    found: &[CameraInfo],
    device: &DeviceSelector,
) -> Result<CameraInfo, CaptureError> {
    let selected = match device {
        DeviceSelector::Auto => found.first(),
        DeviceSelector::Number(number) => found.iter().find(|camera| camera.number == *number),
        DeviceSelector::Path(path) => {
            // A link keeps its name when the node behind it changes its number.
            let target = path.canonicalize().unwrap_or_else(|_| path.clone());
            found.iter().find(|camera| {
                camera
                    .path
                    .as_ref()
                    .is_some_and(|node| *node == target || node == path)
            })
        }
        DeviceSelector::Name(name) => {
            let name = name.to_lowercase();
            found
                .iter()
                .find(|camera| camera.name.to_lowercase().contains(&name))
        }
    };
    match (selected, found) {
        (Some(camera), _) => Ok(camera.clone()),
        (None, []) => Err(CaptureError::NoCamera),
        (None, _) => Err(CaptureError::NoSuchCamera {
            wanted: device.to_string(),
            found: found
                .iter()
                .map(CameraInfo::label)
                .collect::<Vec<_>>()
                .join(", "),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_of_the_text_says_what_it_selects() {
        for (text, device) in [
            ("auto", DeviceSelector::Auto),
            ("", DeviceSelector::Auto),
            ("2", DeviceSelector::Number(2)),
            ("/dev/video0", DeviceSelector::Path("/dev/video0".into())),
            ("Logi", DeviceSelector::Name("Logi".into())),
        ] {
            assert_eq!(text.parse(), Ok(device), "{text}");
        }
    }

    #[test]
    fn a_camera_is_selected_by_number_path_or_part_of_its_name() {
        let camera = |number: u32, name: &str| CameraInfo {
            name: name.into(),
            path: Some(format!("/dev/no-such-video{number}").into()),
            number,
            modes: Vec::new(),
            backend: CameraBackend::default(),
        };
        let found = [camera(0, "Laptop Camera"), camera(2, "USB HD Webcam")];
        let selected =
            |text: &str| select(&found, &text.parse().unwrap()).map(|camera| camera.number);
        assert_eq!(selected("auto").unwrap(), 0);
        assert_eq!(selected("2").unwrap(), 2);
        assert_eq!(selected("/dev/no-such-video2").unwrap(), 2);
        assert_eq!(selected("webcam").unwrap(), 2);
        let error = selected("1").unwrap_err().to_string();
        assert!(
            error.contains("\"1\"")
                && error.contains("Laptop Camera")
                && error.contains("/dev/no-such-video2"),
            "{error}"
        );
        assert!(matches!(
            select(&[], &DeviceSelector::Auto),
            Err(CaptureError::NoCamera)
        ));
    }
}
