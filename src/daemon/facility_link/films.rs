//! Films on their way to the store, where the settings send them. They go once nothing else is left to send, a part at a time, so that
//! neither reps nor deletions wait for one.
//!
//! In: the films beside the journal, and which parts of them the store has. Out: the others. A film that is cut off midway goes on
//! where it was; one that is deleted here meanwhile stays incomplete there, and nobody sees it.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::time::{Duration, Instant, SystemTime};

use super::{Carrier, Exchange, LOOK_EVERY};
use crate::facility::{FilmPart, FilmThere, StoreClient, StoreError};
use crate::journal::{FILM_PART_BYTES, SessionId};
use crate::video::{FilmStore, StoredFilm};
use crate::wall_clock::now;

/// So many films are asked about at once.
const FILMS_AT_ONCE: usize = 50;

/// A film by its session's and its rep's number.
pub(super) type FilmKey = (i64, u32);

fn key(film: &StoredFilm) -> FilmKey {
    (film.session, film.rep)
}

/// A film that the store may not have yet.
struct Outgoing {
    film: StoredFilm,
    rep: String,
    keep_secs: f64,
}

impl Carrier {
    /// Sends films for a while; gives whether some are left.
    pub(super) fn send_films(&self, exchange: &mut Exchange) -> Result<bool, StoreError> {
        let video = self.control.settings().video;
        if !self.settings.films || !video.keep {
            return Ok(false);
        }
        let began = Instant::now();
        let outgoing = films_to_send(exchange, video.keep_days)?;
        if outgoing.is_empty() {
            return Ok(false);
        }
        let reps: Vec<&str> = outgoing.iter().map(|film| &*film.rep).collect();
        let there = exchange.store.films_of(&reps)?;
        let mut are_left = false;
        for one in &outgoing {
            // Of a film that may not be there nothing is told: its hitter refuses it or is deleted, or the rep is on its way.
            let Some(there) = there.iter().find(|there| there.rep == one.rep) else {
                continue;
            };
            are_left = true;
            if !self.send_film(&mut exchange.store, one, there, began)? {
                break;
            }
            exchange.films_done.insert(key(&one.film));
        }
        Ok(are_left)
    }

    /// Sends the parts of a film that the store lacks; gives whether it is done with, else it goes on another time.
    fn send_film(
        &self,
        store: &mut StoreClient,
        one: &Outgoing,
        there: &FilmThere,
        began: Instant,
    ) -> Result<bool, StoreError> {
        // Deleted or replaced since.
        let Ok(mut file) = File::open(&one.film.path) else {
            return Ok(true);
        };
        let bytes = one.film.bytes;
        let parts = i32::try_from(bytes.div_ceil(FILM_PART_BYTES)).unwrap_or(i32::MAX);
        for number in (0..parts).filter(|number| !there.here.contains(number)) {
            if began.elapsed() >= LOOK_EVERY || self.is_stopped_within(Duration::ZERO) {
                return Ok(false);
            }
            let Ok(content) = part_of(&mut file, number) else {
                return Ok(true);
            };
            let part = FilmPart {
                rep: &one.rep,
                keep_secs: one.keep_secs,
                whole: (bytes, parts),
                number,
                content: &content,
            };
            if !store.send_film(&part)? {
                return Ok(true);
            }
            self.has_carried.set(true);
        }
        Ok(true)
    }
}

/// Films of reps that the journal has, the oldest first, without those that are done with.
fn films_to_send(exchange: &mut Exchange, keep_days: u32) -> Result<Vec<Outgoing>, StoreError> {
    let store = FilmStore::of_journal(&exchange.ends.path);
    let films = match store.films() {
        Ok(films) => films,
        Err(error) => {
            tracing::warn!(%error, "films cannot be sent");
            return Ok(Vec::new());
        }
    };
    let (reader, moment) = (&exchange.ends.reader, SystemTime::from(now()));
    let mut outgoing = Vec::new();
    for film in films {
        if outgoing.len() == FILMS_AT_ONCE {
            break;
        }
        let age = moment.duration_since(film.written).unwrap_or_default();
        let keep_secs = 86_400.0 * f64::from(keep_days) - age.as_secs_f64();
        if keep_secs <= 0.0 || exchange.films_done.contains(&key(&film)) {
            continue;
        }
        let session = SessionId::new(film.session);
        // A film may be there before its rep.
        let Some((rep, uid)) = reader.uid_of_rep(session, film.rep)? else {
            continue;
        };
        match store.film(reader.film_id(rep)?) {
            Ok(Some(_)) => outgoing.push(Outgoing {
                film,
                rep: uid,
                keep_secs,
            }),
            // Damaged, or another journal's.
            _ => drop(exchange.films_done.insert(key(&film))),
        }
    }
    Ok(outgoing)
}

fn part_of(file: &mut File, number: i32) -> io::Result<Vec<u8>> {
    let at = number.unsigned_abs() as u64 * FILM_PART_BYTES;
    file.seek(SeekFrom::Start(at))?;
    let mut content = Vec::new();
    file.take(FILM_PART_BYTES).read_to_end(&mut content)?;
    Ok(content)
}
