//! Films as files: written, read, limited, deleted, and given up where the disk does not take them.

use std::fs;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use super::avi::{self, FilmFrame};
use super::jpeg::{JpegEncoder, SizeLimit};
use super::store::{FilmStore, Usage};
use super::{Film, FilmError, FilmId, Films, VideoSettings};
use crate::capture::Frame;
use crate::time::CaptureTime;

const ID: FilmId = FilmId {
    session: 4,
    session_started_ms: 1_700_000_000_123,
    rep: 7,
};
const DAY: Duration = Duration::from_secs(86_400);

fn plenty(_: &Path) -> io::Result<u64> {
    Ok(u64::MAX)
}

fn none(_: &Path) -> io::Result<u64> {
    Ok(0)
}

fn on() -> VideoSettings {
    VideoSettings {
        keep: true,
        keep_days: 7,
        keep_bytes: 1_000_000_000,
    }
}

/// Frames that differ in their gray, at these milliseconds.
fn frame(at_ms: i64) -> Frame {
    let mut frame = Frame {
        captured_at: CaptureTime::from_nanos(at_ms * 1_000_000),
        ..Frame::default()
    };
    frame.resized(64, 48).fill((at_ms / 100) as u8);
    frame
}

fn frames(times_ms: &[i64]) -> Vec<FilmFrame> {
    let mut encoder = JpegEncoder::new(SizeLimit::IN_FILMS);
    let frame = |at_ms: &i64| {
        let frame = frame(*at_ms);
        let packed = encoder.encode(&frame).unwrap().unwrap();
        FilmFrame {
            at: frame.captured_at,
            width: packed.width,
            height: packed.height,
            jpeg: Arc::new(packed.bytes),
        }
    };
    times_ms.iter().map(frame).collect()
}

/// Keeps a film beside a journal for other tests, with a frame every 10 ms of these bytes.
pub(crate) fn keep_film(journal: &Path, id: FilmId, frames: &[Vec<u8>]) {
    let frame = |(number, jpeg): (usize, &Vec<u8>)| FilmFrame {
        at: CaptureTime::from_nanos(10_000_000 * number as i64),
        width: 64,
        height: 48,
        jpeg: Arc::new(jpeg.clone()),
    };
    let frames: Vec<FilmFrame> = frames.iter().enumerate().map(frame).collect();
    let store = FilmStore::of_journal(journal);
    crate::private_file::create_private_folder(store.folder()).unwrap();
    store.write(&id, &frames, 0, plenty).unwrap();
}

fn film_bytes(times_ms: &[i64]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let frames = frames(times_ms);
    avi::write(&mut bytes, &ID, &frames).unwrap();
    assert_eq!(bytes.len() as u64, avi::size(&frames));
    bytes
}

fn opened(folder: &Path, bytes: &[u8]) -> Result<Film<'static>, FilmError> {
    let path = folder.join("film.avi");
    fs::write(&path, bytes).unwrap();
    Film::open(&path)
}

#[test]
fn a_film_gives_back_each_frame_with_its_true_time() {
    let folder = tempfile::tempdir().unwrap();
    // Uneven, as cameras are.
    let times_ms = [12_000, 12_017, 12_050, 12_066, 12_100];
    let whole = film_bytes(&times_ms);
    let mut film = opened(folder.path(), &whole).unwrap();
    assert_eq!(film.id(), ID);
    assert_eq!(film.frames(), 5);
    // Players find width and height in the main header.
    assert_eq!(whole[24..28], *b"avih");
    assert_eq!(whole[64..68], 64u32.to_le_bytes());
    assert_eq!(whole[68..72], 48u32.to_le_bytes());
    for (number, (at_ms, frame)) in times_ms.iter().zip(frames(&times_ms)).enumerate() {
        let secs = *at_ms as f64 * 1e-3;
        assert!((film.time_secs(number).unwrap() - secs).abs() < 1e-9);
        assert_eq!(film.jpeg(number).unwrap(), *frame.jpeg);
        assert_eq!(film.nearest(secs + 0.006), number);
    }
    assert_eq!((film.nearest(-1.0), film.nearest(1e9)), (0, 4));
    assert_eq!(film.time_secs(5), None);
    assert!(matches!(
        film.jpeg(5),
        Err(FilmError::NoFrame {
            frames: 5,
            asked: 5,
            ..
        })
    ));
}

