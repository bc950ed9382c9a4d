//! The page in a real browser: the hitter in the cage.

use serde_json::json;

use super::browser::{Browser, Served, block_on};
use super::program::{Place, project, recording, replayed};

#[test]
fn the_cage_screen_shows_each_rep_as_it_ends_and_a_hitter_steps_in_with_two_taps() {
    block_on(async {
        let place = Place::new();
        let served = Served::start(
            &place,
            &recording("left_60fps_faults"),
            "",
            &["--loops", "3"],
        );
        let browser = Browser::start(1920, 1080).await;
        browser.open(&served.address).await;
        assert!(
            browser.barriers().await.is_empty(),
            "{:?}",
            browser.barriers().await
        );
        browser
            .until(
                "a figure",
                "return document.querySelectorAll('#figure line').length > 8",
            )
            .await;
        // From the moment the daemon has judged a rep to its paint, by one machine's clock; the promise is 200 ms.
        let mut late = Vec::new();
        for rep in 1..=3 {
            let script = format!(
                "const s = document.getElementById('screen').dataset; return Number(s.painted) >= {rep} ? s.paintedAfterMs : ''"
            );
            let ms = browser.until("a rep", &script).await;
            late.push(ms.as_str().unwrap().parse::<f64>().unwrap());
            if rep == 1 {
                browser.picture("cage").await;
                assert_eq!(browser.text("#swings").await, "1");
                let word = browser.text("#word").await;
                assert!(!word.is_empty() && word != "No swing yet");
            }
        }
        println!("painted {late:?} ms after they were put up");
        late.sort_by(f64::total_cmp);
        assert!((0.0..200.0).contains(&late[1]), "{late:?}");
        let marks = "return document.querySelectorAll('#trail li').length";
        assert!(browser.ask(marks).await.as_u64().unwrap() >= 3);

        // Tap one: who hits. Somebody new types a name once; after that it is two taps.
        browser.click("#who").await;
        browser
            .find("input[name=name]")
            .await
            .send_keys("Kit")
            .await
            .unwrap();
        browser.picture("hitters").await;
        assert!(
            browser.barriers().await.is_empty(),
            "{:?}",
            browser.barriers().await
        );
        browser.click(".new-hitter button").await;
        browser
            .until(
                "Kit in a session of their own",
                "return document.getElementById('who')?.textContent === 'Kit' && document.getElementById('swings').textContent === '0'",
            )
            .await;
        browser.click("#who").await;
        browser.click(".names button[value=Kit]").await;
        browser.find("#screen").await;
        browser.close().await;
    });
}

/// A journal with a session of a named hitter, made from a bundled recording.
pub(crate) fn filled(place: &Place) {
    std::fs::write(
        place.path("kit.toml"),
        "[hitter]\nname = \"Kit\"\nheight_cm = 168\n",
    )
    .unwrap();
    place.run_well(&[
        "replay",
        replayed("left_60fps_faults", "lite", 168)
            .get()
            .unwrap()
            .track(),
        "--pace",
        "fast",
        "--settings",
        "kit.toml",
        "--journal",
        "page.db",
    ]);
}

/// Adds a session of one swing that does not count, because the settings name the other side.
pub(crate) fn with_one_not_counted(place: &Place) {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    place.run_well(&[
        "replay",
        track.to_str().unwrap(),
        "--bats",
        "left",
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--journal",
        "page.db",
    ]);
}

/// A coach at the page; each step goes on where the one before left the browser.
struct CoachAtThePage<'a> {
    browser: &'a Browser,
    address: &'a str,
}

