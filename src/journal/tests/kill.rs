//! kill -9 at any moment: what the writer said was stored is there, whole.
//!
//! The test runs itself again in a process of its own, where it is the writer, kills that, and looks at the journal.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::*;

const KILLS: usize = 200;
/// A new journal after so many, or checking the whole of it each time would take most of the test.
const KILLS_A_JOURNAL: usize = 25;
/// Tells the second run of this binary where its journal is.
const CHILD_JOURNAL: &str = "CAGEHAND_TEST_KILLED_JOURNAL";

/// What the second run of this binary does.
fn log_reps_until_killed(path: &Path) -> ! {
    let mut journal = Journal::open(path).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    let mut out = std::io::stdout();
    for number in 1..u32::MAX {
        let id = journal.log_rep(session_id, &record(number)).unwrap();
        writeln!(out, "stored {} {number}", id.get()).unwrap();
        out.flush().unwrap();
    }
    unreachable!("a kill ends this process before the numbers end")
}

#[test]
fn a_kill_at_any_moment_loses_nothing_that_was_stored() {
    if let Some(path) = std::env::var_os(CHILD_JOURNAL) {
        log_reps_until_killed(Path::new(&path));
    }
    let dir = tempfile::tempdir().unwrap();
    let mut path = dir.path().join("journal.db");
    let mut dice = Dice::new(20);
    let mut all_stored = 0;
    let mut stored: Vec<(RepId, u32)> = Vec::new();
    let mut kills_while_writing = 0;
    for kill in 0..KILLS {
        if kill % KILLS_A_JOURNAL == 0 && kill > 0 {
            assert_whole(&Journal::read_only(&path).unwrap(), &stored);
            all_stored += std::mem::take(&mut stored).len();
            path = dir.path().join(format!("journal {kill}.db"));
        }
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "journal::tests::kill::a_kill_at_any_moment_loses_nothing_that_was_stored",
                "--nocapture",
            ])
            .env(CHILD_JOURNAL, &path)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        // The moments reach from the opening of the journal to many reps later.
        std::thread::sleep(Duration::from_micros(dice.next() % 150_000));
        child.kill().unwrap();
        child.wait().unwrap();
        let before = stored.len();
        for line in lines.map_while(Result::ok) {
            // The test harness writes its own words before the first line.
            let Some(at) = line.find("stored ") else {
                continue;
            };
            let mut numbers = line[at + 7..].split(' ').map(str::parse::<i64>);
            let (Some(Ok(id)), Some(Ok(number))) = (numbers.next(), numbers.next()) else {
                continue;
            };
            stored.push((RepId::new(id), number as u32));
        }
        kills_while_writing += usize::from(stored.len() > before);

        let journal = Journal::open(&path).unwrap_or_else(|error| panic!("kill {kill}: {error}"));
        assert_sound(journal.reader().connection());
        assert_whole(journal.reader(), &stored[before..]);
        assert!(journal.report().unclean.len() <= 1);
        let counts = journal.reader().counts().unwrap();
        assert!(counts.swings as usize >= stored.len());
    }
    all_stored += stored.len();
    println!("{all_stored} reps stored, {kills_while_writing} of {KILLS} kills while writing");
    assert!(kills_while_writing >= KILLS / 3, "{kills_while_writing}");
    assert_whole(&Journal::read_only(&path).unwrap(), &stored);
}

pub(super) fn assert_whole(reader: &JournalReader, stored: &[(RepId, u32)]) {
    for (id, number) in stored {
        let wanted = record(*number);
        let found = reader.rep(*id).unwrap();
        assert_eq!(found.judged, wanted.judged);
        let (_, frames) = reader.timeline(*id).unwrap().unwrap();
        assert_eq!(farthest_apart(&on_the_grid(&wanted.frames), &frames).0, 0.0);
    }
}
