//! What one cage does reaches the store and the other cages.

use super::*;
use crate::coach::{AbsoluteBand, Verdict};
use crate::rep::{Measure, MeasureName};

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
    assert_eq!(store.count("packed_measures"), 3, "a row a rep");

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

/// What the office corrects takes the whole rep back with it, to the last digit.
#[test]
fn numbers_come_back_as_they_were() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 1);
    let journal = rusqlite::Connection::open(&cage.control.path).unwrap();
    let values = [949.9900000000001, 3.7173800000000004, 0.1 + 0.2];
    for (place, value) in (0_i64..).zip(values) {
        let sql = "UPDATE measures SET value = ?1 WHERE name = (SELECT name FROM measures WHERE value IS NOT NULL ORDER BY name LIMIT 1 OFFSET ?2)";
        assert_eq!(
            journal
                .execute(sql, rusqlite::params![value, place])
                .unwrap(),
            1
        );
    }
    journal
        .execute("UPDATE reps SET plant_secs = 949.9900000000001", [])
        .unwrap();
    let numbers = || -> Vec<f64> {
        let sql = "SELECT value FROM measures WHERE value IS NOT NULL UNION ALL SELECT plant_secs FROM reps";
        let mut select = journal.prepare(sql).unwrap();
        let rows = select.query_map([], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let before = numbers();
    cage.exchange();
    store.run("UPDATE reps SET marked = 1");
    cage.exchange();
    let marked: i64 = journal
        .query_row("SELECT marked FROM reps", [], |row| row.get(0))
        .unwrap();
    assert_eq!(marked, 1);
    assert_eq!(numbers(), before);
}

/// A measure's name, numbers as bits, verdict and reason.
type MeasureRow = (String, [Option<u64>; 5], Option<String>, Option<String>);

const MEASURE_ROWS: &str =
    "SELECT name, value, plus_minus, confidence, band_low, band_high, verdict, why FROM measures";

fn measures_in_file(cage: &Cage) -> Vec<MeasureRow> {
    let file = rusqlite::Connection::open(&cage.control.path).unwrap();
    let mut select = file.prepare(MEASURE_ROWS).unwrap();
    let rows = select.query_map([], |row| {
        let number = |place: usize| row.get::<_, Option<f64>>(place).unwrap().map(f64::to_bits);
        Ok((
            row.get(0)?,
            [1, 2, 3, 4, 5].map(number),
            row.get(6)?,
            row.get(7)?,
        ))
    });
    let mut rows: Vec<_> = rows.unwrap().collect::<Result<_, _>>().unwrap();
    rows.sort();
    rows
}

fn measures_in_store(store: &Store) -> Vec<MeasureRow> {
    let rows = store.owner.borrow_mut().query(MEASURE_ROWS, &[]).unwrap();
    let number = |row: &postgres::Row, place: usize| row.get::<_, Option<f64>>(place);
    let mut rows: Vec<_> = rows
        .iter()
        .map(|row| {
            let numbers = [1, 2, 3, 4, 5].map(|place| number(row, place).map(f64::to_bits));
            (row.get(0), numbers, row.get(6), row.get(7))
        })
        .collect();
    rows.sort();
    rows
}

#[test]
fn measures_are_in_the_store_as_in_the_cage_to_the_last_bit() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    // Its measures take the first places; of the next rep's some come before them by name.
    cage.hit("Ana", 1);
    cage.exchange();
    let mut rep = record(2);
    for (place, name) in MeasureName::ALL.iter().enumerate() {
        let odd = f64::from(place as u32).sqrt() + 0.1;
        let made = Measure::Made {
            value: -1e3 / odd,
            plus_minus: odd / 3.0,
            confidence: 1.0 / (1.0 + odd),
        };
        let not_made = Measure::NotMade {
            why: "the \"bat\", {hidden}, NULL".into(),
        };
        let is_made = place % 5 > 0;
        let measure = if is_made { made } else { not_made };
        rep.judged.rep.measures.insert(*name, measure);
        let band = AbsoluteBand {
            low: (place % 3 > 0).then_some(odd * 1e-7),
            high: (place % 4 > 0).then_some(odd * 1e7),
        };
        rep.judged.bands.insert(*name, band);
        let verdict = Verdict::ALL[place % 3];
        rep.judged.verdicts.insert(*name, verdict);
    }
    cage.writer.log_rep(rep).unwrap();
    cage.hit("Bo", 1);
    cage.exchange();
    let in_file = measures_in_file(&cage);
    assert_eq!(in_file.len(), 4 + MeasureName::ALL.len() + 4);
    assert_eq!(measures_in_store(&store), in_file);
}

