//! The controls of a camera, asked of and told to the kernel.

use std::collections::BTreeMap;
use std::io;

use v4l::Device;
use v4l::control::{Control as Set, Description, Flags, Value};

use super::super::controls::{Control, Driver, Range};
use super::guarded;

/// From the kernel's `v4l2-controls.h`.
fn id_of(control: Control) -> u32 {
    const USER: u32 = 0x0098_0900;
    const CAMERA: u32 = 0x009a_0900;
    match control {
        Control::OwnGain => USER + 18,
        Control::Gain => USER + 19,
        Control::PowerLine => USER + 24,
        Control::ExposureMode => CAMERA + 1,
        Control::ExposureTime => CAMERA + 2,
        Control::RateMayDrop => CAMERA + 3,
        Control::Focus => CAMERA + 10,
        Control::OwnFocus => CAMERA + 12,
    }
}

const ALL: [Control; 8] = [
    Control::ExposureMode,
    Control::ExposureTime,
    Control::RateMayDrop,
    Control::OwnGain,
    Control::Gain,
    Control::PowerLine,
    Control::OwnFocus,
    Control::Focus,
];

/// What controls a camera has; asked once, as it costs dozens of transfers.
#[derive(Debug, Default)]
pub(super) struct Controls(BTreeMap<Control, Range>);

impl Controls {
    /// A camera that has none, or answers what is not understood, gives none.
    pub(super) fn of(device: &Device, label: &str) -> Self {
        match guarded(label, || device.query_controls()) {
            Ok(all) => Self::from_descriptions(&all),
            Err(error) => {
                tracing::debug!(%error, "the camera tells no controls");
                Self::default()
            }
        }
    }

    fn from_descriptions(all: &[Description]) -> Self {
        let usable = |d: &&Description| !d.flags.intersects(Flags::DISABLED | Flags::READ_ONLY);
        let found = ALL.into_iter().filter_map(|control| {
            let description = all.iter().filter(usable).find(|d| d.id == id_of(control))?;
            let items = description.items.iter().flatten();
            let range = Range {
                least: description.minimum,
                most: description.maximum,
                items: items.map(|(index, _)| i64::from(*index)).collect(),
            };
            Some((control, range))
        });
        Self(found.collect())
    }

    /// With the open device, the way to the controls.
    pub(super) fn on<'a>(&'a self, device: &'a Device) -> OnDevice<'a> {
        OnDevice {
            controls: self,
            device,
        }
    }
}

/// The controls of an open device.
pub(super) struct OnDevice<'a> {
    controls: &'a Controls,
    device: &'a Device,
}

impl Driver for OnDevice<'_> {
    fn range(&self, control: Control) -> Option<Range> {
        self.controls.0.get(&control).cloned()
    }

    fn get(&self, control: Control) -> io::Result<i64> {
        match self.device.control(id_of(control))?.value {
            Value::Integer(value) => Ok(value),
            Value::Boolean(value) => Ok(i64::from(value)),
            _ => Err(io::Error::other("it is no number")),
        }
    }

    fn set(&self, control: Control, value: i64) -> io::Result<()> {
        let value = Value::Integer(value);
        self.device.set_control(Set {
            id: id_of(control),
            value,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use v4l::control::{MenuItem, Type};

    fn description(control: Control, flags: Flags) -> Description {
        Description {
            id: id_of(control),
            typ: Type::Menu,
            name: String::new(),
            minimum: 0,
            maximum: 3,
            step: 1,
            default: 3,
            flags,
            items: Some(vec![
                (1, MenuItem::Name("Manual Mode".into())),
                (3, MenuItem::Name("Aperture Priority Mode".into())),
            ]),
        }
    }

    /// The numbers that `v4l2-ctl --list-ctrls` prints for a webcam, beside the names it gives them.
    #[test]
    fn the_controls_are_those_of_the_kernel() {
        for (control, id) in [
            (Control::OwnGain, 0x0098_0912),
            (Control::Gain, 0x0098_0913),
            (Control::PowerLine, 0x0098_0918),
            (Control::ExposureMode, 0x009a_0901),
            (Control::ExposureTime, 0x009a_0902),
            (Control::RateMayDrop, 0x009a_0903),
            (Control::Focus, 0x009a_090a),
            (Control::OwnFocus, 0x009a_090c),
        ] {
            assert_eq!(id_of(control), id, "{control:?}");
        }
    }

    #[test]
    fn a_control_that_cannot_be_set_is_none() {
        let all = [
            description(Control::ExposureMode, Flags::empty()),
            description(Control::PowerLine, Flags::DISABLED),
            description(Control::Gain, Flags::READ_ONLY),
            // Refused for now only: the camera sets it itself.
            description(Control::ExposureTime, Flags::INACTIVE),
        ];
        let found = Controls::from_descriptions(&all);
        let known: Vec<Control> = found.0.keys().copied().collect();
        assert_eq!(known, [Control::ExposureMode, Control::ExposureTime]);
        assert_eq!(found.0[&Control::ExposureMode].items, [1, 3]);
    }
}
