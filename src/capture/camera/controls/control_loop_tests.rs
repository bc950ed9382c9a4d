use std::cell::RefCell;
use std::collections::BTreeMap;

use super::super::ControlInfo;
use super::*;

/// A camera that behaves as the kernel's documentation of the V4L2 controls and its `uvcvideo` driver say: exposure and
/// focus are refused while the camera sets them itself, numbers are brought within their range, menus have gaps.
#[derive(Default)]
struct Webcam {
    values: RefCell<BTreeMap<Control, i64>>,
    infos: BTreeMap<Control, ControlInfo>,
    sets: RefCell<Vec<(Control, i64)>>,
}

impl Webcam {
    fn new() -> Self {
        let mut camera = Self::default();
        camera.has(Control::ExposureMode, 0, 3, &[1, 3], 3);
        camera.has(Control::ExposureTime, 3, 2047, &[], 250);
        camera.has(Control::DynamicFramerate, 0, 1, &[], 1);
        camera.has(Control::Gain, 0, 255, &[], 0);
        camera.has(Control::PowerLine, 0, 2, &[0, 1, 2], 2);
        camera.has(Control::AutoFocus, 0, 1, &[], 1);
        camera.has(Control::Focus, 0, 250, &[], 30);
        camera
    }

    fn has(&mut self, control: Control, min: i64, max: i64, menu_items: &[i64], value: i64) {
        let menu_items = menu_items.to_vec();
        let info = ControlInfo {
            min,
            max,
            menu_items,
        };
        self.infos.insert(control, info);
        self.values.get_mut().insert(control, value);
    }

    fn value(&self, control: Control) -> i64 {
        self.values.borrow()[&control]
    }
}

impl ControlDriver for Webcam {
    fn info(&self, control: Control) -> Option<ControlInfo> {
        self.infos.get(&control).cloned()
    }

    fn get(&self, control: Control) -> io::Result<i64> {
        let values = self.values.borrow();
        values
            .get(&control)
            .copied()
            .ok_or_else(|| io::ErrorKind::InvalidInput.into())
    }

