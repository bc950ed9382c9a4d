use std::cell::RefCell;
use std::collections::BTreeMap;

use super::super::Range;
use super::*;

/// A camera that behaves as the kernel's documentation of the V4L2 controls and its `uvcvideo` driver say: exposure and
/// focus are refused while the camera sets them itself, numbers are brought within their range, menus have gaps.
#[derive(Default)]
struct Webcam {
    values: RefCell<BTreeMap<Control, i64>>,
    ranges: BTreeMap<Control, Range>,
    sets: RefCell<Vec<(Control, i64)>>,
}

impl Webcam {
    fn new() -> Self {
        let mut camera = Self::default();
        camera.has(Control::ExposureMode, 0, 3, &[1, 3], 3);
        camera.has(Control::ExposureTime, 3, 2047, &[], 250);
        camera.has(Control::RateMayDrop, 0, 1, &[], 1);
        camera.has(Control::Gain, 0, 255, &[], 0);
        camera.has(Control::PowerLine, 0, 2, &[0, 1, 2], 2);
        camera.has(Control::OwnFocus, 0, 1, &[], 1);
        camera.has(Control::Focus, 0, 250, &[], 30);
        camera
    }

    fn has(&mut self, control: Control, least: i64, most: i64, items: &[i64], value: i64) {
        let items = items.to_vec();
        self.ranges.insert(control, Range { least, most, items });
        self.values.get_mut().insert(control, value);
    }

    fn value(&self, control: Control) -> i64 {
        self.values.borrow()[&control]
    }
}

impl Driver for Webcam {
    fn range(&self, control: Control) -> Option<Range> {
        self.ranges.get(&control).cloned()
    }

    fn get(&self, control: Control) -> io::Result<i64> {
        let values = self.values.borrow();
        values
            .get(&control)
            .copied()
            .ok_or_else(|| io::ErrorKind::InvalidInput.into())
    }

