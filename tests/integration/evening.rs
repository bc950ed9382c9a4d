//! A coach's evening: thirteen hitters of a day, by keyboard alone, and the sheet that each takes home.

use std::fs;
use std::process::Command;
use std::time::{Duration, Instant};

use fantoccini::key::Key;
use fantoccini::wd::{PrintConfigurationBuilder, PrintSize};

use serde_json::Value;

use super::browser::{Browser, block_on};
use super::program::{Place, project};
use super::review::Serving;

const HITTERS: [&str; 13] = [
    "Ava", "Beno", "Cleo", "Dario", "Edda", "Finn", "Gia", "Hugo", "Ida", "Joao", "Kaya", "Leo",
    "Mika",
];
/// So many are on one page.
const CARDS: usize = 12;

/// Each has hit on two days, a week apart.
fn journal_of_a_club(place: &Place) {
    for (day, swings) in [("2026-10-19", 5), ("2026-10-26", 6)] {
        for (nth, name) in HITTERS.iter().enumerate() {
            fs::write(place.path("day.track.jsonl"), swings_of_a_day(swings, nth)).unwrap();
            let settings = format!(
                "[hitter]\nname = \"{name}\"\nheight_cm = {}\n",
                150 + 3 * nth
            );
            fs::write(place.path("hitter.toml"), settings).unwrap();
            let replay = place.command(&[
                "--settings",
                "hitter.toml",
                "replay",
                "day.track.jsonl",
                "--pace",
                "fast",
                "--plan",
                "head still",
                "--journal",
                "club.db",
            ]);
            let mut then = Command::new("faketime");
            then.arg(format!("{day} {}:00", 8 + nth))
                .arg(replay.get_program());
            then.args(replay.get_args());
            for (name, value) in replay.get_envs() {
                match value {
                    Some(value) => then.env(name, value),
                    None => then.env_remove(name),
                };
            }
            if let Some(folder) = replay.get_current_dir() {
                then.current_dir(folder);
            }
            let ran = then.output().expect("install Debian's package faketime");
            assert!(
                ran.status.success(),
                "{}",
                String::from_utf8_lossy(&ran.stderr)
            );
        }
    }
}

/// A real swing's track so many times, with the upper body carried forward by another length each time, so that no two are alike.
fn swings_of_a_day(count: usize, hitter: usize) -> String {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let track = fs::read_to_string(track).unwrap();
    let mut lines = track.lines();
    let mut made = vec![lines.next().unwrap().to_owned()];
    let frames: Vec<Value> = lines
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let time = |frame: &Value| frame["t"].as_f64().unwrap();
    let (begin, end) = (time(&frames[0]), time(frames.last().unwrap()));
    for turn in 0..count {
        let sway_px = 6.0 * ((7 * turn + 3 * hitter) % 11) as f64;
        for frame in &frames {
            let mut moved = frame.clone();
            moved["t"] = (time(frame) + 6.0 * turn as f64).into();
            let share = ((time(frame) - begin) / (end - begin) - 0.35).max(0.0);
            // Head and shoulders are the model's first thirteen landmarks.
            for point in moved["points"]
                .as_array_mut()
                .into_iter()
                .flatten()
                .take(13)
            {
                let x = point[0].as_f64().unwrap();
                point[0] = (x + sway_px * share).into();
            }
            if let Some(frame) = moved.as_object_mut() {
                frame.remove("world");
            }
            made.push(moved.to_string());
        }
    }
    made.join("\n") + "\n"
}

async fn press(browser: &Browser, keys: &str) {
    let focused = browser.client.active_element().await.unwrap();
    focused.send_keys(keys).await.unwrap();
}

