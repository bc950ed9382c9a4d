//! Pictures on the page, in a real browser: the camera's on the cage's screen, and films of reps.

use std::fs;
use std::time::Duration;

use cagehand::video::{Film, FilmStore};
use serde_json::Value;

use super::browser::{Browser, Served, block_on};
use super::doors;
use super::program::{Place, free_port, recording};
#[cfg(unix)]
use super::watching::{Watch, files};

/// A figure of the daemon's health.
async fn health(browser: &Browser, figure: &str) -> u64 {
    let ask = format!("return fetch('/health').then((r) => r.json()).then((h) => h.{figure})");
    browser.ask(&ask).await.as_u64().unwrap()
}

async fn until_health(browser: &Browser, figure: &str, least: u64) {
    let script =
        format!("return fetch('/health').then((r) => r.json()).then((h) => h.{figure} >= {least})");
    browser.until(figure, &script).await;
}

/// What the page at this address answers with.
async fn status(browser: &Browser, address: &str) -> Value {
    let ask = format!("return fetch('{address}').then((r) => r.status)");
    browser.ask(&ask).await
}

async fn no_barriers(browser: &Browser, page: &str) {
    let found = browser.barriers().await;
    assert!(found.is_empty(), "{page}: {found:#?}");
}

const PICTURE: &str = "return document.querySelector('#figure image') !== null";
const NO_PICTURE: &str = "return document.querySelector('#figure image') === null";
const FIGURE: &str = "return document.querySelectorAll('#figure line').length > 8";

/// Makes the page think that its tab was hidden, or is seen again.
fn hidden(so: bool) -> String {
    format!(
        "Object.defineProperty(document, 'hidden', {{ configurable: true, get: () => {so} }}); \
         document.dispatchEvent(new Event('visibilitychange'))"
    )
}

