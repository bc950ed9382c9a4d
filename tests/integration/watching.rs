//! A `watch` on the bundled recording that a test waits for and stops.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::program::{PATIENCE, Place, recording};

/// A running watch whose output goes to files; it is killed with the test.
pub(crate) struct Watch<'a> {
    child: Child,
    place: &'a Place,
}

impl<'a> Watch<'a> {
    /// On the bundled recording, with these settings in `s.toml`.
    pub(crate) fn start(place: &'a Place, settings: &str) -> Self {
        fs::write(
            place.path("s.toml"),
            format!("[pose]\nmodel = \"lite\"\n{settings}"),
        )
        .unwrap();
        let clip = recording("left_60fps_faults");
        let arguments = [
            "watch",
            "--end-with-recording",
            "--settings",
            "s.toml",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            "j.db",
            "--reps",
            "reps.jsonl",
        ];
        let file = |name| fs::File::create(place.path(name)).unwrap();
        let child = place
            .command(&arguments)
            .stdin(Stdio::null())
            .stdout(file("said.txt"))
            .stderr(file("warned.txt"))
            .spawn()
            .unwrap();
        Self { child, place }
    }

    pub(crate) fn said(&self) -> String {
        fs::read_to_string(self.place.path("said.txt")).unwrap()
    }

    pub(crate) fn wait_for(&self, what: &str, so: impl Fn() -> bool) {
        let begun = Instant::now();
        while !so() {
            assert!(begun.elapsed() < PATIENCE, "{what}: {}", self.said());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub(crate) fn wait_for_words(&self, words: &str) {
        self.wait_for(words, || self.said().contains(words));
    }

    pub(crate) fn stop(mut self) -> String {
        let sent = Command::new("sh")
            .args(["-c", &format!("kill -TERM {}", self.child.id())])
            .status();
        assert!(sent.unwrap().success());
        assert!(self.child.wait().unwrap().success());
        self.said()
    }
}

impl Drop for Watch<'_> {
    fn drop(&mut self) {
        // It has ended already where the test went well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Every file below a folder.
pub(crate) fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(files(&path)),
            false => found.push(path),
        }
    }
    found
}