#[test]
fn a_film_that_is_cut_short_or_changed_anywhere_is_refused_or_read_and_never_breaks_the_reader() {
    let folder = tempfile::tempdir().unwrap();
    let whole = film_bytes(&[0, 16, 33]);
    for length in (0..whole.len()).step_by(3) {
        assert!(
            opened(folder.path(), &whole[..length]).is_err(),
            "cut to {length} bytes"
        );
    }
    let read_all = |film: Result<Film, FilmError>| {
        let Ok(mut film) = film else { return };
        for number in 0..film.frames() {
            let _ = film.jpeg(number);
        }
    };
    // The pictures' own bytes are no business of the reader: some of them are enough.
    let (head, tail) = (500, whole.len() - 100);
    let places = (0..head)
        .chain((head..tail).step_by(13))
        .chain(tail..whole.len());
    for place in places {
        for value in [0, 0x7f, 0xff] {
            let mut changed = whole.clone();
            changed[place] = value;
            read_all(opened(folder.path(), &changed));
        }
    }
    let mut random = fastrand::Rng::with_seed(5);
    for length in [0, 1, 11, 12, 40, 1000] {
        let mut rubbish: Vec<u8> = (0..length).map(|_| random.u8(..)).collect();
        assert!(opened(folder.path(), &rubbish).is_err());
        rubbish.splice(0..12.min(length), *b"RIFF\xff\xff\xff\xffAVI ");
        assert!(opened(folder.path(), &rubbish).is_err());
    }
    assert!(Film::open(folder.path()).is_err(), "a folder is no film");
    assert!(Film::open(&folder.path().join("nothing")).is_err());
}

/// Writes a film of this session and rep, as old as told; gives its size.
fn put(store: &FilmStore, session: i64, rep: u32, age: Duration) -> u64 {
    let id = FilmId { session, rep, ..ID };
    let bytes = store.write(&id, &frames(&[0, 16]), 0, plenty).unwrap();
    let file = fs::File::options()
        .append(true)
        .open(store.path(session, rep))
        .unwrap();
    file.set_modified(SystemTime::now() - age).unwrap();
    bytes
}

fn reps(store: &FilmStore) -> Vec<(i64, u32)> {
    let films = store.films().unwrap();
    films.iter().map(|film| (film.session, film.rep)).collect()
}

#[test]
fn films_go_after_their_days_and_the_oldest_first_where_space_is_short() {
    let folder = tempfile::tempdir().unwrap();
    let store = FilmStore::of_journal(&folder.path().join("journal.db"));
    assert_eq!(store.folder(), folder.path().join("journal.video"));
    assert_eq!(store.usage().unwrap(), Usage::default());
    let size = put(&store, 1, 1, 8 * DAY);
    put(&store, 1, 2, 6 * DAY);
    put(&store, 2, 1, 2 * DAY);
    put(&store, 3, 1, DAY);
    let own = store.folder().join("3/notes.txt");
    fs::write(&own, "mine").unwrap();

    let (deleted, kept) = store.enforce_limits(&on(), SystemTime::now()).unwrap();
    assert_eq!((deleted.total.films, kept.films), (1, 3));
    assert_eq!(kept, store.usage().unwrap());
    assert_eq!(reps(&store), [(1, 2), (2, 1), (3, 1)]);

    let small = VideoSettings {
        keep_bytes: 2 * size,
        ..on()
    };
    let (deleted, kept) = store.enforce_limits(&small, SystemTime::now()).unwrap();
    assert_eq!((deleted.total.films, kept.bytes), (1, 2 * size));
    assert_eq!(reps(&store), [(2, 1), (3, 1)]);
    assert!(
        !store.folder().join("1").exists(),
        "a session without films has no folder"
    );
    // Days on, limits hold whether films are on or off.
    let off = VideoSettings {
        keep: false,
        ..on()
    };
    let later = SystemTime::now() + 5 * DAY + DAY / 2;
    store.enforce_limits(&off, later).unwrap();
    assert_eq!(reps(&store), [(3, 1)]);
    assert!(own.exists());
}

#[test]
fn films_are_deleted_by_session_and_all_and_what_is_not_ours_stays() {
    let folder = tempfile::tempdir().unwrap();
    let store = FilmStore::of_journal(&folder.path().join("j.db"));
    let other = FilmStore::of_journal(&folder.path().join("k.db"));
    put(&other, 1, 1, DAY);
    for (session, rep) in [(1, 1), (1, 2), (2, 1), (3, 1)] {
        put(&store, session, rep, DAY);
    }
    let unfinished = store.folder().join("2/rep-9.avi.unfinished");
    fs::write(&unfinished, "half").unwrap();
    assert_eq!(store.delete_sessions(&[2, 8]).unwrap().total.films, 1);
    assert_eq!(reps(&store), [(1, 1), (1, 2), (3, 1)]);
    assert!(!unfinished.exists());
    let own = store.folder().join("mine.avi");
    fs::write(&own, "mine").unwrap();
    let deleted = store.delete_all().unwrap();
    assert_eq!((deleted.total.films, deleted.failed.len()), (3, 0));
    assert!(own.exists());
    fs::remove_file(own).unwrap();
    store.delete_all().unwrap();
    assert!(!store.folder().exists());
    assert_eq!(reps(&other), [(1, 1)]);
}

