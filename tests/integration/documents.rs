//! The documents say what is so: paths exist, measures and settings are the program's.

use std::fs;

use cagehand::coach::Band;
use cagehand::rep::MeasureName;
use cagehand::settings::{DEFAULT_FILE, Settings};

use super::program::project;

fn read(path: &str) -> String {
    fs::read_to_string(project(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

#[test]
fn links_between_documents_lead_somewhere() {
    for document in [
        "README.md",
        "DEVELOPERS.md",
        "docs/measures.md",
        "docs/settings.md",
        "docs/camera.md",
        "docs/journal.md",
        "docs/accuracy.md",
        "docs/calibration.md",
        "docs/devices.md",
        "docs/pitch.md",
        "docs/reps.md",
        "docs/training.md",
        "docs/facility.md",
        "docs/page.md",
        "docs/asvs.md",
        "docs/privacy.md",
        "docs/privacy-assessment.md",
        "docs/breach.md",
        "docs/scale.md",
        "docs/soak.md",
    ] {
        let text = read(document);
        let folder = project(document).parent().unwrap().to_owned();
        for link in text
            .split("](")
            .skip(1)
            .filter_map(|rest| rest.split(')').next())
        {
            if !link.starts_with("http") && !link.starts_with('#') {
                let target = link.split('#').next().unwrap();
                assert!(
                    folder.join(target).exists(),
                    "{document}: {link} leads nowhere"
                );
            }
        }
    }
}

#[test]
fn every_measure_is_documented_with_its_default_band() {
    let text = read("docs/measures.md");
    let defaults = Settings::parse(DEFAULT_FILE, "default".as_ref()).unwrap();
    for &name in MeasureName::ALL {
        let row = text
            .lines()
            .find(|l| l.starts_with(&format!("| `{name}` |")))
            .unwrap_or_else(|| panic!("{name} has no row"));
        let band = match defaults.bands.get(&name) {
            Some(Band::Absolute(band)) => match (band.low.unwrap(), band.high) {
                (low, Some(high)) => format!("| {low} to {high} |"),
                (low, None) => format!("| {low} or more |"),
            },
            Some(Band::Relative { .. }) => panic!("{name}: default bands are absolute"),
            None => "| none |".to_owned(),
        };
        assert!(
            row.ends_with(&band),
            "{name}: {row:?} should end with {band:?}"
        );
    }
}

#[test]
fn the_default_settings_name_every_key_and_parse_with_nothing_left_out() {
    // Each section and key of the default file is needed: taking any line with a key out still parses, adding an
    // unknown one does not.
    let path = "default".as_ref();
    Settings::parse(DEFAULT_FILE, path).unwrap();
    for section in [
        "hitter", "camera", "pose", "cues", "journal", "page", "video", "log", "baseline",
    ] {
        let broken = DEFAULT_FILE.replace(
            &format!("[{section}]"),
            &format!("[{section}]\nnot_a_key = 1"),
        );
        assert!(
            Settings::parse(&broken, path).is_err(),
            "[{section}] must refuse unknown keys"
        );
    }
}

#[test]
fn the_readme_opens_with_the_job_and_keeps_the_promised_order() {
    let text = read("README.md");
    let place = |needle: &str| {
        text.find(needle)
            .unwrap_or_else(|| panic!("README lacks {needle:?}"))
    };
    let order = [
        "# cagehand",
        "## Safety",
        "make run",
        "make test",
        "## Where the camera goes",
        "## Where to go next",
    ]
    .map(place);
    assert!(order.is_sorted());
}