impl CoachAtThePage<'_> {
    async fn no_barriers(&self, page: &str) {
        let found = self.browser.barriers().await;
        assert!(found.is_empty(), "{page}: {found:#?}");
    }

    async fn reviews_a_session(&self) {
        let browser = self.browser;
        browser.open(&format!("{}/sessions", self.address)).await;
        browser.picture("sessions").await;
        self.no_barriers("sessions").await;
        browser.click("a[href='/sessions/1']").await;
        browser.find("table.review").await;
        browser.picture("session").await;
        self.no_barriers("session").await;
        // Each strip's phases are to scale: stride and foot down to contact of the journal's own times.
        let strip = browser
            .ask("const r = document.querySelector('tbody tr rect.planted'); return [r.getAttribute('width'), r.closest('svg').getAttribute('aria-label')]")
            .await;
        let share: f64 = strip[0].as_str().unwrap().parse().unwrap();
        let told = strip[1].as_str().unwrap();
        let ms: f64 = told
            .split("foot down to contact ")
            .nth(1)
            .unwrap()
            .split(' ')
            .next()
            .unwrap()
            .parse()
            .unwrap();
        let marks = browser
            .ask("return [...document.querySelectorAll('.ruler line')].slice(0, 2).map((l) => parseFloat(l.getAttribute('x1')))")
            .await;
        let half_second = marks[1].as_f64().unwrap() - marks[0].as_f64().unwrap();
        assert!(
            (share / half_second * 500.0 - ms).abs() < 1.0,
            "{share} {half_second} {ms}"
        );
    }

    async fn plays_a_rep(&self) {
        let browser = self.browser;
        browser.click("tbody tr:first-child th a").await;
        browser
            .until(
                "the figure",
                "return document.querySelectorAll('#stage .sticks line').length > 8",
            )
            .await;
        browser.picture("rep").await;
        self.no_barriers("rep").await;
        let frame = "return Number(document.getElementById('player').dataset.frame)";
        let before = browser.ask(frame).await.as_f64().unwrap();
        let arrow = |name: &str| {
            format!(
                "document.dispatchEvent(new KeyboardEvent('keydown', {{ key: '{name}', bubbles: true }})); {frame}"
            )
        };
        let key = async |name: &str| {
            browser
                .client
                .execute(
                    &arrow(name).replace("document.dispatchEvent", "document.body.dispatchEvent"),
                    vec![],
                )
                .await
                .unwrap()
                .as_f64()
                .unwrap()
        };
        assert_eq!(key("ArrowRight").await, before + 1.0);
        assert_eq!(key("ArrowLeft").await, before);
        browser.ask("const s = document.getElementById('scrub'); s.value = 3; s.dispatchEvent(new Event('input'))").await;
        assert_eq!(browser.ask(frame).await, 3);
        browser.click("#play").await;
        browser
            .until(
                "it to play on",
                "return Number(document.getElementById('player').dataset.frame) > 6",
            )
            .await;
        self.draws_the_bat_where_it_was_seen().await;
    }

    async fn draws_the_bat_where_it_was_seen(&self) {
        // Of each frame what the page was told of the bat, and what it draws then.
        let frames = self
            .browser
            .ask(
                "const scrub = document.getElementById('scrub');
                 const drawn = (rep) => rep.times.map((_, place) => {
                   scrub.value = place;
                   scrub.dispatchEvent(new Event('input'));
                   const lines = [...document.querySelectorAll('#stage .bat line')];
                   return [rep.bat[place]?.flat() ?? [], lines.flatMap((l) => ['x1', 'y1', 'x2', 'y2'].map((n) => Number(l.getAttribute(n))))];
                 });
                 return fetch(document.getElementById('player').dataset.rep).then((answer) => answer.json()).then(drawn)",
            )
            .await;
        let frames = frames.as_array().unwrap();
        for frame in frames {
            assert_eq!(frame[0], frame[1], "told and drawn");
        }
        let seen = frames.iter().filter(|frame| frame[0] != json!([]));
        let seen = seen.count();
        assert!(seen > 20, "{seen} of {}", frames.len());
        let rest = "return [!document.getElementById('bat-key').hidden, document.querySelectorAll('#stage .tip-path').length > 0]";
        assert_eq!(self.browser.ask(rest).await, json!([true, true]));
    }

    async fn moves_the_landing_and_back(&self) {
        let browser = self.browser;
        // The landing is moved two pictures on, and back.
        let measured = "return [...document.querySelectorAll('main tbody tr')].find((r) => r.querySelector('a')?.href.includes('measure=lift_to_plant_ms')).querySelector('td').textContent";
        let told = browser.ask(measured).await;
        let ms = |text: &serde_json::Value| -> f64 {
            let text = text.as_str().unwrap().trim();
            let number = text
                .split(" ms")
                .next()
                .unwrap()
                .rsplit(' ')
                .next()
                .unwrap();
            number.parse().unwrap()
        };
        browser.click("details.events summary").await;
        browser.click("#jumps button:nth-of-type(4)").await;
        browser.click("#forward").await;
        browser.click("#forward").await;
        let by = browser
            .ask("return document.getElementById('at-ms').value")
            .await;
        let by: f64 = by.as_str().unwrap().parse().unwrap();
        assert!((5.0..70.0).contains(&by), "{by}");
        browser.click("button[value=move]").await;
        browser.find("button[value=as_found]").await;
        browser.picture("rep_moved").await;
        self.no_barriers("rep moved").await;
        let moved = browser.ask(measured).await;
        assert!(
            (ms(&moved) - ms(&told) - by).abs() <= 1.5,
            "{told} {moved} {by}"
        );
        browser.click("details.events button[value=as_found]").await;
        browser
            .until(
                "it as found",
                "return !document.querySelector('details.events button[value=as_found]')",
            )
            .await;
        assert_eq!(browser.ask(measured).await, told);
    }

    async fn compares_two_reps(&self) {
        let browser = self.browser;
        // Beside another rep, and laid over it.
        browser.ask("document.querySelector('select[name=with]').selectedIndex = 1; document.querySelector('select[name=with]').form.submit()").await;
        browser
            .until(
                "two figures",
                "return document.querySelectorAll('#stage svg').length === 2",
            )
            .await;
        browser.picture("rep_beside").await;
        browser.click("#layout [data-layout=over]").await;
        browser.until("one over the other", "return document.querySelectorAll('#stage svg').length === 1 && document.querySelectorAll('#stage .sticks').length === 2").await;
        browser.picture("rep_over").await;
        self.no_barriers("two reps").await;
    }

    async fn marks_notes_and_excludes(&self, place: &Place) {
        let browser = self.browser;
        browser.click("button[value=mark]").await;
        browser.find("button[value=unmark]").await;
        browser
            .find("textarea[name=text]")
            .await
            .send_keys("early hips <b>here</b>")
            .await
            .unwrap();
        browser.click("form:has(textarea) button").await;
        browser.until("the note", "return document.querySelector('.note p')?.textContent === 'early hips <b>here</b>'").await;
        browser
            .find("input[name=why]")
            .await
            .send_keys("a throw")
            .await
            .unwrap();
        browser.click("button[value=exclude]").await;
        browser.find("button[value=count]").await;
        browser.open(&format!("{}/sessions/1", self.address)).await;
        browser
            .until(
                "it excluded",
                "return document.querySelectorAll('tr.excluded').length === 1",
            )
            .await;
        self.no_barriers("excluded").await;
        // The original stays: the export tells both.
        let exported = place.run_well(&["export", "--journal", "page.db", "--session", "1"]);
        assert!(
            exported.contains("\"struck\":\"a throw\"") && exported.contains("\"kind\":\"swing\"")
        );
    }

    async fn opens_the_other_pages(&self) {
        let browser = self.browser;
        for (page, name) in [
            ("sessions/1/sheet", "sheet"),
            ("sessions/1/log", "log"),
            ("owner", "owner"),
            ("trends", "trends"),
            ("trends?by=sessions", "trends_sessions"),
            ("cues", "cues"),
            ("plans", "plans"),
        ] {
            browser.open(&format!("{}/{page}", self.address)).await;
            browser.find("h1").await;
            browser.picture(name).await;
            self.no_barriers(page).await;
        }
    }

    async fn edits_a_plan_by_fields(&self) {
        let browser = self.browser;
        // By fields: another band, tried and put in force.
        browser.ask("document.querySelector('[name=\"kind.head_to_plant_cm\"]').value = 'fixed'; document.querySelector('[name=\"to.head_to_plant_cm\"]').value = '1.5'").await;
        browser.click("button[value=try_fields]").await;
        browser.find("#tried tbody tr").await;
        browser.picture("plans_tried").await;
        self.no_barriers("plans tried").await;
        let text = browser
            .ask("return document.querySelector('textarea[name=text]').value")
            .await;
        assert!(
            text.as_str()
                .unwrap()
                .contains("head_to_plant_cm = { high = 1.5 }"),
            "{text}"
        );
        browser.click("button[value=put_fields]").await;
        browser
            .until(
                "the plan in force",
                "return document.querySelector('main strong')?.textContent === 'head still'",
            )
            .await;
    }

    async fn follows_a_point_of_the_plot(&self) {
        let browser = self.browser;
        // A point of the plot leads to what it stands for.
        let trends = format!("{}/trends?hitter=1", self.address);
        browser.open(&trends).await;
        browser.find(".plot a polygon").await;
        let links = browser.ask("return [...document.querySelectorAll('.plot a')].map((a) => a.getAttribute('href'))").await;
        let rows = browser.ask("return [...document.querySelectorAll('details tbody a')].map((a) => a.getAttribute('href')).reverse()").await;
        assert_eq!(
            links, rows,
            "the table has the plot's links for the keyboard"
        );
        browser.ask("document.querySelector('.plot a').dispatchEvent(new MouseEvent('click', { bubbles: true, cancelable: true, view: window }))").await;
        browser.find("#player").await;
    }

    async fn looks_at_a_wall_and_at_a_phone_in_spanish(&self) {
        let browser = self.browser;
        // A wall's screen of twice the size.
        browser.client.set_window_size(3840, 2160).await.unwrap();
        for (page, name) in [
            ("", "cage_4k"),
            ("sessions/1", "session_4k"),
            ("reps/1", "rep_4k"),
        ] {
            browser.open(&format!("{}/{page}", self.address)).await;
            browser.find("main").await;
            browser.picture(name).await;
            self.no_barriers(name).await;
        }
        // The other language, and a narrow screen.
        browser.click(".language button").await;
        browser
            .until("Spanish", "return document.documentElement.lang === 'es'")
            .await;
        browser.client.set_window_size(380, 760).await.unwrap();
        browser.open(&format!("{}/sessions/1", self.address)).await;
        browser.find("table.review").await;
        browser.picture("session_phone_es").await;
        self.no_barriers("session in Spanish on a phone").await;
        let too_wide = browser.ask("return document.documentElement.scrollWidth > document.documentElement.clientWidth + 1").await;
        assert_eq!(too_wide, false, "the page itself does not scroll sideways");
    }
}

