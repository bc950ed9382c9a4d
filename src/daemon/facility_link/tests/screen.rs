//! What an office sees of a cage's screen.

use super::*;
use crate::status::Live;

/// Exchanges until the cage tells, or no longer tells, what its screen shows.
fn look_until(cage: &Cage, office: &JournalReader, journal: &str, is_seen: bool) -> Option<Value> {
    let mut exchange = cage.carrier.begin().unwrap();
    let began = Instant::now();
    loop {
        let told = office.look_at_screen(journal).unwrap();
        if told.is_some() == is_seen {
            return told;
        }
        assert!(began.elapsed() < Duration::from_secs(60), "{told:?}");
        cage.carrier
            .show_screen_where_watched(&mut exchange)
            .unwrap();
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn ended(cage: &Cage) -> bool {
    let screen = cage.carrier.screen.borrow();
    screen.as_ref().is_none_or(JoinHandle::is_finished)
}

fn until(what: &str, so: impl Fn() -> bool) {
    let began = Instant::now();
    while !so() {
        assert!(began.elapsed() < Duration::from_secs(60), "{what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn an_office_sees_a_cages_screen_while_it_looks_and_of_an_unnamed_hitter_the_stores_number() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 1);
    cage.exchange();
    // Row numbers of the store are its own.
    let here = cage.hitter("Ana");
    let there: i64 = store.texts("SELECT id::text FROM hitters")[0]
        .parse()
        .unwrap();
    assert_ne!(here.get(), there);
    let pool = store.address("postgres").pool().unwrap();
    let office = JournalReader::of_store(pool, "the store");
    let journal = store.texts("SELECT uid::text FROM journals").remove(0);

    let live = |hitter| {
        let live = Live {
            hitter: Some(hitter),
            asked: Some(ShownHitter::Name("Ben".to_owned())),
            pictured: true,
            swings: 7,
            ..Live::default()
        };
        cage.carrier.health.live.publish(Arc::new(live));
    };
    live(ShownHitter::Number(here.get()));
    let mut exchange = cage.carrier.begin().unwrap();
    let watched = |exchange: &mut Exchange| exchange.store.is_watched().unwrap();
    assert!(!watched(&mut exchange));
    let told = look_until(&cage, &office, &journal, true).unwrap();
    assert!(cage.carrier.health.live.office_looks());
    assert!(watched(&mut exchange));
    assert_eq!(
        (&told["hitter"], &told["whose"], &told["swings"]),
        (&there.into(), &there.into(), &7.into())
    );
    assert_eq!(
        (&told["pictured"], &told["asked"]),
        (&false.into(), &Value::Null)
    );
    live(ShownHitter::Name("Ana".to_owned()));
    until("the newer state", || {
        let told = office.look_at_screen(&journal).unwrap();
        told.is_some_and(|told| told["hitter"] == "Ana" && told["whose"] == there)
    });

    // Nobody looks any more.
    store.run("UPDATE live_screens SET watched_until = now()");
    until("the cage to end", || ended(&cage));
    assert_eq!(store.count("live_screens"), 0);
    assert!(!cage.carrier.health.live.office_looks());

    // Whoever is deleted is on no screen there, and nothing of it is in what the server logs for a backup.
    store.run(
        "INSERT INTO live_screens SELECT uid, now() + interval '1 minute', now(), '{\"hitter\": \"Ana\"}' FROM journals;
         DELETE FROM hitters",
    );
    let left = "SELECT coalesce(state::text, 'nothing') FROM live_screens";
    assert_eq!(store.texts(left), ["nothing"]);
    let kept = "SELECT relpersistence::text FROM pg_class WHERE relname = 'live_screens'";
    assert_eq!(store.texts(kept), ["u"]);
}

#[test]
fn a_cage_whose_settings_do_not_let_it_and_another_login_show_nothing() {
    let store = Store::new();
    let mut cage = Cage::new(&store, "cage1");
    cage.carrier.settings.live = false;
    cage.exchange();
    let pool = store.address("postgres").pool().unwrap();
    let office = JournalReader::of_store(pool, "the store");
    store.run(r#"UPDATE journals SET state = state || '{"page": "javascript:x"}'"#);
    let rows = office.cages().unwrap();
    assert!(!rows[0].shows_screen() && rows[0].own_page().is_none());
    store.run(r#"UPDATE journals SET state = state || '{"page": "https://cage2:7420/"}'"#);
    let own_page = office.cages().unwrap()[0].own_page().map(str::to_owned);
    assert_eq!(own_page.as_deref(), Some("https://cage2:7420/"));
    office.look_at_screen(&rows[0].journal).unwrap();
    let mut exchange = cage.carrier.begin().unwrap();
    assert!(exchange.store.is_watched().unwrap());
    cage.carrier
        .show_screen_where_watched(&mut exchange)
        .unwrap();
    assert!(cage.carrier.screen.borrow().is_none());

    let other = Cage::new(&store, "cage2");
    let standing = cage.reader().standing().unwrap();
    let address = &other.carrier.settings.address;
    let mut strange = crate::facility::ScreenClient::connect(address, &standing).unwrap();
    assert!(strange.show(&json!({})).is_err());
}

/// A store that nobody brought up to date since takes rows all the same, and films as soon as somebody did.
#[test]
fn a_store_without_films_and_screens_gets_the_rest() {
    let store = Store::new();
    let rename = |to: &dyn Fn(&str) -> (String, String)| {
        for name in ["is_watched", "films_of", "receive_film", "show_live"] {
            let (from, to) = to(name);
            store.run(&format!("ALTER FUNCTION {from} RENAME TO {to}"));
        }
    };
    rename(&|name| (name.to_owned(), format!("{name}_later")));
    let mut cage = Cage::new(&store, "cage1");
    cage.carrier.settings.films = true;
    cage.hit("Ana", 1);
    let mut exchange = cage.carrier.begin().unwrap();
    cage.carrier.go_round(&mut exchange).unwrap();
    assert!(!cage.carrier.send_films(&mut exchange).unwrap());
    cage.carrier
        .show_screen_where_watched(&mut exchange)
        .unwrap();
    assert_eq!(store.count("reps"), 1);

    rename(&|name| (format!("{name}_later"), name.to_owned()));
    let rep = store.texts("SELECT uid::text FROM reps").remove(0);
    assert!(exchange.store.films_of(&[&rep]).unwrap().is_empty());
    exchange.store.hello("cage1", &json!({})).unwrap();
    assert_eq!(exchange.store.films_of(&[&rep]).unwrap().len(), 1);
}
