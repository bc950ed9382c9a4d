//! A camera's controls, read and set through the kernel.

use std::collections::BTreeMap;
use std::io;

use v4l::Device;
use v4l::control::{Control as Set, Description, Flags, Value};

use super::super::controls::{Control, ControlDriver, ControlInfo};
use super::guarded;

/// From the kernel's `v4l2-controls.h`.
fn id_of(control: Control) -> u32 {
    const USER: u32 = 0x0098_0900;
    const CAMERA: u32 = 0x009a_0900;
    match control {
        Control::AutoGain => USER + 18,
        Control::Gain => USER + 19,
        Control::PowerLine => USER + 24,
        Control::ExposureMode => CAMERA + 1,
        Control::ExposureTime => CAMERA + 2,
        Control::DynamicFramerate => CAMERA + 3,
        Control::Focus => CAMERA + 10,
        Control::AutoFocus => CAMERA + 12,
    }
}

const ALL: [Control; 8] = [
    Control::ExposureMode,
    Control::ExposureTime,
    Control::DynamicFramerate,
    Control::AutoGain,
    Control::Gain,
    Control::PowerLine,
    Control::AutoFocus,
    Control::Focus,
];

/// The controls a camera has; read once, as that costs dozens of transfers.
#[derive(Debug, Default)]
pub(super) struct DeviceControls(BTreeMap<Control, ControlInfo>);

impl DeviceControls {
    /// Empty for a camera that has none, or whose answer is not understood.
    pub(super) fn of(device: &Device, label: &str) -> Self {
        match guarded(label, || device.query_controls()) {
            Ok(all) => Self::from_descriptions(&all),
            Err(error) => {
                tracing::debug!(%error, "the camera lists no controls");
                Self::default()
            }
        }
    }

    fn from_descriptions(all: &[Description]) -> Self {
        let usable = |d: &&Description| !d.flags.intersects(Flags::DISABLED | Flags::READ_ONLY);
        let found = ALL.into_iter().filter_map(|control| {
            let description = all.iter().filter(usable).find(|d| d.id == id_of(control))?;
            let items = description.items.iter().flatten();
            let info = ControlInfo {
                min: description.minimum,
                max: description.maximum,
                menu_items: items.map(|(index, _)| i64::from(*index)).collect(),
            };
            Some((control, info))
        });
        Self(found.collect())
    }

    /// Reads and sets them on the open device.
    pub(super) fn driver<'a>(&'a self, device: &'a Device) -> DeviceDriver<'a> {
        DeviceDriver {
            controls: self,
            device,
        }
    }
}

/// The controls of an open device.
pub(super) struct DeviceDriver<'a> {
    controls: &'a DeviceControls,
    device: &'a Device,
}

impl ControlDriver for DeviceDriver<'_> {
    fn info(&self, control: Control) -> Option<ControlInfo> {
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
            (Control::AutoGain, 0x0098_0912),
            (Control::Gain, 0x0098_0913),
            (Control::PowerLine, 0x0098_0918),
            (Control::ExposureMode, 0x009a_0901),
            (Control::ExposureTime, 0x009a_0902),
            (Control::DynamicFramerate, 0x009a_0903),
            (Control::Focus, 0x009a_090a),
            (Control::AutoFocus, 0x009a_090c),
        ] {
            assert_eq!(id_of(control), id, "{control:?}");
        }
    }

    #[test]
    fn a_control_that_cannot_be_set_is_left_out() {
        let all = [
            description(Control::ExposureMode, Flags::empty()),
            description(Control::PowerLine, Flags::DISABLED),
            description(Control::Gain, Flags::READ_ONLY),
            // Cannot be set only as long as the camera sets it itself.
            description(Control::ExposureTime, Flags::INACTIVE),
        ];
        let found = DeviceControls::from_descriptions(&all);
        let known: Vec<Control> = found.0.keys().copied().collect();
        assert_eq!(known, [Control::ExposureMode, Control::ExposureTime]);
        assert_eq!(found.0[&Control::ExposureMode].menu_items, [1, 3]);
    }
}
