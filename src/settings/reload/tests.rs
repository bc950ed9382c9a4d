use super::*;
use crate::settings::DEFAULT_FILE;

fn settings(text: &str) -> Settings {
    Settings::parse(text, Path::new("s.toml")).unwrap()
}

fn changed_keys(before: &str, after: &str) -> Vec<String> {
    changes(&settings(before), &settings(after))
        .into_iter()
        .map(|change| format!("{}: {} to {}", change.key, change.before, change.after))
        .collect()
}

#[test]
fn every_key_says_how_a_change_comes_into_force() {
    for section in explain("") {
        for key in section.keys {
            assert!(applies(&key.name).is_some(), "{}", key.name);
        }
    }
    assert_eq!(applies("cues.loudness"), None);
}

#[test]
fn only_values_that_differ_are_changes() {
    assert!(changed_keys("", DEFAULT_FILE).is_empty());
    assert!(changed_keys("[cues]\nvolume = 0.80", "cues = { volume = 8e-1 } # loud").is_empty());
    assert_eq!(
        changed_keys(
            "[hitter]\nheight_cm = 150",
            "[cues]\nvolume = 0.5\n[hitter]\nbats = \"left\""
        ),
        [
            "hitter.height_cm: 150 to 0",
            "hitter.bats: \"auto\" to \"left\"",
            "cues.volume: 0.8 to 0.5",
        ]
    );
    // A table of bands replaces the default ones as a whole, and what is left out is gone.
    let bands = |text: &str| format!("[bands]\n{text}");
    assert_eq!(
        changed_keys(
            &bands("head_drop_cm = { low = 1, high = 4 }\nbalance_offset_cm = { low = 1 }"),
            &bands("head_drop_cm = { high = 4, low = 1 }\nhands_back_cm = { below = 2 }"),
        ),
        [
            "bands.hands_back_cm: none to { below = 2 }",
            "bands.balance_offset_cm: { low = 1 } to none",
        ]
    );
}

#[test]
fn what_needs_a_restart_says_why() {
    let changes = changes(
        &settings(""),
        &settings("[camera]\nfps = 30\nroll_deg = 2\n[pose]\nmodel = \"lite\""),
    );
    let restart: Vec<&str> = changes
        .iter()
        .filter(|change| matches!(change.applies, Applies::Restart(why) if !why.is_empty()))
        .map(|change| change.key.as_str())
        .collect();
    assert_eq!(restart, ["camera.fps"]);
    assert_eq!(changes.len(), 3);
}

/// A folder with a file in it that is in force.
struct Place {
    folder: tempfile::TempDir,
    watch: SettingsWatch,
}

impl Place {
    fn new(text: Option<&str>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let places = vec![
            folder.path().join("own.toml"),
            folder.path().join("etc.toml"),
        ];
        if let Some(text) = text {
            fs::write(&places[1], text).unwrap();
        }
        let file = text.map(|_| places[1].clone());
        let watch = SettingsWatch::new(places, file.as_deref(), settings(text.unwrap_or("")));
        Self { folder, watch }
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.folder.path().join(name), text).unwrap();
    }

    /// Two polls, of which the first must only have seen that there is something.
    fn polled_twice(&mut self) -> Reload {
        match self.watch.poll() {
            Reload::Unsettled => self.watch.poll(),
            other => other,
        }
    }

    /// Keys that change, or the error's words.
    fn news(&mut self) -> Result<Vec<String>, String> {
        match self.polled_twice() {
            Reload::Valid { settings, changes } => {
                self.watch.accept(*settings);
                Ok(changes.into_iter().map(|change| change.key).collect())
            }
            Reload::Invalid(error) => Err(error.to_string()),
            other => panic!("{other:?}"),
        }
    }

    fn is_quiet(&mut self) -> bool {
        matches!(self.watch.poll(), Reload::Unchanged)
    }
}

