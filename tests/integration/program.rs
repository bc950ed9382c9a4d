//! Runs the built program in a folder of its own.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

/// How long anything may take that is no limit of the program's own. A busy machine is slow, and may miss a looped recording's swing.
pub(crate) const PATIENCE: Duration = Duration::from_secs(180);

/// A run's own folder: its home, its data, its files.
pub(crate) struct Place {
    folder: TempDir,
}

impl Place {
    pub(crate) fn new() -> Self {
        Self {
            folder: TempDir::new().unwrap(),
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The program with these arguments, not yet started.
    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cagehand"));
        command
            .args(arguments)
            .current_dir(self.folder.path())
            .env("HOME", self.folder.path())
            .env("XDG_DATA_HOME", self.path("data"))
            .env("XDG_CONFIG_HOME", self.path("config"))
            .env_remove("RUST_LOG");
        command
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// Runs and insists on success; gives standard output.
    pub(crate) fn run_well(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert!(
            output.status.success(),
            "{arguments:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }
}

/// A file of the project.
pub(crate) fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A clip whose truth is known: a bundled recording, the captured swing, or one of the cages as they are.
pub(crate) fn clip(name: &str) -> PathBuf {
    let file = format!("{name}.mp4");
    ["recordings", "tests/data/captured", "tests/data/cages"]
        .map(|folder| project(folder).join(&file))
        .into_iter()
        .find(|clip| clip.exists())
        .unwrap_or_else(|| panic!("there is no clip {name}"))
}

/// The same, as an argument.
pub(crate) fn recording(name: &str) -> String {
    clip(name).to_string_lossy().into_owned()
}

/// The objects of a JSON Lines file.
pub(crate) fn json_lines(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// What one run of the program made of a bundled recording.
pub(crate) struct Replayed {
    /// The rep log.
    pub(crate) reps: Vec<Value>,
    /// The pose track: whoever asks for more than reps replays this, and no pose is worked out again.
    pub(crate) track: PathBuf,
}

impl Replayed {
    /// The track as an argument.
    pub(crate) fn track(&self) -> &str {
        self.track.to_str().unwrap()
    }
}

type Runs = BTreeMap<(String, String), Arc<OnceLock<Replayed>>>;

/// A bundled recording after its one run under this model; the first test that asks makes it.
pub(crate) fn replayed(name: &str, model: &str, height_cm: u32) -> Arc<OnceLock<Replayed>> {
    static RUNS: Mutex<Runs> = Mutex::new(BTreeMap::new());
    let run = Arc::clone(
        RUNS.lock()
            .unwrap()
            .entry((name.to_owned(), model.to_owned()))
            .or_default(),
    );
    run.get_or_init(|| {
        let place = Place::new();
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("poses");
        std::fs::create_dir_all(&folder).unwrap();
        let track = folder.join(format!("{name}.{model}.track.jsonl"));
        let made = place.path("made.track.jsonl");
        let log = place.path("reps.jsonl");
        place.run_well(&[
            "replay",
            &recording(name),
            "--reps",
            log.to_str().unwrap(),
            "--track",
            made.to_str().unwrap(),
            "--height-cm",
            &height_cm.to_string(),
            "--pace",
            "fast",
            "--model",
            model,
            "--no-journal",
        ]);
        std::fs::copy(&made, &track).unwrap();
        Replayed {
            reps: json_lines(&log),
            track,
        }
    });
    run
}

/// A port that nobody listened at a moment ago.
pub(crate) fn free_port() -> u16 {
    std::net::TcpListener::bind(("127.0.0.1", 0))
        .unwrap()
        .local_addr()
        .unwrap()
        .port()
}