#[test]
fn the_cameras_picture_is_shown_only_where_it_is_allowed_and_made_only_while_somebody_looks() {
    block_on(async {
        let place = Place::new();
        let clip = recording("left_60fps_faults");
        let served = Served::start(&place, &clip, "picture = true\n", &["--loops", "20"]);
        let browser = Browser::start(1920, 1080).await;
        // Another room, from which nobody sees the cage's screen.
        browser.open(&format!("{}/owner", served.address)).await;
        until_health(&browser, "frames", 100).await;
        assert_eq!(health(&browser, "pictures_made").await, 0, "nobody looks");
        let told = browser.text("main").await;
        assert!(told.contains("THE CAMERA'S PICTURE IS SHOWN"), "{told}");

        browser.open(&served.address).await;
        browser.until("a picture", PICTURE).await;
        browser.until("its figure", FIGURE).await;
        assert_eq!(
            browser.text("#pictured").await,
            "◉ This screen shows the camera's picture"
        );
        browser.picture("cage_picture").await;
        no_barriers(&browser, "the cage with its picture").await;
        // Picture and figure are in the camera's own pixels, which the view is too, and the picture is a smaller copy of them.
        let fit = browser
            .ask(
                "const i = document.querySelector('#figure image'); const jpeg = new Image(); jpeg.src = i.getAttribute('href'); \
                 return jpeg.decode().then(() => [i.ownerSVGElement.getAttribute('viewBox'), `0 0 ${i.getAttribute('width')} ${i.getAttribute('height')}`, \
                 jpeg.naturalWidth, jpeg.naturalHeight])",
            )
            .await;
        assert_eq!(fit[0], fit[1], "{fit}");
        let sides: Vec<f64> = fit[0]
            .as_str()
            .unwrap()
            .split(' ')
            .skip(2)
            .map(|side| side.parse().unwrap())
            .collect();
        let small = [fit[2].as_f64().unwrap(), fit[3].as_f64().unwrap()];
        assert_eq!(small[0].max(small[1]), 640.0, "{fit}");
        assert!((sides[0] / sides[1] - small[0] / small[1]).abs() < 0.01);
        // One after the other, and ten a second at most.
        let began = std::time::Instant::now();
        let before = health(&browser, "pictures_made").await;
        tokio::time::sleep(Duration::from_secs(2)).await;
        let made = health(&browser, "pictures_made").await - before;
        let most = 10.0 * began.elapsed().as_secs_f64() + 1.0;
        println!("{made} pictures where there may be {most:.1}");
        assert!(made >= 4 && made as f64 <= most, "{made}");

        // A tab that is hidden asks for none.
        browser.ask(&hidden(true)).await;
        browser
            .until("no picture in a hidden tab", NO_PICTURE)
            .await;
        // One that was asked for before may still be made.
        tokio::time::sleep(Duration::from_millis(500)).await;
        let before = health(&browser, "pictures_made").await;
        tokio::time::sleep(Duration::from_secs(1)).await;
        assert_eq!(health(&browser, "pictures_made").await, before);
        browser.ask(&hidden(false)).await;
        browser.until("the picture again", PICTURE).await;

        // A camera that gives none: the old picture does not stay.
        browser
            .ask("window.fetched = window.fetch; window.fetch = async () => new Response(null, { status: 204 })")
            .await;
        browser.until("no old picture", NO_PICTURE).await;
        browser.until("the figure alone", FIGURE).await;
        browser.ask("window.fetch = window.fetched").await;
        browser.until("the picture again", PICTURE).await;

        // Turned off while it runs.
        let settings = place.path("page.toml");
        let text = fs::read_to_string(&settings).unwrap();
        fs::write(&settings, text.replace("picture = true", "picture = false")).unwrap();
        browser
            .until(
                "it to be off",
                "return document.getElementById('pictured').hidden && document.querySelector('#figure image') === null",
            )
            .await;
        assert_eq!(status(&browser, "/picture").await, 404);
        let before = health(&browser, "pictures_made").await;
        tokio::time::sleep(Duration::from_secs(1)).await;
        assert_eq!(health(&browser, "pictures_made").await, before);
        browser.until("the figure alone", FIGURE).await;
        browser.picture("cage_no_picture").await;

        // On again; then the daemon ends.
        fs::write(&settings, text).unwrap();
        browser.until("the picture again", PICTURE).await;
        drop(served);
        browser
            .until(
                "the screen to say so",
                "return !document.getElementById('away').hidden && document.querySelector('#figure image') === null",
            )
            .await;
        browser.close().await;
    });
}

#[cfg(unix)]
#[test]
fn that_the_picture_is_shown_is_told_at_the_terminal_and_nothing_of_it_is_stored() {
    let place = Place::new();
    let port = free_port();
    let page = format!("[page]\nlisten = \"127.0.0.1:{port}\"\n");
    let shown = format!("{page}picture = true\n");
    let watch = Watch::start(&place, &shown);
    watch.wait_for_words("THE CAMERA'S PICTURE IS SHOWN on the page's cage screen");
    watch.wait_for_words("page: http");
    let ask = || doors::ask(&format!("127.0.0.1:{port}"), "GET", "/picture", &[], "");
    watch.wait_for("a picture", || ask().contains("JFIF"));
    let answer = ask().to_lowercase();
    for header in [
        "content-type: image/jpeg",
        "cache-control: no-store",
        "cagehand-figure: {\"width\":",
    ] {
        assert!(answer.contains(header), "{header}");
    }
    let checked = place.run(&[
        "check",
        "--settings",
        "s.toml",
        "--clip",
        &recording("r03"),
        "--silent",
    ]);
    let told = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(
        told.contains("picture     THE CAMERA'S PICTURE IS SHOWN"),
        "{told}"
    );

    fs::write(
        place.path("s.toml"),
        format!("[pose]\nmodel = \"lite\"\n{page}"),
    )
    .unwrap();
    watch.wait_for_words("the camera's picture is not shown on the page any more");
    watch.wait_for_words("page.picture = false (was true)");
    assert_eq!(doors::status(&ask()), 404);
    watch.stop();
    for path in files(&place.path(".")) {
        let bytes = fs::read(&path).unwrap();
        let stored = bytes.windows(4).any(|part| part == b"JFIF");
        assert!(!stored, "{}", path.display());
    }
}