    fn set(&self, control: Control, value: i64) -> io::Result<()> {
        let range = self.range(control).ok_or(io::ErrorKind::InvalidInput)?;
        let own = |switch: Control, off: i64| self.get(switch).is_ok_and(|value| value != off);
        let inactive = match control {
            Control::ExposureTime => own(Control::ExposureMode, 1),
            Control::Focus => own(Control::OwnFocus, 0),
            _ => false,
        };
        if inactive {
            return Err(io::ErrorKind::PermissionDenied.into());
        }
        if !range.items.is_empty() && !range.items.contains(&value) {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        self.values
            .borrow_mut()
            .insert(control, value.clamp(range.least, range.most));
        self.sets.borrow_mut().push((control, value));
        Ok(())
    }
}

fn start(camera: &Webcam, wishes: CameraControls) -> (Keeper, LiveControls) {
    let live = LiveControls::new(wishes);
    (Keeper::start(camera, live.clone(), "a webcam", 60.0), live)
}

/// Pictures of one brightness, 60 a second.
fn watch(keeper: &mut Keeper, camera: &Webcam, from_secs: f64, secs: f64, brightness: f64) {
    for frame in 0..(secs * 60.0) as i64 {
        let at = CaptureTime::from_secs(from_secs + frame as f64 / 60.0);
        keeper.picture(camera, at, || brightness);
    }
}

#[test]
fn by_default_the_exposure_is_short_the_rate_steady_and_the_focus_locked_after_a_while() {
    let camera = Webcam::new();
    let (mut keeper, live) = start(&camera, CameraControls::default());
    assert_eq!(camera.value(Control::ExposureMode), 1);
    assert_eq!(camera.value(Control::ExposureTime), 40);
    assert_eq!(camera.value(Control::RateMayDrop), 0);
    assert_eq!(
        camera.value(Control::PowerLine),
        2,
        "it has no choice of its own, and keeps what it has"
    );
    assert_eq!(keeper.now(&camera).focus, Some(FocusStatus::Settling));
    camera.values.borrow_mut().insert(Control::Focus, 85);
    watch(&mut keeper, &camera, 0.0, 4.0, 120.0);
    let now = keeper.now(&camera);
    assert_eq!(now.focus, Some(FocusStatus::Locked));
    assert_eq!(
        (now.exposure_ms, now.exposure_by),
        (Some(4.0), ExposureController::Light)
    );
    assert_eq!(
        (now.steady_rate, now.settled, now.notes.len()),
        (Some(true), true, 0)
    );
    drop(keeper);

    // Plugged in again it has forgotten everything; the focus is not searched for a second time.
    let again = Webcam::new();
    let keeper = Keeper::start(&again, live, "a webcam", 60.0);
    assert_eq!(
        (again.value(Control::OwnFocus), again.value(Control::Focus)),
        (0, 85)
    );
    assert_eq!(again.value(Control::ExposureTime), 40);
    assert_eq!(keeper.now(&again).focus, Some(FocusStatus::Locked));
}

#[test]
fn what_is_wished_is_set() {
    let camera = Webcam::new();
    let (keeper, _) = start(
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
        (Control::OwnFocus, 0),
        (Control::Focus, 50),
    ] {
        assert_eq!(camera.value(control), value, "{control:?}");
    }
    let now = keeper.now(&camera);
    assert_eq!(
        (now.exposure_by, now.power_line),
        (ExposureController::Settings, Some(PowerLine::Hz50))
    );
    assert!((now.gain_pct.unwrap() - 40.0).abs() < 0.1 && now.settled);
}

#[test]
fn other_wishes_are_taken_up_with_the_next_picture() {
    let camera = Webcam::new();
    let (mut keeper, live) = start(&camera, CameraControls::default());
    watch(&mut keeper, &camera, 0.0, 1.0, 120.0);
    live.set(CameraControls {
        exposure: ExposureRequest::Camera,
        power_line: PowerLine::Off,
        focus: FocusRequest::Auto,
        ..CameraControls::default()
    });
    watch(&mut keeper, &camera, 1.0, 0.02, 120.0);
    assert_eq!(camera.value(Control::ExposureMode), 3);
    assert_eq!(camera.value(Control::PowerLine), 0);
    assert_eq!(keeper.now(&camera).focus, Some(FocusStatus::Automatic));
    let sets = camera.sets.borrow().len();
    watch(&mut keeper, &camera, 1.1, 5.0, 120.0);
    assert_eq!(
        camera.sets.borrow().len(),
        sets,
        "nothing is set again and again"
    );
}

#[test]
fn in_the_dark_the_exposure_goes_back_to_the_camera() {
    let camera = Webcam::new();
    let (mut keeper, _) = start(&camera, CameraControls::default());
    watch(&mut keeper, &camera, 0.0, 20.0, 10.0);
    assert_eq!(camera.value(Control::ExposureMode), 3);
    assert_eq!(camera.value(Control::Gain), 255);
    let now = keeper.now(&camera);
    assert_eq!(
        (now.exposure_by, now.settled),
        (ExposureController::CameraInTheDark, true)
    );
    // Ten minutes later it is tried again, and the lamps are on.
    watch(&mut keeper, &camera, 20.0, 605.0, 120.0);
    let now = keeper.now(&camera);
    assert_eq!(
        (now.exposure_by, now.exposure_ms),
        (ExposureController::Light, Some(4.0))
    );
}

#[test]
fn no_exposure_is_longer_than_the_time_between_two_frames() {
    let camera = Webcam::new();
    let live = LiveControls::default();
    let mut keeper = Keeper::start(&camera, live, "a webcam", 120.0);
    watch(&mut keeper, &camera, 0.0, 30.0, 45.0);
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
fn a_camera_without_controls_works_and_each_lack_is_said_once() {
    let camera = Webcam::default();
    let wishes = CameraControls {
        exposure: ExposureRequest::Millis(2.0),
        ..CameraControls::default()
    };
    let (mut keeper, live) = start(&camera, wishes);
    watch(&mut keeper, &camera, 0.0, 5.0, 10.0);
    let now = keeper.now(&camera);
    assert_eq!(now.notes.len(), 4, "{:?}", now.notes);
    assert_eq!(
        (now.exposure_ms, now.exposure_by, now.settled),
        (None, ExposureController::Unknown, true)
    );
    let said = |live: &LiveControls| {
        let said = live.state().said.clone();
        said.into_iter()
            .map(|(wished, _)| wished)
            .collect::<Vec<bool>>()
    };
    assert_eq!(said(&live), [false, false, false, true]);
    // Plugged in again, and after an edit: the facts are known, the exposure is no wish any more.
    drop(keeper);
    let mut keeper = Keeper::start(&camera, live.clone(), "a webcam", 60.0);
    assert_eq!(said(&live).len(), 4);
    live.set(CameraControls::default());
    watch(&mut keeper, &camera, 9.0, 0.1, 10.0);
    assert_eq!(said(&live), [false; 4]);
}

#[test]
fn a_camera_that_refuses_a_short_exposure_keeps_its_own() {
    let mut camera = Webcam::new();
    // It can be asked for its exposure, but only its own mode is there.
    camera.has(Control::ExposureMode, 0, 3, &[3], 3);
    let (keeper, _) = start(&camera, CameraControls::default());
    let now = keeper.now(&camera);
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
    let (mut keeper, _) = start(
        &camera,
        CameraControls {
            gain: GainRequest::Percent(50.0),
            power_line: PowerLine::Hz50,
            ..CameraControls::default()
        },
    );
    watch(&mut keeper, &camera, 0.0, 4.0, 120.0);
    assert_ne!(*camera.values.borrow(), before);
    keeper.end(&camera);
    let mut after = camera.values.borrow().clone();
    // How long it exposes by itself is the camera's to say.
    after.insert(Control::ExposureTime, before[&Control::ExposureTime]);
    assert_eq!(after, before);
}
