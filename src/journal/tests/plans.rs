//! Plans are kept entry by entry, and a session knows which one it went by.

use super::*;

fn plan(name: &str, text: &str) -> NewPlan {
    NewPlan {
        name: name.into(),
        text: text.into(),
    }
}

#[test]
fn the_newest_plan_of_a_hitter_is_in_force_and_else_everybodys() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    let ana = journal
        .find_or_add_hitter(&NewHitter {
            name: Some("Ana".into()),
            ..NewHitter::default()
        })
        .unwrap();
    let in_force = |journal: &Journal, hitter| {
        let found = journal.reader().plan_in_force(hitter).unwrap();
        found.map(|plan| plan.name)
    };
    assert_eq!(in_force(&journal, Some(ana)), None);
    journal
        .set_plan(None, &plan("cage", "a = 1"), "Maria")
        .unwrap();
    assert_eq!(in_force(&journal, Some(ana)).unwrap(), "cage");
    let own = journal
        .set_plan(Some(ana), &plan("own", "b = 2"), "Maria")
        .unwrap();
    assert_eq!(in_force(&journal, Some(ana)).unwrap(), "own");
    assert_eq!(in_force(&journal, None).unwrap(), "cage");
    // The same plan once more is no change; taking it away is one.
    assert_eq!(
        journal
            .set_plan(Some(ana), &plan("own", "b = 2"), "Lena")
            .unwrap(),
        own
    );
    let stored = journal.reader().plan(own).unwrap().unwrap();
    assert_eq!(stored.made_by.as_deref(), Some("Maria"));
    journal
        .set_plan(Some(ana), &plan("none", ""), "Maria")
        .unwrap();
    assert_eq!(in_force(&journal, Some(ana)).unwrap(), "cage");
    assert_eq!(journal.reader().plans().unwrap().len(), 3);
    // A hitter's plans go with them.
    journal.delete_hitter(&HitterChoice::Id(ana)).unwrap();
    assert_eq!(journal.reader().plans().unwrap().len(), 1);
}

#[test]
fn a_session_keeps_the_plan_it_went_by() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    for text in ["reps = 10", "reps = 10", "reps = 20"] {
        journal
            .begin_session(&NewSession {
                plan: Some(plan("tee", text)),
                ..session()
            })
            .unwrap();
    }
    let sessions = journal.reader().sessions().unwrap();
    let plans: Vec<Option<PlanId>> = sessions.iter().rev().map(|s| s.plan).collect();
    assert_eq!(plans[0], plans[1]);
    assert_ne!(plans[1], plans[2]);
    assert!(plans[0].is_some());
}

#[test]
fn an_editor_may_work_beside_a_running_session_and_leaves_it_open() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let mut running = Journal::open(&path).unwrap();
    let now = running.begin_session(&session()).unwrap();
    let mut editor = Journal::open_to_edit(&path).unwrap();
    editor
        .set_plan(None, &plan("cage", "a = 1"), "Maria")
        .unwrap();
    drop(editor);
    running
        .log_rep(
            now,
            &RepRecord::new(judged(1), Vec::new(), PictureSize::default()),
        )
        .unwrap();
    let sessions = running.reader().sessions().unwrap();
    assert_eq!((sessions[0].ended_at, sessions[0].swings), (None, 1));
    assert!(running.reader().plan_in_force(None).unwrap().is_some());
}
