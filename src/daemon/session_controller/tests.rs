//! A session begins for whoever was chosen, or for nobody where they are gone since.

use std::time::Duration;

use super::*;
use crate::journal::{DeletionTarget, HitterChoice};

#[test]
fn a_hitter_who_is_deleted_while_their_session_is_prepared_does_not_come_back() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let config = RunConfig {
        journal: Some(path.clone()),
        plan: PlanOverride::NoPlan,
        settings_file: None,
        has_sound: false,
        stand_in: None,
        source: "a camera".to_owned(),
    };
    let settings = Settings::parse("", Path::new("s")).unwrap();
    let changes = Arc::new(PendingChanges::default());
    let sessions = SessionController::new(
        &settings,
        config,
        Arc::clone(&changes),
        Terminal::new(|_| {}),
    );
    let journal = sessions.begin_first().unwrap().journal;
    let kim = NewHitter {
        name: Some("Kim".to_owned()),
        bats: None,
        height_cm: Some(151.0),
    };
    let waiting = || changes.take_session().map(|(change, _)| change);
    let begin = |change: SessionChange| {
        journal
            .begin_session(change.hitter, change.session, change.chosen_at)
            .unwrap();
    };
    let before = Instant::now();
    sessions.switch_hitter(kim.clone()).unwrap();
    begin(waiting().unwrap());
    let handle = journal.handle().unwrap();
    let reader = || Journal::read_only(&path).unwrap();
    while journal.state().session.is_none() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let found = reader()
        .hitter(&HitterChoice::Name("Kim".to_owned()))
        .unwrap();
    // One session waits for the rep stage, and one more was chosen and is not ready yet.
    sessions.switch_hitter(kim.clone()).unwrap();
    let taken = waiting().unwrap();
    let whom = DeletionTarget::Hitter(found.id);
    handle.delete(whom, Vec::new()).unwrap();
    sessions.hitter_changed("Kim", None).unwrap();
    begin(taken);
    sessions.switch_to(kim.clone(), before).unwrap();
    let (_, hitter) = sessions.settings_and_hitter();
    assert_eq!(hitter, HitterNow::nobody());
    let left = waiting().unwrap();
    assert_eq!(left.hitter.and_then(|hitter| hitter.name), None);
    handle
        .exchange(crate::journal::ExchangeStep::Take(Vec::new()))
        .unwrap();
    let names = || {
        let hitters = reader().hitters().unwrap();
        hitters.into_iter().filter_map(|hitter| hitter.name)
    };
    assert_eq!(names().count(), 0);
    // Whoever has the name from now on is somebody else.
    sessions.switch_hitter(kim).unwrap();
    begin(waiting().unwrap());
    journal.close(Duration::from_secs(5)).unwrap();
    assert_eq!(names().collect::<Vec<_>>(), ["Kim"]);
}