#[cfg(unix)]
#[test]
fn films_are_for_their_owner_only() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let store = FilmStore::of_journal(&folder.path().join("j.db"));
    put(&store, 1, 1, DAY);
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(store.folder()), 0o700);
    assert_eq!(mode(&store.folder().join("1")), 0o700);
    assert_eq!(mode(&store.path(1, 1)), 0o600);
}

#[test]
fn a_film_of_another_journals_session_is_not_taken_for_this_ones() {
    let folder = tempfile::tempdir().unwrap();
    let store = FilmStore::of_journal(&folder.path().join("j.db"));
    put(&store, ID.session, ID.rep, DAY);
    assert!(store.film(ID).unwrap().is_some());
    let later = FilmId {
        session_started_ms: ID.session_started_ms + 1,
        ..ID
    };
    assert!(store.film(later).unwrap().is_none());
    assert!(store.film(FilmId { rep: 1, ..ID }).unwrap().is_none());
}

/// Waits until something is so.
fn wait_for(what: &str, so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !so() {
        assert!(begun.elapsed() < Duration::from_secs(20), "{what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Offers frames from `from_ms` on, 20 ms apart, each once the one before was taken.
fn feed(films: &Films, tap: &super::FrameTap, from_ms: i64, to_ms: i64) {
    for at_ms in (from_ms..to_ms).step_by(20) {
        let mut given = frame(at_ms);
        let dropped = films.state().dropped;
        tap.offer(&mut given);
        while films.state().dropped > dropped {
            // A test may wait, which the pose thread does not.
            std::thread::sleep(Duration::from_millis(1));
            let before = films.state().dropped;
            tap.offer(&mut given);
            if films.state().dropped == before {
                break;
            }
        }
    }
}

#[test]
fn the_stretch_of_a_rep_is_cut_out_once_its_end_was_seen() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("j.db");
    let mut films = Films::start(&journal, on(), plenty).unwrap();
    let tap = films.tap().unwrap();
    assert!(films.tap().is_none());
    feed(&films, &tap, 0, 3000);
    // The end is still to come when the rep is logged.
    let secs = CaptureTime::from_secs;
    films.keep(ID, secs(1.0), secs(3.5));
    feed(&films, &tap, 3000, 4000);
    // It is counted as written before the folder is looked at again.
    wait_for("a film", || films.state().usage.films == 1);
    let store = FilmStore::of_journal(&journal);
    let film = store.film(ID).unwrap().unwrap();
    assert_eq!(film.frames(), 126, "1 s to 3.5 s, both included");
    assert!((film.time_secs(0).unwrap() - 1.0).abs() < 1e-9);
    assert!((film.time_secs(125).unwrap() - 3.5).abs() < 1e-9);
    let state = films.state();
    assert_eq!((state.usage.films, state.given_up), (1, 0));
    assert_eq!(state.usage, store.usage().unwrap());
    assert!(state.encode_ms.unwrap() > 0.0);

    // The last rep of a run ends with the frames there are.
    let last = FilmId { rep: 8, ..ID };
    drop(tap);
    films.keep(last, secs(3.0), secs(6.0));
    films.close();
    let film = store.film(last).unwrap().unwrap();
    assert_eq!(film.frames(), 50);
}

#[test]
fn off_takes_no_frame_and_writes_nothing_and_a_change_counts_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("j.db");
    let off = VideoSettings {
        keep: false,
        ..on()
    };
    let mut films = Films::start(&journal, off, plenty).unwrap();
    let tap = films.tap().unwrap();
    let secs = CaptureTime::from_secs;
    let mut given = frame(1500);
    let place = given.rgb.as_ptr();
    tap.offer(&mut given);
    assert_eq!(given.rgb.as_ptr(), place, "the frame stays where it is");
    films.keep(ID, secs(0.0), secs(1.0));
    assert!(films.revise(on()) && films.is_on());
    assert!(!films.revise(on()), "nothing changes");
    feed(&films, &tap, 2000, 3000);
    films.keep(ID, secs(1.0), secs(2.5));
    wait_for("a film", || films.state().written == 1);
    let store = FilmStore::of_journal(&journal);
    let film = store.film(ID).unwrap().unwrap();
    assert!((film.time_secs(0).unwrap() - 2.0).abs() < 1e-9);

    assert!(films.revise(off));
    films.keep(FilmId { rep: 9, ..ID }, secs(2.0), secs(2.5));
    drop(tap);
    assert_eq!(films.state().given_up, 0);
    films.close();
    assert_eq!(reps(&store), [(ID.session, ID.rep)]);
}

#[test]
fn a_hitter_who_allows_no_film_is_in_none_and_the_one_before_keeps_theirs() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("j.db");
    let store = FilmStore::of_journal(&journal);
    let mut films = Films::start(&journal, on(), plenty).unwrap();
    let (gate, tap) = (films.gate(), films.tap().unwrap());
    let at = |ms: i64| CaptureTime::from_nanos(ms * 1_000_000);
    let rep = |rep| FilmId { rep, ..ID };
    feed(&films, &tap, 0, 2000);
    // Another one steps in before the film's last frames: it is written with those that there are.
    films.keep(rep(1), at(1000), at(2500));
    gate.set(false);
    assert!(!films.is_on() && films.state().keep);
    wait_for("the film of the one before", || films.state().written == 1);
    // Whatever is asked for meanwhile, and an edit of the settings, opens nothing.
    films.revise(VideoSettings {
        keep_days: 8,
        ..on()
    });
    assert!(!films.is_on());
    let mut unseen = frame(2600);
    tap.offer(&mut unseen);
    assert_eq!(unseen.captured_at, at(2600), "it stays where it was");
    films.keep(rep(2), at(1000), at(2000));
    std::thread::sleep(Duration::from_millis(600));
    gate.set(true);
    feed(&films, &tap, 3000, 4000);
    films.keep(rep(3), at(0), at(3900));
    wait_for("the film of the next", || films.state().written == 2);
    assert_eq!(reps(&store), [(4, 1), (4, 3)]);
    let film = store.film(rep(3)).unwrap().unwrap();
    assert!(film.time_secs(0).unwrap() >= 3.0, "no frame from before");

    // Withdrawn while a film is due: it is not written.
    films.keep(rep(4), at(3000), at(9000));
    gate.take_back();
    feed(&films, &tap, 9000, 9200);
    std::thread::sleep(Duration::from_millis(600));
    films.close();
    assert_eq!(reps(&store), [(4, 1), (4, 3)]);
}