    fn set(&self, control: Control, value: i64) -> io::Result<()> {
        let info = self.info(control).ok_or(io::ErrorKind::InvalidInput)?;
        let is_automatic =
            |switch: Control, manual: i64| self.get(switch).is_ok_and(|value| value != manual);
        let inactive = match control {
            Control::ExposureTime => is_automatic(Control::ExposureMode, 1),
            Control::Focus => is_automatic(Control::AutoFocus, 0),
            _ => false,
        };
        if inactive {
            return Err(io::ErrorKind::PermissionDenied.into());
        }
        if !info.menu_items.is_empty() && !info.menu_items.contains(&value) {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        self.values
            .borrow_mut()
            .insert(control, value.clamp(info.min, info.max));
        self.sets.borrow_mut().push((control, value));
        Ok(())
    }
}

fn start(camera: &Webcam, requested: CameraControls) -> (ControlLoop, LiveControls) {
    let live = LiveControls::new(requested);
    (
        ControlLoop::start(camera, live.clone(), "a webcam", 60.0),
        live,
    )
}

/// Frames of one brightness, 60 per second.
fn watch(
    control_loop: &mut ControlLoop,
    camera: &Webcam,
    from_secs: f64,
    secs: f64,
    brightness: f64,
) {
    for frame in 0..(secs * 60.0) as i64 {
        let at = CaptureTime::from_secs(from_secs + frame as f64 / 60.0);
        control_loop.on_frame(camera, at, || brightness);
    }
}

#[test]
fn by_default_the_exposure_is_short_the_rate_steady_and_the_focus_locked_after_a_while() {
    let camera = Webcam::new();
    let (mut control_loop, live) = start(&camera, CameraControls::default());
    assert_eq!(camera.value(Control::ExposureMode), 1);
    assert_eq!(camera.value(Control::ExposureTime), 40);
    assert_eq!(camera.value(Control::DynamicFramerate), 0);
    assert_eq!(
        camera.value(Control::PowerLine),
        2,
        "it has no choice of its own, and keeps what it has"
    );
    assert_eq!(
        control_loop.status(&camera).focus,
        Some(FocusStatus::Settling)
    );
    camera.values.borrow_mut().insert(Control::Focus, 85);
    watch(&mut control_loop, &camera, 0.0, 4.0, 120.0);
    let now = control_loop.status(&camera);
    assert_eq!(now.focus, Some(FocusStatus::Locked));
    assert_eq!(
        (now.exposure_ms, now.exposure_by),
        (Some(4.0), ExposureController::Light)
    );
    assert_eq!(
        (now.steady_rate, now.settled, now.notes.len()),
        (Some(true), true, 0)
    );
    drop(control_loop);

    // Plugged in again it has forgotten everything; the focus is not searched for a second time.
    let again = Webcam::new();
    let control_loop = ControlLoop::start(&again, live, "a webcam", 60.0);
    assert_eq!(
        (again.value(Control::AutoFocus), again.value(Control::Focus)),
        (0, 85)
    );
    assert_eq!(again.value(Control::ExposureTime), 40);
    assert_eq!(control_loop.status(&again).focus, Some(FocusStatus::Locked));
}

#[test]
fn what_is_requested_is_set() {
    let camera = Webcam::new();
    let (control_loop, _) = start(
        &camera,
        CameraControls {
            exposure: ExposureRequest::Millis(2.5),
            gain: GainRequest::Percent(40.0),
            power_line: PowerLine::Hz50,
            focus: FocusRequest::Percent(20.0),
        },
    );
    for (control, value) in [
        (Control::ExposureMode, 1),
        (Control::ExposureTime, 25),
        (Control::Gain, 102),
        (Control::PowerLine, 1),
        (Control::AutoFocus, 0),
        (Control::Focus, 50),
    ] {
        assert_eq!(camera.value(control), value, "{control:?}");
    }
    let now = control_loop.status(&camera);
    assert_eq!(
        (now.exposure_by, now.power_line),
        (ExposureController::Settings, Some(PowerLine::Hz50))
    );
    assert!((now.gain_pct.unwrap() - 40.0).abs() < 0.1 && now.settled);
}

#[test]
fn a_changed_request_is_applied_with_the_next_frame() {
    let camera = Webcam::new();
    let (mut control_loop, live) = start(&camera, CameraControls::default());
    watch(&mut control_loop, &camera, 0.0, 1.0, 120.0);
    live.set(CameraControls {
        exposure: ExposureRequest::Camera,
        power_line: PowerLine::Off,
        focus: FocusRequest::Auto,
        ..CameraControls::default()
    });
    watch(&mut control_loop, &camera, 1.0, 0.02, 120.0);
    assert_eq!(camera.value(Control::ExposureMode), 3);
    assert_eq!(camera.value(Control::PowerLine), 0);
    assert_eq!(
        control_loop.status(&camera).focus,
        Some(FocusStatus::Automatic)
    );
    let sets = camera.sets.borrow().len();
    watch(&mut control_loop, &camera, 1.1, 5.0, 120.0);
    assert_eq!(
        camera.sets.borrow().len(),
        sets,
        "nothing is set again and again"
    );
}

#[test]
fn in_the_dark_the_exposure_goes_back_to_the_camera() {
    let camera = Webcam::new();
    let (mut control_loop, _) = start(&camera, CameraControls::default());
    watch(&mut control_loop, &camera, 0.0, 20.0, 10.0);
    assert_eq!(camera.value(Control::ExposureMode), 3);
    assert_eq!(camera.value(Control::Gain), 255);
    let now = control_loop.status(&camera);
    assert_eq!(
        (now.exposure_by, now.settled),
        (ExposureController::CameraInTheDark, true)
    );
    // Ten minutes later it is tried again, and the lamps are on.
    watch(&mut control_loop, &camera, 20.0, 605.0, 120.0);
    let now = control_loop.status(&camera);
    assert_eq!(
        (now.exposure_by, now.exposure_ms),
        (ExposureController::Light, Some(4.0))
    );
}

#[test]
fn no_exposure_is_longer_than_the_time_between_two_frames() {
    let camera = Webcam::new();
    let live = LiveControls::default();
    let mut control_loop = ControlLoop::start(&camera, live, "a webcam", 120.0);
    watch(&mut control_loop, &camera, 0.0, 30.0, 45.0);
    let longest = camera
        .sets
        .borrow()
        .iter()
        .filter(|(c, _)| *c == Control::ExposureTime)
        .map(|(_, v)| *v)
        .max();
    assert_eq!(longest, Some(79));
}

#[test]
fn a_camera_without_controls_works_and_each_lack_is_reported_once() {
    let camera = Webcam::default();
    let requested = CameraControls {
        exposure: ExposureRequest::Millis(2.0),
        ..CameraControls::default()
    };
    let (mut control_loop, live) = start(&camera, requested);
    watch(&mut control_loop, &camera, 0.0, 5.0, 10.0);
    let now = control_loop.status(&camera);
    assert_eq!(now.notes.len(), 4, "{:?}", now.notes);
    assert_eq!(
        (now.exposure_ms, now.exposure_by, now.settled),
        (None, ExposureController::Unknown, true)
    );
    let reported = |live: &LiveControls| {
        let reported = live.state().reported.clone();
        reported
            .into_iter()
            .map(|(unmet, _)| unmet)
            .collect::<Vec<bool>>()
    };
    assert_eq!(reported(&live), [false, false, false, true]);
    // Plugged in again, and after an edit: the facts are known, and the exposure is not requested anymore.
    drop(control_loop);
    let mut control_loop = ControlLoop::start(&camera, live.clone(), "a webcam", 60.0);
    assert_eq!(reported(&live).len(), 4);
    live.set(CameraControls::default());
    watch(&mut control_loop, &camera, 9.0, 0.1, 10.0);
    assert_eq!(reported(&live), [false; 4]);
}

#[test]
fn a_camera_that_refuses_a_short_exposure_keeps_its_own() {
    let mut camera = Webcam::new();
    // It can be asked for its exposure, but only its own mode is there.
    camera.has(Control::ExposureMode, 0, 3, &[3], 3);
    let (control_loop, _) = start(&camera, CameraControls::default());
    let now = control_loop.status(&camera);
    assert_eq!(camera.value(Control::ExposureMode), 3);
    assert_eq!(now.exposure_by, ExposureController::Camera);
    assert!(
        now.notes[0].contains("refuses its setting for the exposure"),
        "{:?}",
        now.notes
    );
}

#[test]
fn at_the_end_the_camera_is_as_it_was() {
    let camera = Webcam::new();
    let before = camera.values.borrow().clone();
    let (mut control_loop, _) = start(
        &camera,
        CameraControls {
            gain: GainRequest::Percent(50.0),
            power_line: PowerLine::Hz50,
            ..CameraControls::default()
        },
    );
    watch(&mut control_loop, &camera, 0.0, 4.0, 120.0);
    assert_ne!(*camera.values.borrow(), before);
    control_loop.restore(&camera);
    let mut after = camera.values.borrow().clone();
    // How long it exposes by itself is the camera's to say.
    after.insert(Control::ExposureTime, before[&Control::ExposureTime]);
    assert_eq!(after, before);
}