/// Whether the film of rep N shows the picture that is nearest to the figure's time, or none where none is near.
fn in_step(rep: u32) -> String {
    format!(
        "return Promise.all(['/reps/{rep}/data', '/reps/{rep}/film'].map((a) => fetch(a).then((r) => r.json()))).then(([rep, film]) => {{
           const at = rep.times[Number(document.getElementById('player').dataset.frame)];
           const far = (i) => Math.abs(film.times[i] - at);
           const near = film.times.reduce((best, _, i) => far(i) < far(best) ? i : best, 0);
           const layer = document.querySelector('#stage .film');
           const seen = [...layer.querySelectorAll('image[visibility=visible]')].map((i) => i.getAttribute('href'));
           return far(near) <= 0.05 ? layer.dataset.shown === String(near) && seen.join() === `/reps/{rep}/film/${{near}}.jpg` : seen.length === 0;
         }})"
    )
}

const FILMS: &str = "return document.querySelectorAll('#stage image[visibility=visible]').length";

/// The page of a rep with its film; each step goes on where the one before left the browser.
struct FilmedRep<'a> {
    browser: &'a Browser,
    address: &'a str,
    store: FilmStore,
}

impl FilmedRep<'_> {
    fn rep(&self, number: u32) -> String {
        format!("{}/reps/{number}", self.address)
    }

    async fn films(&self, count: usize) {
        self.browser
            .until("pictures of films", &format!("{FILMS} === {count}"))
            .await;
    }

    async fn shows_the_film_of_a_rep(&self) {
        let browser = self.browser;
        browser.open(&self.rep(1)).await;
        self.films(1).await;
        browser.until("the figure's own moment", &in_step(1)).await;
        browser.picture("rep_film").await;
        no_barriers(browser, "a rep with its film").await;
        // Film and landmarks are of the same frames on the same axis.
        let apart = browser
            .ask(
                "return Promise.all(['/reps/1/data', '/reps/1/film'].map((a) => fetch(a).then((r) => r.json()))).then(([rep, film]) =>
                   Math.max(...film.times.filter((t) => t > rep.times[0] && t < rep.times.at(-1)).map((t) => Math.min(...rep.times.map((u) => Math.abs(t - u))))))",
            )
            .await;
        assert!(apart.as_f64().unwrap() < 0.001, "{apart} s");
    }

    async fn keeps_in_step(&self) {
        let browser = self.browser;
        // As it is scrubbed, stepped through and played, in the stretch and beyond its ends.
        let scrub = async |share: f64| {
            let script = format!(
                "const s = document.getElementById('scrub'); s.value = Math.round({share} * s.max); s.dispatchEvent(new Event('input'))"
            );
            browser.ask(&script).await;
            browser.until("it scrubbed", &in_step(1)).await;
        };
        for share in [0.0, 0.4, 0.42, 1.0, 0.3] {
            scrub(share).await;
        }
        for key in ["ArrowRight", "ArrowRight", "ArrowLeft"] {
            let press = format!(
                "document.body.dispatchEvent(new KeyboardEvent('keydown', {{ key: '{key}', bubbles: true }}))"
            );
            browser.ask(&press).await;
            browser.until("a step", &in_step(1)).await;
        }
        scrub(0.0).await;
        browser.click("#play").await;
        browser
            .until(
                "it to play on",
                "return Number(document.getElementById('player').dataset.frame) > 3",
            )
            .await;
        // A touch of the scrubber ends it.
        scrub(0.5).await;
        let kept = browser
            .ask("return document.querySelectorAll('#stage image').length")
            .await;
        assert!(kept.as_u64().unwrap() <= 70, "{kept}");
    }

    async fn sends_the_film_s_own_pictures(&self) {
        let browser = self.browser;
        // The pictures are the film's own, and no browser keeps them.
        let mut film = Film::open(&self.store.path(1, 1)).unwrap();
        let sent = browser
            .ask(
                "return fetch('/reps/1/film/3.jpg').then(async (r) => [r.headers.get('content-type'), r.headers.get('cache-control'), (await r.arrayBuffer()).byteLength])",
            )
            .await;
        assert_eq!(
            sent,
            serde_json::json!(["image/jpeg", "no-store", film.jpeg(3).unwrap().len()])
        );
        let beyond = format!("/reps/1/film/{}.jpg", film.frames());
        for address in [beyond.as_str(), "/reps/1/film/3.png", "/reps/1/film/-1.jpg"] {
            assert_eq!(status(browser, address).await, 404, "{address}");
        }
    }

    async fn turns_off_and_lies_beside_another(&self) {
        let browser = self.browser;
        browser.click("#film").await;
        self.films(0).await;
        assert_eq!(
            browser
                .find("#film")
                .await
                .attr("aria-pressed")
                .await
                .unwrap()
                .as_deref(),
            Some("false")
        );
        browser.click("#film").await;
        self.films(1).await;

        browser.open(&format!("{}?with=2", self.rep(1))).await;
        self.films(2).await;
        browser.picture("rep_film_beside").await;
        no_barriers(browser, "two films").await;
        browser.click("#layout [data-layout=over]").await;
        self.films(1).await;
        browser.until("the first rep's film", &in_step(1)).await;
        browser.picture("rep_film_over").await;
        no_barriers(browser, "one film under two figures").await;
    }

    async fn is_told_where_damaged_or_gone(&self) {
        let browser = self.browser;
        // Cut short, then deleted.
        let path = self.store.path(1, 1);
        let whole = fs::read(&path).unwrap();
        fs::write(&path, &whole[..whole.len() / 2]).unwrap();
        for (now, says) in [
            ("damaged", "The video of this rep is damaged"),
            ("deleted", "There is no video of this rep."),
        ] {
            browser.open(&self.rep(1)).await;
            browser
                .until(
                    "the figure alone",
                    "return document.querySelectorAll('#stage .sticks line').length > 8",
                )
                .await;
            let text = browser.text("#player").await;
            assert!(text.contains(says), "{now}: {text}");
            let button = "return document.getElementById('film') === null";
            assert_eq!(browser.ask(button).await, true, "{now}");
            for address in ["/reps/1/film", "/reps/1/film/0.jpg"] {
                assert_eq!(status(browser, address).await, 404, "{now}: {address}");
            }
            no_barriers(browser, now).await;
            let _ = fs::remove_file(&path);
        }
        assert_eq!(status(browser, "/reps/99/film").await, 404);
    }

    async fn goes_while_somebody_looks(&self) {
        let browser = self.browser;
        // Deleted while somebody looks at it.
        browser.open(&self.rep(2)).await;
        self.films(1).await;
        fs::remove_file(self.store.path(1, 2)).unwrap();
        browser
            .ask("const s = document.getElementById('scrub'); s.value = 5; s.dispatchEvent(new Event('input'))")
            .await;
        browser
            .until(
                "the page to say so",
                "return !document.getElementById('film-lost').hidden && document.querySelector('#stage image') === null",
            )
            .await;
    }
}

#[test]
fn a_reps_film_is_in_step_with_its_figure_and_one_that_is_gone_or_damaged_is_told() {
    block_on(async {
        let place = Place::new();
        let clip = recording("left_60fps_faults");
        let kept = "[video]\nkeep = true\n";
        let served = Served::start(&place, &clip, kept, &["--loops", "20"]);
        let browser = Browser::start(1280, 1000).await;
        browser.open(&format!("{}/owner", served.address)).await;
        until_health(&browser, "video_films", 2).await;
        let film = FilmedRep {
            browser: &browser,
            address: &served.address,
            store: FilmStore::of_journal(&place.path("page.db")),
        };
        film.shows_the_film_of_a_rep().await;
        film.keeps_in_step().await;
        film.sends_the_film_s_own_pictures().await;
        film.turns_off_and_lies_beside_another().await;
        film.is_told_where_damaged_or_gone().await;
        film.goes_while_somebody_looks().await;
        browser.close().await;
    });
}
