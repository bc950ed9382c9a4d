//! `check` tells the owner of a cage from where the camera sees the hitter, whether the settings say the same, and whether the bat
//! can be seen.

use std::fs;

use super::program::{Place, recording};

/// The report on the bundled recording, filmed across the plate, under these settings.
fn report(settings: &str) -> String {
    let place = Place::new();
    fs::write(place.path("s.toml"), settings).unwrap();
    let arguments = ["check", "--settings", "s.toml", "--silent", "--clip"];
    let output = place.run(&[&arguments[..], &[recording("right_60fps").as_str()]].concat());
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn the_view_is_named_and_a_setting_that_says_another_one_is_to_be_mended() {
    let told = report("");
    assert!(
        told.contains("good  view        open-side, facing the hitter's chest"),
        "{told}"
    );
    assert!(
        told.contains("good  stand       the camera stands still"),
        "{told}"
    );
    let told = report("[camera]\nview = \"rear\"\n");
    assert!(told.contains("FIX  view        open-side"), "{told}");
    assert!(told.contains("The settings say rear"), "{told}");
}

#[test]
fn whether_the_bat_can_be_seen_is_told_and_how_much_room_it_lacks_above() {
    let told = report("");
    // The recording's truth: at rest the tip is 54 pixels above the picture's upper edge, at 297 pixels a meter 18 cm.
    let lacks = told
        .lines()
        .find_map(|line| {
            line.strip_prefix("note  bat room    an upright bat reaches out of the picture above: ")
        })
        .unwrap_or_else(|| panic!("{told}"));
    let cm: f64 = lacks.split(' ').next().unwrap().parse().unwrap();
    // At most what is allowed for beyond that: a bat that looks 0.3 of 72 cm longer, hands that rise by 9.
    assert!((18.0..=49.0).contains(&cm), "{told}");
    let seen = told
        .lines()
        .find(|line| line.contains("  bat seen  "))
        .unwrap_or_else(|| panic!("{told}"));
    let share = seen
        .split("in ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next());
    let share: f64 = share.unwrap().parse().unwrap();
    // The look falls on a swing, in which the bat smears.
    assert!((25.0..=100.0).contains(&share), "{told}");
    assert!(told.contains("good  bat size"), "{told}");
    assert!(
        told.contains("note  bat blur    the exposure is not told"),
        "{told}"
    );
    // A machine that runs other tests beside it may be slow with a frame.
    assert!(told.contains("  bat rate    "), "{told}");
    assert!(
        told.contains("good  bat view    across the plate"),
        "{told}"
    );
    let told = report("[pose]\nbat = false\n");
    assert!(told.contains("good  bat         not looked for"), "{told}");
    assert!(!told.contains("bat room"), "{told}");
}