#[test]
fn measures_that_are_told_twice_or_hold_nothing_are_refused() {
    let store = Store::new();
    let pack = |told: &str| {
        let sql = format!("SELECT value::text FROM pack_measures(7, '{told}')");
        let packed = store.owner.borrow_mut().query_one(&sql, &[]);
        packed.map(|row| row.get::<_, String>(0))
    };
    let good = r#"[{"name": "b", "value": 1.5, "verdict": "low"}, {"name": "a", "why": "hidden"}]"#;
    assert_eq!(pack(good).unwrap(), "{1.5,NULL}");
    for wrong in [
        r#"[{"name": "a", "value": 1}, {"name": "a", "value": 2}]"#,
        r#"[{"name": "a"}]"#,
        r#"[{"name": "a", "value": 1, "why": "hidden"}]"#,
        r#"[{"name": "a", "value": 1, "verdict": "lower"}]"#,
        r#"[{"name": "Ana B", "value": 1}]"#,
        r#"[{"value": 1}]"#,
    ] {
        let error = pack(wrong).unwrap_err();
        let state = error.code().unwrap().code();
        assert!(state.starts_with("23"), "{wrong}: {error:?}");
    }
}

#[test]
fn two_measures_that_are_new_at_once_get_two_places() {
    let store = Store::new();
    let mut other = store.config.connect(NoTls).unwrap();
    other.batch_execute("SET lock_timeout = '200ms'").unwrap();
    let place = |client: &mut Client, name: &str| {
        let place = client.query_one("SELECT measure_place($1)", &[&name]);
        place.map(|row| row.get::<_, i16>(0))
    };
    store.run("BEGIN");
    assert_eq!(place(&mut store.owner.borrow_mut(), "one").unwrap(), 1);
    // Whether the first place is taken is not known before the other ends.
    let waits = place(&mut other, "two").unwrap_err();
    assert_eq!(waits.code().unwrap().code(), "55P03");
    store.run("COMMIT");
    assert_eq!(place(&mut other, "two").unwrap(), 2);
    assert_eq!(place(&mut other, "one").unwrap(), 1);
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
    let beside = |cage: &Cage| -> Vec<String> {
        let reader = cage.reader();
        let plan = reader.plan_in_force(Some(cage.hitter("Ana"))).unwrap();
        let beside = reader.plans_beside(&plan.unwrap()).unwrap();
        beside.into_iter().map(|plan| plan.name).collect()
    };
    let not_in_force = ["head still", "stay back"].map(str::to_owned);
    let not_in_force: Vec<String> = not_in_force
        .into_iter()
        .filter(|p| *p != in_force)
        .collect();
    assert_eq!(beside(&one), not_in_force);
    assert_eq!(beside(&other), not_in_force);
    // A plan that knows of both is in force everywhere.
    other.plan("Ana", "swing on plane");
    other.exchange();
    one.exchange();
    assert_eq!(one.plan_in_force("Ana").as_deref(), Some("swing on plane"));
    assert_eq!(beside(&one), [] as [&str; 0]);
}

/// Two of one name: a cage keeps its own, and hears of the other with all that they allow once the name is free.
#[test]
fn of_two_hitters_of_one_name_a_cage_gets_the_other_once_the_name_is_free() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    other.hit("Ana", 1);
    other.decide("Ana", Purpose::Film, Decision::Refused);
    other.plan("Ana", "stay back");
    for cage in [&one, &other, &one] {
        cage.exchange();
    }
    assert_eq!(store.count("hitters WHERE name = 'Ana'"), 2);
    assert_eq!(one.plan_in_force("Ana"), None);
    let name = "Ana of cage 1".to_owned();
    let hitter = one.hitter("Ana");
    one.edit(Edit::RenameHitter { hitter, name });
    one.exchange();
    one.exchange();
    assert!(one.has_hitter("Ana of cage 1"));
    assert_eq!(one.plan_in_force("Ana").as_deref(), Some("stay back"));
    let decisions = rusqlite::Connection::open(&one.control.path).unwrap();
    let refused: i64 = decisions
        .query_row(
            "SELECT count(*) FROM consents JOIN hitters ON hitters.id = hitter WHERE name = 'Ana' AND decision = 'refused'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(refused, 1);
    // A freeze reaches whoever's new name is taken.
    let hitter = one.hitter("Ana of cage 1");
    store.run("UPDATE hitters SET name = 'Ana', frozen_at = now() WHERE name = 'Ana of cage 1'");
    one.exchange();
    let row = one.reader().hitter(&HitterChoice::Id(hitter)).unwrap();
    assert!(
        row.frozen && row.name.as_deref() == Some("Ana of cage 1"),
        "{row:?}"
    );
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
