//! What one cage does reaches the store and the other cages.

use super::*;

#[test]
fn a_cage_says_where_its_screen_is_only_where_others_can_see_it() {
    let of = |page: &str| {
        let text = format!("[page]\n{page}");
        screen_of(&Settings::parse(&text, Path::new("s.toml")).unwrap().page)
    };
    assert_eq!(of("listen = \"127.0.0.1:7420\""), None);
    assert_eq!(of("listen = \"0.0.0.0:7420\""), None);
    let here = of("listen = \"192.0.2.7:7420\"");
    assert_eq!(here.as_deref(), Some("https://192.0.2.7:7420/"));
    let named = of("listen = \"0.0.0.0:80\"\nnames = [\"cage2.example.org\"]\nunencrypted = true");
    assert_eq!(named.as_deref(), Some("http://cage2.example.org:80/"));
}

#[test]
fn what_a_cage_logs_is_in_the_store_once_with_its_landmarks() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 3);
    cage.exchange();
    let sent = (
        store.count("hitters"),
        store.count("sessions"),
        store.count("reps"),
    );
    assert_eq!(sent, (1, 1, 3));
    assert_eq!(store.count("timelines"), 3);
    let kept = cage
        .reader()
        .for_each_rep(&RepFilter::default(), |_| Ok(()));
    assert_eq!(kept.unwrap(), 3);
    let measures = store.count("measures");
    assert_eq!(measures, 12, "four each");

    // Sent again as a whole, as after a restore: nothing changes.
    let changes = store.count("changes");
    store.run("UPDATE journals SET received = 0, mark = NULL");
    cage.exchange();
    cage.exchange();
    assert_eq!(store.count("reps"), 3);
    assert_eq!(store.count("timelines"), 3);
    assert_eq!(store.count("measures"), measures);
    assert_eq!(store.count("changes"), changes);
    assert_eq!(cage.carrier.health.facility().unwrap().reps_behind, 0);
}

#[test]
fn a_hitter_of_one_cage_is_known_in_the_next_with_plan_and_decisions() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 2);
    one.plan("Ana", "head still");
    one.decide("Ana", Purpose::Film, Decision::Refused);
    one.exchange();
    other.exchange();
    assert_eq!(other.plan_in_force("Ana").as_deref(), Some("head still"));
    let ana = other.hitter("Ana");
    assert!(other.reader().consents(ana).unwrap().refuses(Purpose::Film));
    // Who they are, not what they did.
    assert!(other.reader().sessions().unwrap().is_empty());
    // They hit there too: one hitter in the store.
    other.hit("Ana", 1);
    other.exchange();
    assert_eq!((store.count("hitters"), store.count("reps")), (1, 3));
}

#[test]
fn two_coaches_who_change_one_plan_get_both_kept_and_the_same_one_in_force() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    one.exchange();
    other.exchange();
    one.plan("Ana", "head still");
    other.plan("Ana", "stay back");
    for cage in [&one, &other, &one, &other] {
        cage.exchange();
    }
    assert_eq!(store.count("plans"), 2);
    assert_eq!(one.reader().plans().unwrap().len(), 2);
    assert_eq!(other.reader().plans().unwrap().len(), 2);
    let in_force = one.plan_in_force("Ana").unwrap();
    assert_eq!(other.plan_in_force("Ana").unwrap(), in_force);
    // A plan that knows of both is in force everywhere.
    other.plan("Ana", "swing on plane");
    other.exchange();
    one.exchange();
    assert_eq!(one.plan_in_force("Ana").as_deref(), Some("swing on plane"));
}

#[test]
fn a_cage_that_was_away_hears_of_a_deletion_before_it_sends() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 2);
    one.hit("Bo", 1);
    one.exchange();
    other.exchange();
    other.hit("Ana", 2);
    one.delete("Ana");
    one.exchange();
    assert_eq!(store.count("reps"), 1);
    // The other was away, and has reps of hers that the store never saw.
    other.exchange();
    assert!(!other.has_hitter("Ana"));
    assert!(other.reader().sessions().unwrap().is_empty());
    assert_eq!((store.count("hitters"), store.count("reps")), (1, 1));
    assert_eq!(store.count("timelines"), 1);
    let renamed = other.control.renamed.lock().unwrap().clone();
    assert_eq!(renamed, [("Ana".to_owned(), None)]);
    let bytes = std::fs::read(&other.control.path).unwrap();
    assert!(!bytes.windows(3).any(|part| part == b"Ana"));
    drop(other.folder);
}

#[test]
fn landmarks_that_are_refused_in_one_cage_go_everywhere() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 2);
    one.exchange();
    other.exchange();
    let session = other.hit("Ana", 1);
    other.exchange();
    assert_eq!(store.count("timelines"), 3);
    one.decide("Ana", Purpose::Landmarks, Decision::Withdrawn);
    one.exchange();
    assert_eq!(store.count("timelines"), 0);
    assert_eq!(store.count("reps"), 3);
    other.exchange();
    let rep = other.reader().reps_of(session).unwrap().remove(0);
    assert_eq!(other.reader().timeline(rep.id).unwrap(), None);
}

#[test]
fn a_freeze_is_not_undone_by_another_change_made_at_the_same_time() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    one.exchange();
    other.exchange();
    let hitter = one.hitter("Ana");
    one.edit(Edit::FreezeHitter {
        hitter,
        frozen: true,
    });
    let hitter = other.hitter("Ana");
    other.edit(Edit::RenameHitter {
        hitter,
        name: "Ana B".to_owned(),
    });
    for cage in [&other, &one, &other] {
        cage.exchange();
    }
    for cage in [&one, &other] {
        let hitters = cage.reader().hitters().unwrap();
        assert_eq!(hitters.len(), 1);
        assert_eq!(hitters[0].name.as_deref(), Some("Ana B"));
        assert!(hitters[0].frozen);
    }
    let frozen = "SELECT name FROM hitters WHERE frozen_at IS NOT NULL";
    assert_eq!(store.texts(frozen), ["Ana B"]);
}

#[test]
fn merges_reach_every_cage_and_one_that_goes_in_a_circle_loses_nobody() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    one.hit("Anna", 1);
    one.exchange();
    other.exchange();
    other.hit("Ana", 1);
    other.hit("Anna", 1);
    let merge = |cage: &Cage, from: &str, into: &str| {
        cage.edit(Edit::MergeHitters {
            from: cage.hitter(from),
            into: cage.hitter(into),
        })
    };
    merge(&one, "Anna", "Ana");
    merge(&other, "Ana", "Anna");
    for cage in [&one, &other, &one, &other] {
        cage.exchange();
    }
    assert_eq!((store.count("hitters"), store.count("reps")), (1, 4));
    let whose = "SELECT DISTINCT h.name FROM sessions s LEFT JOIN hitters h ON h.id = s.hitter";
    assert_eq!(store.texts(whose).len(), 1);
    for cage in [&one, &other] {
        let hitters = cage.reader().hitters().unwrap();
        assert_eq!(hitters.len(), 1, "{hitters:?}");
        assert_eq!(cage.reader().sessions().unwrap().len(), 2);
    }
}
