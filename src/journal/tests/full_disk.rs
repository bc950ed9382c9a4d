//! A disk that is really full: a process whose files may not grow, and a file system without a free byte.
//!
//! Each test runs itself again in a process of its own, where it is the writer, as `kill` does. The limit on file sizes
//! works for every user; the file system of its own needs a user namespace or root.

use std::io::{BufRead, BufReader, Lines, Write};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use super::kill::assert_whole;
use super::*;

const REPS: u32 = 60;
/// Tells the second run of this binary where its journal is, and where a copy goes once all is stored.
const CHILD_JOURNAL: &str = "CAGEHAND_TEST_FULL_DISK_JOURNAL";
const CHILD_COPY: &str = "CAGEHAND_TEST_FULL_DISK_COPY";

/// In the second run of this binary: the writer on the full disk. Gives whether this is that run.
fn wrote_as_child() -> bool {
    let Some(path) = std::env::var_os(CHILD_JOURNAL) else {
        return false;
    };
    let path = Path::new(&path);
    let options = WriterOptions {
        retry_every: Duration::from_millis(20),
        waiting_limit: 200,
    };
    let writer = JournalWriter::start(path, options).unwrap();
    writer
        .begin_session(None, session(), Instant::now())
        .unwrap();
    for number in 1..=REPS {
        writer.log_rep(record(number)).unwrap();
    }
    let mut out = std::io::stdout();
    while writer.state().stored_reps < REPS.into() {
        let state = writer.state();
        assert_eq!(state.refused_reps, 0);
        let why = match state.storage {
            StorageState::Working => String::new(),
            StorageState::Waiting { why, .. } => why,
        };
        writeln!(out, "state {} {why}", state.stored_reps).unwrap();
        out.flush().unwrap();
        std::thread::sleep(Duration::from_millis(20));
    }
    writer.close(Duration::from_secs(5)).unwrap();
    let copy = std::env::var_os(CHILD_COPY).unwrap();
    let reader = Journal::read_only(path).unwrap();
    reader.back_up_to(Path::new(&copy)).unwrap();
    writeln!(out, "state all").unwrap();
    out.flush().unwrap();
    true
}