#[test]
fn a_coach_reviews_a_session_replays_a_rep_and_leaves_notes_and_corrections() {
    block_on(async {
        let place = Place::new();
        filled(&place);
        let served = Served::start_page(&place, "");
        let browser = Browser::start(1280, 900).await;
        let coach = CoachAtThePage {
            browser: &browser,
            address: &served.address,
        };
        coach.reviews_a_session().await;
        coach.plays_a_rep().await;
        coach.moves_the_landing_and_back().await;
        coach.compares_two_reps().await;
        coach.marks_notes_and_excludes(&place).await;
        coach.opens_the_other_pages().await;
        coach.edits_a_plan_by_fields().await;
        coach.follows_a_point_of_the_plot().await;
        coach.looks_at_a_wall_and_at_a_phone_in_spanish().await;
        browser.close().await;
    });
}

#[test]
fn a_coach_sees_what_was_not_counted_and_why_and_makes_it_count() {
    block_on(async {
        let place = Place::new();
        with_one_not_counted(&place);
        let served = Served::start_page(&place, "");
        let browser = Browser::start(1280, 900).await;
        let coach = CoachAtThePage {
            browser: &browser,
            address: &served.address,
        };
        let session = format!("{}/sessions/1", served.address);
        browser.open(&session).await;
        browser.find("#not-counted").await;
        browser.picture("session_not_counted").await;
        coach
            .no_barriers("a session with what was not counted")
            .await;
        let row = browser.text("table.not-counted tbody tr").await;
        assert!(
            row.contains("before the first rep") && row.contains(" cm behind the other one"),
            "{row}"
        );
        browser.click("table.not-counted th a").await;
        browser
            .until(
                "the figure",
                "return document.querySelectorAll('#stage .sticks line').length > 8",
            )
            .await;
        browser.picture("not_counted").await;
        // Its track tells of no bat.
        let bat = "return [document.getElementById('bat-key').hidden, document.querySelectorAll('#stage .bat line, #stage .tip-path').length]";
        assert_eq!(browser.ask(bat).await, json!([true, 0]));
        coach.no_barriers("what was not counted").await;
        browser.click(".language button").await;
        browser
            .until("Spanish", "return document.documentElement.lang === 'es'")
            .await;
        browser.picture("not_counted_es").await;
        browser.open(&session).await;
        browser.picture("session_not_counted_es").await;

        // It counts, on its own page; from there it is excluded again.
        browser.click("table.not-counted button").await;
        browser.find("#measures").await;
        browser.picture("rep_made_to_count").await;
        coach.no_barriers("a rep that was made to count").await;
        assert!(
            browser
                .text("main")
                .await
                .contains("la contó el entrenador")
        );
        browser.open(&session).await;
        browser.find("table.review tbody tr").await;
        let left = "return document.querySelectorAll('#not-counted').length";
        assert_eq!(browser.ask(left).await, 0);
        browser.picture("session_made_to_count").await;
        let exported = place.run_well(&["export", "--journal", "page.db", "--session", "1"]);
        assert!(exported.contains("\"made_to_count\":true"), "{exported}");
        assert!(exported.contains("\"cue\":null"), "{exported}");
        browser.close().await;
    });
}