#[test]
fn an_edit_is_reported_once_and_a_wrong_one_leaves_the_settings() {
    let mut place = Place::new(Some("[cues]\nvolume = 0.5\n"));
    assert!(place.is_quiet());
    place.write("etc.toml", "[cues]\n\nvolume = 5\n");
    let wrong = place.news().unwrap_err();
    assert!(wrong.contains("etc.toml, line 3: volume is 5"), "{wrong}");
    assert!(place.is_quiet(), "the same mistake is reported once");
    assert!((place.watch.settings().cues.volume - 0.5).abs() < 1e-6);
    for bad in [
        "[cues",
        "[cues]\nloud = 1",
        "\u{fffd}",
        "[bands]\nluck = { low = 1 }",
    ] {
        place.write("etc.toml", bad);
        place.news().unwrap_err();
    }
    place.write("etc.toml", "[cues]\nvolume = 0.5 # as before\n");
    assert_eq!(place.news(), Ok(Vec::new()), "right again, nothing changes");
    place.write("etc.toml", "[cues]\nvolume = 0.25\nremarks = false\n");
    assert_eq!(
        place.news(),
        Ok(vec!["cues.volume".into(), "cues.remarks".into()])
    );
    assert!(place.is_quiet());
    assert!((place.watch.settings().cues.volume - 0.25).abs() < 1e-6);
}

#[test]
fn a_file_that_is_being_written_is_not_judged() {
    let mut place = Place::new(Some("[cues]\nvolume = 0.5\n"));
    for unfinished in ["", "[cu", "[cues]\nvolume = 0.", "[cues]\nvolume = 0.7"] {
        place.write("etc.toml", unfinished);
        assert!(
            matches!(place.watch.poll(), Reload::Unsettled),
            "{unfinished:?}"
        );
    }
    assert_eq!(place.news(), Ok(vec!["cues.volume".into()]));
    // Put back before the second poll: nothing has happened.
    place.write("etc.toml", "");
    assert!(matches!(place.watch.poll(), Reload::Unsettled));
    place.write("etc.toml", "[cues]\nvolume = 0.7");
    assert!(place.is_quiet());
}

#[test]
fn a_file_that_is_emptied_gone_or_something_else_is_no_wish_for_the_defaults() {
    let mut place = Place::new(Some("[cues]\nvolume = 0.5\n"));
    place.write("etc.toml", " \n");
    assert!(place.news().unwrap_err().contains("is empty"));
    fs::remove_file(place.folder.path().join("etc.toml")).unwrap();
    assert!(place.news().unwrap_err().contains("is gone"));
    place.write("etc.toml", &"# long\n".repeat(200_000));
    assert!(place.news().unwrap_err().contains("1400000 bytes"));
    fs::write(place.folder.path().join("etc.toml"), b"name = \"\xff\xfe\"").unwrap();
    assert!(
        place
            .news()
            .unwrap_err()
            .contains("cannot read the settings")
    );
    assert!((place.watch.settings().cues.volume - 0.5).abs() < 1e-6);
}

#[test]
fn a_file_that_appears_or_goes_before_the_one_in_force_is_taken() {
    let mut place = Place::new(None);
    assert!(place.is_quiet());
    place.write("etc.toml", "[cues]\nvolume = 0.5\n");
    assert_eq!(place.news(), Ok(vec!["cues.volume".into()]));
    place.write(
        "own.toml",
        "[cues]\nvolume = 0.5\n[hitter]\nbats = \"left\"\n",
    );
    assert_eq!(place.news(), Ok(vec!["hitter.bats".into()]));
    // The file behind it does not count any more, not even where the one in force is gone.
    place.write("etc.toml", "[cues]\nvolume = 0.9\n");
    assert!(place.is_quiet());
    fs::remove_file(place.folder.path().join("own.toml")).unwrap();
    assert!(place.news().unwrap_err().contains("own.toml is gone"));
}

#[test]
fn a_recheck_judges_the_same_content_again() {
    let mut place = Place::new(Some("[cues]\nvolume = 0.5\n"));
    place.watch.recheck();
    assert_eq!(place.news(), Ok(Vec::new()));
    place.write("etc.toml", "[cues]\nvolume = 5\n");
    place.news().unwrap_err();
    place.watch.recheck();
    place.news().unwrap_err();
}
