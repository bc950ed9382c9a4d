//! Films of reps: none unless turned on, then one a rep with the rep's own times, told to everyone, and really deleted.

use std::fs;
use std::path::{Path, PathBuf};

use cagehand::video::{Film, FilmStore, StoredFilm};
use serde_json::Value;

use super::program::{Place, free_port, json_lines};
use super::watching::{Watch, files};

fn store(place: &Place) -> FilmStore {
    FilmStore::of_journal(&place.path("j.db"))
}

fn films(place: &Place) -> Vec<StoredFilm> {
    store(place).films().unwrap()
}

/// Whether a file holds a picture: JPEG, or a film's frames.
fn holds_a_picture(path: &Path) -> bool {
    let bytes = fs::read(path).unwrap();
    bytes
        .windows(4)
        .any(|part| part == b"JFIF" || part == b"00dc")
}

fn event_secs(rep: &Value) -> Vec<f64> {
    let events = rep["events"].as_object().unwrap();
    events.values().filter_map(Value::as_f64).collect()
}

#[cfg(unix)]
#[test]
fn off_stores_no_picture_and_an_edit_turns_films_on_and_off_while_it_runs() {
    let place = Place::new();
    let port = free_port();
    let page = format!("[page]\nlisten = \"127.0.0.1:{port}\"\n");
    let watch = Watch::start(&place, &page);
    watch.wait_for_words("rep   1");
    let all = files(&place.path("."));
    let names: Vec<&str> = all
        .iter()
        .filter_map(|path| path.file_name()?.to_str())
        .collect();
    for name in &names {
        assert!(
            name.starts_with("j.db")
                || ["s.toml", "said.txt", "warned.txt", "reps.jsonl"].contains(name),
            "{names:?}"
        );
    }
    assert!(!all.iter().any(|path| holds_a_picture(path)));
    assert!(!watch.said().contains("VIDEO"), "{}", watch.said());

    let lite = "[pose]\nmodel = \"lite\"\n";
    fs::write(
        place.path("s.toml"),
        format!("{lite}{page}[video]\nkeep = true\nkeep_days = 3\n"),
    )
    .unwrap();
    watch.wait_for_words(
        "VIDEO IS BEING KEPT: a film of each rep, in j.video, for 3 days, 5 GB at most",
    );
    watch.wait_for_words("video.keep = true (was false)");
    watch.wait_for("a film", || films(&place).len() == 1);
    let health = || -> Value {
        let told = place.run_well(&["health", "--json", "--settings", "s.toml"]);
        serde_json::from_str(&told).unwrap()
    };
    watch.wait_for("health", || health()["video_films"] == 1);
    let told = health();
    assert_eq!(told["video_kept"], true);
    assert!(told["video_bytes"].as_u64().unwrap() > 10_000);
    let words = place.run_well(&["health", "--settings", "s.toml"]);
    assert!(
        words.contains("A VIDEO OF EACH REP IS KEPT; 1 video,"),
        "{words}"
    );

    fs::write(place.path("s.toml"), format!("{lite}{page}")).unwrap();
    watch.wait_for_words("video is off: no more films are kept");
    let reps = json_lines(&place.path("reps.jsonl")).len();
    watch.wait_for("another rep", || {
        json_lines(&place.path("reps.jsonl")).len() > reps
    });
    watch.stop();
    assert_eq!(films(&place).len(), 1);
}

