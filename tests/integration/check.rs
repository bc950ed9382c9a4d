//! `check` tells the owner of a cage from where the camera sees the hitter, and whether the settings say the same.

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
    assert!(told.contains("MEND  view        open-side"), "{told}");
    assert!(told.contains("The settings say rear"), "{told}");
}