/// Runs the test of this name again as the writer, through a shell that runs `prepare` first.
fn start(test: &str, shell: &[&str], prepare: &str, journal: &Path, copy: &Path) -> Child {
    Command::new(shell[0])
        .args(&shell[1..])
        .arg(format!(r#"{prepare} && exec "$0" "$@""#))
        .arg(std::env::current_exe().unwrap())
        .arg("--exact")
        .arg(format!("journal::tests::full_disk::{test}"))
        .arg("--nocapture")
        .env(CHILD_JOURNAL, journal)
        .env(CHILD_COPY, copy)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// The next state that the writer tells: how many reps are stored (`None` for all), and why others wait.
fn next_state(lines: &mut Lines<BufReader<ChildStdout>>) -> (Option<u32>, String) {
    loop {
        let line = lines.next().expect("the writer goes on").unwrap();
        let Some(at) = line.find("state ") else {
            continue;
        };
        let (stored, why) = line[at + 6..]
            .split_once(' ')
            .unwrap_or((&line[at + 6..], ""));
        return (stored.parse().ok(), why.to_owned());
    }
}

/// Waits until reps wait for room and no further one is stored; gives how many are stored and why no more.
fn wait_until_full(lines: &mut Lines<BufReader<ChildStdout>>) -> (u32, String) {
    let begun = Instant::now();
    let (mut last, mut unchanged) = (None, 0);
    loop {
        assert!(begun.elapsed() < Duration::from_secs(60), "never full");
        let (stored, why) = next_state(lines);
        let stored = stored.expect("not all reps find room");
        unchanged = if last == Some(stored) && !why.is_empty() {
            unchanged + 1
        } else {
            0
        };
        last = Some(stored);
        if unchanged == 5 {
            return (stored, why);
        }
    }
}

/// All reps of the only session, in their order and whole; returns how many.
fn reps_in_order(journal: &Path) -> u32 {
    let reader = Journal::read_only(journal).unwrap();
    assert_sound(reader.connection());
    let reps = reader.reps_of(SessionId::new(1)).unwrap();
    let stored: Vec<(RepId, u32)> = reps.iter().map(|r| (r.id, r.judged.number)).collect();
    assert_whole(&reader, &stored);
    let count = stored.len() as u32;
    let numbers: Vec<u32> = stored.into_iter().map(|(_, number)| number).collect();
    assert_eq!(numbers, (1..=count).collect::<Vec<_>>());
    count
}

#[cfg(target_os = "linux")]
#[test]
fn no_rep_is_lost_when_files_may_not_grow_and_then_may_again() {
    if wrote_as_child() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let (journal, copy) = (dir.path().join("journal.db"), dir.path().join("copy.db"));
    // Blocks of 512 or 1024 bytes, as the shell counts; the signal would end the program (setrlimit(2)).
    let limit = r#"trap "" XFSZ && ulimit -S -f 600"#;
    let mut child = start(
        "no_rep_is_lost_when_files_may_not_grow_and_then_may_again",
        &["sh", "-c"],
        limit,
        &journal,
        &copy,
    );
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let (stored, why) = wait_until_full(&mut lines);
    assert!((1..REPS).contains(&stored), "{stored}");
    assert!(why.contains("journal.db"), "{why}");

    let freed = Command::new("prlimit")
        .args(["--pid", &child.id().to_string(), "--fsize=unlimited:"])
        .status()
        .unwrap();
    assert!(freed.success());
    while next_state(&mut lines).0.is_some() {}
    assert!(child.wait().unwrap().success());
    assert_eq!(reps_in_order(&journal), REPS);
    assert_eq!(reps_in_order(&copy), REPS);
}

#[cfg(target_os = "linux")]
#[test]
fn a_kill_on_a_full_disk_loses_no_stored_rep_and_halves_none() {
    if wrote_as_child() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let (journal, copy) = (dir.path().join("journal.db"), dir.path().join("copy.db"));
    let limit = r#"trap "" XFSZ && ulimit -S -f 600"#;
    let mut child = start(
        "a_kill_on_a_full_disk_loses_no_stored_rep_and_halves_none",
        &["sh", "-c"],
        limit,
        &journal,
        &copy,
    );
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let (stored, _) = wait_until_full(&mut lines);
    child.kill().unwrap();
    child.wait().unwrap();

    let report = Journal::open(&journal).unwrap().report().clone();
    assert_eq!(report.unclean.len(), 1);
    assert_eq!(report.unclean[0].reps, stored);
    // Its spool took more, up to the same limit.
    assert!(report.taken_in > 0 && report.spools_left.is_empty());
    assert_eq!(
        u64::from(reps_in_order(&journal)),
        u64::from(stored) + report.taken_in
    );
}

/// A shell with file systems of its own: in a user namespace, else as root.
#[cfg(target_os = "linux")]
fn own_mounts(folder: &Path) -> Vec<&'static str> {
    let mut tried = String::new();
    for shell in [
        &["unshare", "--map-root-user", "--mount", "sh", "-c"][..],
        &["unshare", "--mount", "sh", "-c"],
    ] {
        let mounted = Command::new(shell[0])
            .args(&shell[1..])
            .arg("mount -t tmpfs tmpfs \"$0\"")
            .arg(folder)
            .output()
            .expect("unshare is installed (util-linux)");
        if mounted.status.success() {
            return shell.to_vec();
        }
        tried += &String::from_utf8_lossy(&mounted.stderr);
    }
    panic!(
        "this test mounts a small file system of its own, which this system does not allow: {tried}Allow user namespaces \
         (sysctl kernel.unprivileged_userns_clone=1 or kernel.apparmor_restrict_unprivileged_userns=0; in a container \
         --security-opt seccomp=unconfined), or run the tests as root with CAP_SYS_ADMIN"
    );
}

#[cfg(target_os = "linux")]
#[test]
fn no_rep_is_lost_on_a_file_system_that_fills_up_and_is_cleared() {
    if wrote_as_child() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let disk = dir.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    let unshare = own_mounts(&disk);
    let (journal, copy) = (disk.join("journal.db"), dir.path().join("copy.db"));
    let prepare = format!(
        "mount -t tmpfs -o size=8m tmpfs '{0}' && head -c 7800k /dev/zero > '{0}/filler'",
        disk.display()
    );
    let mut child = start(
        "no_rep_is_lost_on_a_file_system_that_fills_up_and_is_cleared",
        &unshare,
        &prepare,
        &journal,
        &copy,
    );
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let (stored, why) = wait_until_full(&mut lines);
    assert!((1..REPS).contains(&stored), "{stored}");
    assert!(why.contains("the disk is full"), "{why}");

    // The other file system as the writer sees it.
    let seen = format!("/proc/{}/root{}", child.id(), disk.join("filler").display());
    std::fs::remove_file(seen).unwrap();
    while next_state(&mut lines).0.is_some() {}
    assert!(child.wait().unwrap().success());
    assert_eq!(reps_in_order(&copy), REPS);
}