#[cfg(unix)]
#[test]
fn each_rep_has_a_film_with_its_times_and_a_hitters_deletion_takes_them_along() {
    let place = Place::new();
    let watch = Watch::start(&place, "[video]\nkeep = true\n");
    watch.wait_for_words("rep   3");
    let said = watch.stop();
    assert!(said.contains("VIDEO IS BEING KEPT"), "{said}");
    let reps = json_lines(&place.path("reps.jsonl"));
    let kept = films(&place);
    assert_eq!(kept.len(), reps.len(), "{kept:?}");
    for rep in &reps {
        let number = u32::try_from(rep["rep"].as_u64().unwrap()).unwrap();
        let mut film = Film::open(&store(&place).path(1, number)).unwrap();
        assert_eq!((film.id().session, film.id().rep), (1, number));
        let times: Vec<f64> = (0..film.frames())
            .filter_map(|frame| film.time_secs(frame))
            .collect();
        // The recording's own times: a frame each sixtieth of a second, where none was left out.
        for at in &times {
            let frames = at * 60.0;
            assert!((frames - frames.round()).abs() < 0.01, "{at}");
        }
        let events = event_secs(rep);
        let first = events.iter().copied().fold(f64::INFINITY, f64::min);
        let last = events.iter().copied().fold(0.0, f64::max);
        let (begin, end) = (times[0], times[times.len() - 1]);
        // Half a second is more than the slowest test machine leaves out at an edge; and the recording may begin within it.
        let due = (first - 1.0).max(0.0).max(last + 0.5 - 9.0);
        assert!((begin - due).abs() < 0.5, "rep {number}: {begin} for {due}");
        assert!(
            begin >= due - 0.001 && end <= last + 0.501,
            "rep {number}: {begin} {end}"
        );
        assert!(last + 0.5 - end < 0.5, "rep {number}: {end} for {last}");
        let picture = film.jpeg(film.nearest(last)).unwrap();
        assert!(picture.starts_with(&[0xff, 0xd8]) && picture.ends_with(&[0xff, 0xd9]));
    }

    // The stand-in's own hitter.
    let hitter = "stand-in recording";
    let info = place.run_well(&["journal", "--journal", "j.db", "info"]);
    assert!(
        info.contains(&format!("films     {} in j.video", reps.len())),
        "{info}"
    );
    place.run_well(&[
        "journal",
        "--journal",
        "j.db",
        "export-hitter",
        hitter,
        "out",
    ]);
    let exported = place.path("out/session-1-rep-1.avi");
    assert_eq!(
        fs::read(exported).unwrap(),
        fs::read(store(&place).path(1, 1)).unwrap()
    );
    // Somebody else's rep, whose film stays, and one of a session that no journal has: nobody could tell whose it is.
    let track = super::program::project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    place.run_well(&[
        "replay",
        track.to_str().unwrap(),
        "--pace",
        "fast",
        "--journal",
        "j.db",
    ]);
    let other = store(&place).path(2, 1);
    let orphan = store(&place).path(77, 1);
    fs::create_dir_all(orphan.parent().unwrap()).unwrap();
    fs::copy(store(&place).path(1, 1), &orphan).unwrap();
    fs::create_dir_all(other.parent().unwrap()).unwrap();
    fs::copy(store(&place).path(1, 1), &other).unwrap();
    let said = place.run_well(&[
        "journal",
        "--journal",
        "j.db",
        "delete-hitter",
        hitter,
        "--yes",
    ]);
    assert!(
        said.contains(&format!("deleted {} films", reps.len() + 1)),
        "{said}"
    );
    let left: Vec<PathBuf> = films(&place).into_iter().map(|film| film.path).collect();
    assert_eq!(left, std::slice::from_ref(&other));

    let unasked = place.run(&["journal", "--journal", "j.db", "delete-video"]);
    assert_eq!(unasked.status.code(), Some(2));
    assert!(other.exists());
    place.run_well(&["journal", "--journal", "j.db", "delete-video", "--yes"]);
    assert!(!store(&place).folder().exists());
    let said = place.run_well(&["journal", "--journal", "j.db", "delete-video", "--yes"]);
    assert!(said.contains("there is no film"), "{said}");
}

#[cfg(unix)]
#[test]
fn a_disk_that_takes_no_film_loses_no_rep() {
    let place = Place::new();
    // No folder can be made where a file is.
    fs::write(place.path("j.video"), "in the way").unwrap();
    let watch = Watch::start(&place, "[video]\nkeep = true\n");
    watch.wait_for_words("rep   2");
    watch.stop();
    let warned = fs::read_to_string(place.path("warned.txt")).unwrap();
    assert!(
        warned.contains("a rep is logged without its film") && warned.contains("j.video"),
        "{warned}"
    );
    let stored = place.run_well(&["export", "--journal", "j.db"]);
    assert_eq!(
        stored.lines().count(),
        json_lines(&place.path("reps.jsonl")).len()
    );
}