#[test]
fn a_disk_without_room_costs_the_film_only_and_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("j.db");
    let secs = CaptureTime::from_secs;
    // No room; and a file in the folder's place, which no folder can be made of.
    for free in [none as fn(&Path) -> io::Result<u64>, plenty] {
        let mut films = Films::start(&journal, on(), free).unwrap();
        let tap = films.tap().unwrap();
        feed(&films, &tap, 0, 1000);
        films.keep(ID, secs(0.0), secs(0.9));
        wait_for("given up", || films.state().given_up == 1);
        let why = films.state().trouble.unwrap();
        assert!(why.contains("j.video"), "{why}");
        films.close();
        fs::write(folder.path().join("j.video"), "in the way").unwrap();
    }
}

#[test]
fn frames_that_come_faster_than_they_are_packed_are_left_out_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let mut films = Films::start(&folder.path().join("j.db"), on(), plenty).unwrap();
    let tap = films.tap().unwrap();
    let mut large = Frame::default();
    for at_ms in 0..60 {
        large.captured_at = CaptureTime::from_nanos(at_ms * 1_000_000);
        large.resized(1280, 720);
        tap.offer(&mut large);
    }
    let state = films.state();
    assert!(state.dropped > 0, "{state:?}");
    drop(tap);
    films.close();
}

#[test]
fn what_a_kill_left_unfinished_goes_at_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("j.db");
    let store = FilmStore::of_journal(&journal);
    put(&store, 1, 1, DAY);
    put(&store, 1, 2, 30 * DAY);
    let unfinished = store.folder().join("1/rep-3.avi.unfinished");
    fs::write(&unfinished, "half").unwrap();
    let off = VideoSettings {
        keep: false,
        ..on()
    };
    let films = Films::start(&journal, off, plenty).unwrap();
    wait_for("limits at the start", || films.state().usage.films == 1);
    assert!(!unfinished.exists());
    assert_eq!(reps(&store), [(1, 1)]);
    films.close();
}