/// What a screen reader would say: every control by a name, and each verdict, phase and figure in words.
#[test]
fn a_screen_reader_is_told_what_the_eye_sees() {
    block_on(async {
        let place = Place::new();
        filled(&place);
        let served = Served::start_page(&place, "");
        let browser = Browser::start(1280, 900).await;
        for (page, told) in [
            ("", &["The hitter as the camera sees them"][..]),
            ("hitters", &["Who's hitting?", "Step in"]),
            ("today", &["Changed most", "Best"]),
            ("sessions", &["Sessions", "Hitter"]),
            // A rep's strip and a verdict, which the eye has as colours and signs.
            ("sessions/1", &["foot down to contact", "range"]),
            ("reps/1", &["Time, frame by frame", "Play", "Measures"]),
            ("trends", &["head drift to foot down"]),
            (
                "plans",
                &["Cued, 1 first: head drop", "Try it on past swings"],
            ),
            ("owner", &["Health"]),
        ] {
            browser.open(&format!("{}/{page}", served.address)).await;
            browser.find("main").await;
            if page == "reps/1" {
                browser.find("#stage .sticks line").await;
            }
            // The last rep's word, which a script writes; before the first swing it says that there is none.
            let mut word = String::new();
            if page.is_empty() {
                let written = "return document.getElementById('word').textContent !== ''";
                browser.until("the last rep's word", written).await;
                word = browser.text("#word").await;
            }
            let spoken = browser.spoken().await;
            let controls = [
                "button",
                "link",
                "textbox",
                "combobox",
                "slider",
                "checkbox",
                "spinbutton",
                "DisclosureTriangle",
            ];
            for (role, name) in &spoken {
                assert!(
                    !controls.contains(&role.as_str()) || !name.trim().is_empty(),
                    "{page}: a {role} without a name"
                );
            }
            let all: Vec<&str> = spoken.iter().map(|(_, name)| name.as_str()).collect();
            for words in told.iter().copied().chain([word.as_str()]) {
                assert!(
                    all.iter().any(|name| name.contains(words)),
                    "{page}: {words:?} is not told: {all:?}"
                );
            }
            assert!(spoken.iter().any(|(role, _)| role == "main"), "{page}");
        }
        browser.close().await;
    });
}
