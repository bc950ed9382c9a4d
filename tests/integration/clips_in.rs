//! Clips that a coach drops on the page: read beside the cage, told of where they cannot be, and gone afterward.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::browser::{Browser, Served, block_on};
use super::doors::{ask, ask_bytes, status, visit};
use super::program::{PATIENCE, Place, project, recording, replayed};

/// Reading takes longer than the clip where the machine is busy.
const CLIP: &str = "right_30fps_dim";
const HEIGHT_CM: u32 = 183;

/// The coach at the machine.
struct Coach<'a> {
    served: &'a Served,
    cookie: String,
    token: String,
}

impl<'a> Coach<'a> {
    fn at(served: &'a Served) -> Self {
        let page = ask(&served.address, "GET", "/clips", &[], "");
        assert_eq!(status(&page), 200, "{page}");
        let (cookie, token) = visit(&page);
        Self {
            served,
            cookie,
            token,
        }
    }

    fn send(&self, query: &str, body: &[u8]) -> String {
        let token = format!("cagehand-token: {}", self.token);
        let headers = [
            &*self.cookie,
            &token,
            "Content-Type: application/octet-stream",
        ];
        let path = format!("/clips?{query}");
        let answer = ask_bytes(&self.served.address, "POST", &path, &headers, body);
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn send_well(&self, hitter: &str, filmed_at: u64, body: &[u8]) {
        let query = format!("hitter={hitter}&filmed_at={filmed_at}&slowed=file");
        let answer = self.send(&query, body);
        assert_eq!(status(&answer), 200, "{answer}");
    }

    /// The clips, the last one first.
    fn clips(&self) -> Vec<Value> {
        let answer = ask(
            &self.served.address,
            "GET",
            "/clips/now",
            &[&self.cookie],
            "",
        );
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        serde_json::from_str(body).unwrap_or_else(|error| panic!("{error}: {answer}"))
    }

    fn until(&self, what: &str, is_so: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let clips = self.clips();
            if is_so(&clips) {
                return clips;
            }
            assert!(Instant::now() < deadline, "{what}: {clips:?}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    fn all_over(&self) -> Vec<Value> {
        self.until("all are over", |clips| {
            clips.iter().all(|clip| clip["is_over"] == true)
        })
    }
}

fn is_being_read(clips: &[Value]) -> bool {
    clips
        .iter()
        .any(|clip| clip["progress"].as_f64() > Some(0.0))
}

/// A journal of a hitter named Kit, number 1, who has swung once.
fn with_a_hitter() -> Place {
    let place = Place::new();
    let settings = format!("[hitter]\nname = \"Kit\"\nheight_cm = {HEIGHT_CM}\n");
    fs::write(place.path("kit.toml"), settings).unwrap();
    let swing = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let swing = swing.to_str().unwrap();
    let to = ["--pace", "fast", "--journal", "page.db"];
    place.run_well(&[&["--settings", "kit.toml", "replay", swing][..], &to].concat());
    place
}

fn left(place: &Place) -> Vec<String> {
    let files = fs::read_dir(place.path("page.db.clips"));
    let names = files.into_iter().flatten().flatten();
    names
        .map(|file| file.file_name().to_string_lossy().into_owned())
        .collect()
}

fn session(place: &Place, number: i64) -> Vec<Value> {
    let number = number.to_string();
    let lines = place.run_well(&["export", "--journal", "page.db", "--session", &number]);
    let reps = lines.lines().map(serde_json::from_str);
    reps.collect::<Result<_, _>>().unwrap()
}

#[test]
fn a_clip_that_is_dropped_becomes_the_session_that_replay_finds() {
    let place = with_a_hitter();
    let served = Served::start_page(&place, "");
    let clip = recording(CLIP);
    block_on(async {
        let browser = Browser::start(1280, 900).await;
        browser.open(&format!("{}/sessions", served.address)).await;
        browser.click("a[href^='/clips']").await;
        browser
            .find("#clip-hitter option[value='1']")
            .await
            .click()
            .await
            .unwrap();
        // Filmed on a day of its own.
        browser
            .ask("document.getElementById('clip-filmed').value = '2026-05-01T17:03'")
            .await;
        browser
            .find("#clip-file")
            .await
            .send_keys(&clip)
            .await
            .unwrap();
        browser
            .until(
                "progress",
                "return document.querySelector('#clip-list progress')?.value > 0",
            )
            .await;
        browser.picture("clips").await;
        let open =
            "const open = document.querySelector('#clip-list .open'); return open && !open.hidden";
        browser.until("the session", open).await;
        let said = browser.text("#clip-list li").await;
        assert!(said.contains("Kit") && said.contains("done"), "{said}");
        assert!(said.contains(&format!("{CLIP}.mp4")), "{said}");
        assert_eq!(browser.barriers().await, [] as [&str; 0]);
        browser.click("#clip-list .open").await;
        let heading = browser.text("h1").await;
        assert!(heading.contains("Kit"), "{heading}");
        let page = browser.text("main").await;
        assert!(
            page.contains("2026-05-01") && page.contains("clip"),
            "{page}"
        );
    });
    assert_eq!(left(&place), [] as [&str; 0]);
    let found = replayed(CLIP, "lite", HEIGHT_CM);
    let expected = &found.get().unwrap().reps;
    let stored = session(&place, 3);
    assert_eq!(stored.len(), expected.len());
    for (stored, expected) in stored.iter().zip(expected) {
        assert_eq!(stored["hitter"], "Kit");
        for what in [
            "rep", "kind", "bats", "view", "events", "measures", "verdicts",
        ] {
            assert_eq!(
                stored[what], expected[what],
                "{what} of {}",
                expected["rep"]
            );
        }
        let logged = stored["logged_at"].as_str().unwrap();
        assert!(logged.starts_with("2026-05-01T"), "{logged}");
    }
    let coach = Coach::at(&served);
    let audit = ask(&served.address, "GET", "/audit", &[&coach.cookie], "");
    assert!(audit.contains("added a clip"), "{audit}");
}

#[test]
fn clips_that_cannot_be_read_say_why_and_leave_nothing() {
    let place = with_a_hitter();
    let served = Served::start_page(&place, "");
    let coach = Coach::at(&served);
    let junk: Vec<u8> = (0..200_000u32)
        .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    let whole = fs::read(recording("r03")).unwrap();
    let cut = &whole[..whole.len() / 2];
    for (clip, says) in [
        (junk.as_slice(), "not a video"),
        (b"", "not a video"),
        (b"just words", "not a video"),
        (cut, "the end of the clip is missing"),
    ] {
        coach.send_well("1", 1_700_000_000_000, clip);
        let clips = coach.all_over();
        let said = clips[0]["says"].as_str().unwrap();
        assert!(said.contains(says), "{said}, not {says}");
    }
    assert_eq!(left(&place), [] as [&str; 0]);

    let query = "filmed_at=1700000000000&slowed=file";
    for (query, expected) in [
        (format!("hitter=99&{query}"), 404),
        (format!("hitter=Kit&{query}"), 422),
        ("hitter=1&filmed_at=1&slowed=3".to_owned(), 422),
        ("hitter=1&filmed_at=soon&slowed=file".to_owned(), 400),
    ] {
        assert_eq!(status(&coach.send(&query, b"x")), expected, "{query}");
    }
    let token = format!("cagehand-token: {}", coach.token);
    for (headers, expected) in [
        (
            vec![&*coach.cookie, "Content-Type: application/octet-stream"],
            403,
        ),
        (
            vec![&*coach.cookie, &token, "Content-Type: text/plain"],
            415,
        ),
        (vec![&*token, "Content-Type: application/octet-stream"], 403),
    ] {
        let path = format!("/clips?hitter=1&{query}");
        let answer = ask(&served.address, "POST", &path, &headers, "x");
        assert_eq!(status(&answer), expected, "{answer}");
    }
    // One that says it is too large is refused before it comes, one that breaks off is forgotten.
    let begun = |bytes: u64, part: &[u8]| {
        let host = served.address.trim_start_matches("http://");
        let mut stream = TcpStream::connect(host).unwrap();
        let head = format!(
            "POST /clips?hitter=1&{query} HTTP/1.1\r\nHost: {host}\r\nOrigin: {}\r\n{}\r\n{token}\r\nContent-Type: \
             application/octet-stream\r\nContent-Length: {bytes}\r\nConnection: close\r\n\r\n",
            served.address, coach.cookie
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(part).unwrap();
        stream
    };
    let mut answer = String::new();
    begun(3 << 30, b"").read_to_string(&mut answer).unwrap();
    assert_eq!(status(&answer), 413, "{answer}");
    // While one is sent, another waits for its turn.
    let half = begun(1 << 20, b"half of it");
    let deadline = Instant::now() + PATIENCE;
    while left(&place).is_empty() {
        assert!(Instant::now() < deadline);
        std::thread::sleep(Duration::from_millis(20));
    }
    let second = coach.send(&format!("hitter=1&{query}"), b"x");
    assert_eq!(status(&second), 503, "{second}");
    assert!(second.contains("another clip is being sent"), "{second}");
    drop(half);
    let deadline = Instant::now() + PATIENCE;
    while !left(&place).is_empty() {
        assert!(Instant::now() < deadline, "{:?}", left(&place));
        std::thread::sleep(Duration::from_millis(50));
    }
    assert_eq!(coach.clips().len(), 4);
}

/// The processes that read a clip for this one.
fn readers_of(parent: u32) -> Vec<u32> {
    let of = |pid: u32| {
        let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
        let (_, rest) = stat.rsplit_once(')')?;
        let mut fields = rest.split_whitespace();
        let (state, ppid) = (fields.next()?, fields.next()?);
        (state != "Z" && ppid == parent.to_string()).then_some(pid)
    };
    let all = fs::read_dir("/proc").unwrap().flatten();
    all.filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter_map(of)
        .collect()
}

fn is_alive(pid: u32) -> bool {
    fs::read_to_string(format!("/proc/{pid}/stat")).is_ok_and(|stat| !stat.contains(") Z"))
}

#[test]
fn a_reading_ends_with_its_hitter_its_list_entry_and_its_cagehand() {
    let place = with_a_hitter();
    let served = Served::start_page(&place, "");
    let coach = Coach::at(&served);
    let clip = fs::read(recording(CLIP)).unwrap();
    // Taken out of the list while it is read.
    coach.send_well("", 1_700_000_000_000, &clip);
    coach.until("it is read", is_being_read);
    let [reader] = readers_of(served.id())[..] else {
        panic!("{:?}", readers_of(served.id()));
    };
    assert_eq!(priority(reader), 19);
    let id = &coach.clips()[0]["id"];
    let body = format!("token={}", coach.token);
    let path = format!("/clips/{id}/drop");
    let dropped = ask(&served.address, "POST", &path, &[&coach.cookie], &body);
    assert_eq!(status(&dropped), 303, "{dropped}");
    wait_until(|| !is_alive(reader) && left(&place).is_empty());
    assert_eq!(coach.clips(), [] as [Value; 0]);
    // One that is through, too: a deleted hitter's name stays on no page.
    coach.send_well("1", 1_700_000_000_000, b"no clip");
    assert_eq!(coach.all_over()[0]["whose"], "Kit");
    // One that is read and one that waits go with their hitter; nobody's stays.
    for (hitter, at) in [
        ("1", 1_700_000_000_000),
        ("1", 1_700_000_100_000),
        ("", 1_700_000_200_000),
    ] {
        coach.send_well(hitter, at, &clip);
    }
    coach.until("it is read", is_being_read);
    let deleted = ask(
        &served.address,
        "POST",
        "/people/1/delete",
        &[&coach.cookie],
        &format!("{body}&sure=yes"),
    );
    assert_eq!(status(&deleted), 200, "{deleted}");
    let clips = coach.until("nobody's is read", is_being_read);
    assert_eq!(clips.len(), 1);
    assert_eq!(clips[0]["whose"], "No name");
    // A kill leaves files, never a process; the next start takes them away.
    let [reader] = readers_of(served.id())[..] else {
        panic!("{:?}", readers_of(served.id()));
    };
    drop(served);
    wait_until(|| !is_alive(reader));
    assert!(!left(&place).is_empty());
    let served = Served::start_page(&place, "");
    wait_until(|| left(&place).is_empty());
    // Asked to end, it ends at once and leaves nothing.
    let coach = Coach::at(&served);
    coach.send_well("", 1_700_000_000_000, &clip);
    coach.until("it is read", is_being_read);
    served.end();
    assert_eq!(left(&place), [] as [&str; 0]);
    let names = place.run_well(&["export", "--journal", "page.db"]);
    assert!(!names.contains("Kit"), "{names}");
}

fn priority(pid: u32) -> i32 {
    let stat = fs::read_to_string(Path::new("/proc").join(pid.to_string()).join("stat")).unwrap();
    let (_, rest) = stat.rsplit_once(')').unwrap();
    rest.split_whitespace().nth(16).unwrap().parse().unwrap()
}

fn wait_until(is_so: impl Fn() -> bool) {
    let deadline = Instant::now() + PATIENCE;
    while !is_so() {
        assert!(Instant::now() < deadline);
        std::thread::sleep(Duration::from_millis(50));
    }
}
