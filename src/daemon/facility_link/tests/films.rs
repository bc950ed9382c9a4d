//! Films in the store: sent where that is on, read a piece at a time, and gone when they may not be there any more.

use super::*;
use crate::journal::RepId;
use crate::video::{FilmStore, keep_film};

/// Three pictures, of which the second lies across the end of a part.
fn pictures() -> Vec<Vec<u8>> {
    let picture = |number: u8| {
        let mut jpeg = vec![number; 700_000];
        jpeg[..2].copy_from_slice(&[0xff, 0xd8]);
        jpeg
    };
    (1..=3).map(picture).collect()
}

fn sends_films(mut cage: Cage) -> Cage {
    cage.carrier.settings.films = true;
    cage
}

/// A rep of that hitter with a film.
fn film(cage: &Cage, name: &str) -> RepId {
    let session = cage.hit(name, 1);
    let reader = cage.reader();
    let (rep, _) = reader.uid_of_rep(session, 1).unwrap().unwrap();
    let id = reader.film_id(rep).unwrap();
    keep_film(&cage.control.path, id, &pictures());
    rep
}

/// Exchanges all there is, and films until none is left.
fn exchange_with_films(cage: &Cage) {
    let mut exchange = cage.carrier.begin().unwrap();
    cage.carrier.go_round(&mut exchange).unwrap();
    while cage.carrier.send_films(&mut exchange).unwrap() {}
}

/// The pictures of all films that an office can show.
fn shown(store: &Store) -> Vec<Vec<Vec<u8>>> {
    let pool = store.address("postgres").pool().unwrap();
    let reader = JournalReader::of_store(pool, "the store");
    let films = store.texts("SELECT rep::text FROM films ORDER BY rep");
    let film = |rep: String| reader.film(RepId::new(rep.parse().unwrap())).unwrap();
    let films = films.into_iter().filter_map(|rep| film(rep).unwrap());
    let pictures = |mut film: crate::video::Film<'_>| {
        let frames = 0..film.frames();
        frames.map(|frame| film.jpeg(frame).unwrap()).collect()
    };
    films.map(pictures).collect()
}

#[test]
fn films_go_to_the_store_where_that_is_on_and_are_read_there() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    film(&cage, "Ana");
    exchange_with_films(&cage);
    assert_eq!((store.count("reps"), store.count("films")), (1, 0));
    let cage = sends_films(cage);
    exchange_with_films(&cage);
    assert_eq!(store.count("film_parts"), 3);
    assert_eq!(shown(&store), [pictures()]);
    exchange_with_films(&cage);
    assert_eq!(store.count("film_parts"), 3);

    // Cut off midway: nobody sees half a film, and the rest comes.
    store.run("DELETE FROM film_parts WHERE part = 1");
    assert!(shown(&store).is_empty());
    exchange_with_films(&cage);
    assert_eq!(shown(&store), [pictures()]);
    // Another cage has no say about it, whatever it calls the rep.
    let other = sends_films(Cage::new(&store, "cage2"));
    other.exchange();
    let rep = store.texts("SELECT replace(uid::text, '-', '') FROM reps");
    let mut strange = other.carrier.begin().unwrap();
    assert!(strange.store.films_of(&[&rep[0]]).unwrap().is_empty());
    let part = crate::facility::FilmPart {
        rep: &rep[0],
        keep_secs: 60.0,
        whole: (1, 1),
        number: 0,
        content: b"x",
    };
    assert!(!strange.store.send_film(&part).unwrap());
    assert_eq!(shown(&store), [pictures()]);
    // After its days nobody sees it, and the next cage that says how it is has it deleted.
    store.run("UPDATE films SET kept_until = now() - interval '1 second'");
    assert!(shown(&store).is_empty());
    other.exchange();
    assert_eq!((store.count("films"), store.count("film_parts")), (0, 0));
}

#[test]
fn films_of_who_refuses_or_is_deleted_are_not_in_the_store() {
    let store = Store::new();
    let cage = sends_films(Cage::new(&store, "cage1"));
    for name in ["Ana", "Ben", "Kim"] {
        film(&cage, name);
    }
    exchange_with_films(&cage);
    assert_eq!(shown(&store).len(), 3);
    let pool = store.address("postgres").pool().unwrap();
    let office = JournalReader::of_store(pool, "the store");
    let choice = HitterChoice::Name("Ana".to_owned());
    let ana = office.hitter(&choice).unwrap().id;
    assert_eq!(office.count_films(ana).unwrap(), 1);
    // Said in another cage, which has no film: gone there before this cage hears of it.
    let other = Cage::new(&store, "cage2");
    other.exchange();
    other.decide("Ana", Purpose::Film, Decision::Refused);
    other.exchange();
    assert_eq!(store.count("films"), 2);
    // This cage has not heard of it, and its file is not taken again.
    let films = FilmStore::of_journal(&cage.control.path);
    let mut exchange = cage.carrier.begin().unwrap();
    while cage.carrier.send_films(&mut exchange).unwrap() {}
    assert_eq!((films.films().unwrap().len(), store.count("films")), (3, 2));
    exchange_with_films(&cage);
    assert_eq!((films.films().unwrap().len(), store.count("films")), (2, 2));
    cage.delete("Ben");
    exchange_with_films(&cage);
    assert_eq!((films.films().unwrap().len(), store.count("films")), (1, 1));
    // A session that is given to somebody who refuses.
    let session = cage.reader().sessions().unwrap();
    let kims = session
        .iter()
        .find(|row| row.hitter_name.as_deref() == Some("Kim"));
    cage.edit(Edit::GiveSession {
        session: kims.unwrap().id,
        hitter: Some(cage.hitter("Ana")),
    });
    exchange_with_films(&cage);
    assert_eq!((store.count("films"), store.count("film_parts")), (0, 0));
}

#[test]
fn what_is_no_film_of_this_journal_is_not_sent() {
    let store = Store::new();
    let cage = sends_films(Cage::new(&store, "cage1"));
    let rep = film(&cage, "Ana");
    let id = cage.reader().film_id(rep).unwrap();
    let films = FilmStore::of_journal(&cage.control.path);
    // Of a rep that is not there, of another journal's, damaged, and too old.
    keep_film(
        &cage.control.path,
        crate::video::FilmId { rep: 9, ..id },
        &pictures(),
    );
    let path = films.path(id.session, id.rep);
    let whole = std::fs::read(&path).unwrap();
    std::fs::copy(films.path(id.session, 9), &path).unwrap();
    exchange_with_films(&cage);
    std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    exchange_with_films(&cage);
    std::fs::write(&path, &whole).unwrap();
    let week = std::time::SystemTime::now() - Duration::from_secs(8 * 86_400);
    let file = std::fs::File::options().write(true).open(&path).unwrap();
    file.set_modified(week).unwrap();
    exchange_with_films(&cage);
    assert_eq!(store.count("films"), 0);
    file.set_modified(std::time::SystemTime::now()).unwrap();
    exchange_with_films(&cage);
    assert_eq!(shown(&store), [pictures()]);
}