#[test]
fn a_coach_is_through_with_thirteen_hitters_by_keyboard() {
    let place = Place::new();
    journal_of_a_club(&place);
    let listen = [
        "review",
        "--edit",
        "--journal",
        "club.db",
        "--listen",
        "127.0.0.1:0",
    ];
    let review = Serving::start(&place, &listen);
    block_on(async {
        let browser = Browser::start(1280, 900).await;
        browser.open(&format!("{}/today", review.address)).await;
        let cards = "return document.querySelectorAll('.card').length";
        assert_eq!(browser.ask(cards).await, CARDS);
        assert_eq!(browser.barriers().await, [] as [&str; 0]);
        let mut slowest = Duration::ZERO;
        let began = Instant::now();
        for name in HITTERS {
            let step = Instant::now();
            press(&browser, "n").await;
            // The thirteenth is on the next page.
            let open = format!("return document.activeElement.textContent === '{name}'");
            browser.until(name, &open).await;
            // What to know of them is on the card.
            let card = browser
                .ask("return document.activeElement.closest('.card').innerText")
                .await;
            let card = card.as_str().unwrap();
            for told in ["6 swings", "head drift", "last time", "Changed most"] {
                assert!(card.contains(told), "{told}: {card}");
            }
            // The rep that is worst in the focus, and back.
            press(&browser, "3").await;
            browser
                .until("the rep", "return location.pathname.startsWith('/reps/')")
                .await;
            browser.find(".figure, canvas, svg").await;
            browser.client.back().await.unwrap();
            let back = format!(
                "return location.pathname === '/today' && document.activeElement.textContent === '{name}'"
            );
            browser.until("the way back", &back).await;
            // From the name by Tab over three reps to the note, and Enter keeps it.
            for _ in 0..4 {
                press(&browser, &Key::Tab.to_string()).await;
            }
            assert_eq!(
                browser.ask("return document.activeElement.name").await,
                "text"
            );
            press(
                &browser,
                &format!("{name}: quiet head again{}", char::from(Key::Enter)),
            )
            .await;
            let noted =
                format!("return document.body.innerText.includes('{name}: quiet head again')");
            browser.until("the note", &noted).await;
            slowest = slowest.max(step.elapsed());
        }
        let took = began.elapsed();
        press(&browser, "p").await;
        let last = "return document.activeElement.textContent === 'Leo'";
        browser.until("the one before", last).await;
        for from in ["13", "18446744073709551615"] {
            let beyond = format!("{}/today?from={from}", review.address);
            browser.open(&beyond).await;
            browser.find("#cards-before").await;
            assert_eq!(browser.ask(cards).await, 0);
        }
        for (day, shown, swings) in [
            ("2026-10-19", "2026-10-19", "5 swings"),
            ("soon", "2026-10-26", "6 swings"),
        ] {
            browser
                .open(&format!("{}/today?day={day}", review.address))
                .await;
            assert!(browser.text("h1").await.contains(shown), "{day}");
            assert_eq!(browser.ask(cards).await, CARDS);
            assert!(browser.text(".card").await.contains(swings), "{day}");
        }
        println!("thirteen hitters: {took:.1?}, the slowest {slowest:.1?}");
    });
    review.ends_when_asked();
}

#[test]
fn the_sheet_to_take_home_is_one_page_of_paper() {
    let place = Place::new();
    journal_of_a_club(&place);
    let review = Serving::start(
        &place,
        &["review", "--journal", "club.db", "--listen", "127.0.0.1:0"],
    );
    block_on(async {
        let browser = Browser::start(1280, 900).await;
        // The last session, and the first, which has none before it.
        for session in [26, 1] {
            for language in ["en", "es"] {
                browser.open(&format!("{}/today", review.address)).await;
                if browser.ask("return document.documentElement.lang").await != language {
                    browser.click(".language button").await;
                    let shown = format!("return document.documentElement.lang === '{language}'");
                    browser.until("the language", &shown).await;
                }
                browser
                    .open(&format!("{}/sessions/{session}/sheet", review.address))
                    .await;
                browser.find("h1").await;
                assert_eq!(browser.barriers().await, [] as [&str; 0]);
                for (paper, size) in [("letter", PrintSize::US_LETTER), ("a4", PrintSize::A4)] {
                    let print = PrintConfigurationBuilder::default().size(size).build();
                    let pdf = browser.client.print(print.unwrap()).await.unwrap();
                    assert_eq!(pages(&pdf), 1, "session {session}, {language}, {paper}");
                    if let Some(folder) = std::env::var_os("CAGEHAND_SCREENSHOTS") {
                        let file = format!("sheet_{session}_{language}_{paper}.pdf");
                        fs::write(std::path::Path::new(&folder).join(file), &pdf).unwrap();
                    }
                }
            }
        }
    });
}

/// Pages of a PDF: its objects of that type (ISO 32000-2, 7.7.3.3).
fn pages(pdf: &[u8]) -> usize {
    let marks = b"/Type /Page";
    pdf.windows(marks.len() + 1)
        .filter(|bytes| bytes.starts_with(marks) && bytes[marks.len()] != b's')
        .count()
}
