//! Waits for the next frame of an open camera with a timeout, which nokhwa lacks.

use std::time::Duration;

/// Tells when a call for the next frame returns at once.
///
/// Linux tells anyone who has opened a camera whether a frame is ready, not just the one who reads it, so a second
/// handle is asked. Elsewhere, and where there is no second handle, a frame counts as ready.
pub(super) struct Readiness {
    #[cfg(target_os = "linux")]
    device: Option<v4l::Device>,
}

impl Readiness {
    #[cfg_attr(
        not(target_os = "linux"),
        expect(unused_variables, reason = "only Linux is asked")
    )]
    pub(super) fn of(number: u32) -> Self {
        Self {
            #[cfg(target_os = "linux")]
            device: v4l::Device::new(number as usize).ok(),
        }
    }

    /// Whether a frame, or an error in place of one, is ready before the time is over. A stream that has not begun has
    /// an error ready.
    #[cfg(target_os = "linux")]
    pub(super) fn wait(&self, at_most: Duration) -> bool {
        const POLLIN: i16 = 1;
        let Some(device) = &self.device else {
            return true;
        };
        match device.handle().poll(POLLIN, at_most.as_millis() as i32) {
            Ok(ready) => ready > 0,
            Err(error) => error.kind() != std::io::ErrorKind::Interrupted,
        }
    }

    #[cfg(not(target_os = "linux"))]
    pub(super) fn wait(&self, _: Duration) -> bool {
        true
    }
}
