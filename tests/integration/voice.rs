//! A coach's own words: recorded at the page, heard from the next cue on, deleted again.

use std::collections::BTreeSet;
use std::io::Cursor;
use std::time::Duration;

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};

use super::browser::{Browser, Served, block_on};
use super::doors::{ask, ask_bytes, status, visit};
use super::program::{PATIENCE, Place, recording, replayed};

/// No tone of the program's and no voice is this steady.
const OWN_HZ: f64 = 777.0;

/// Half a second of the tone, too quiet, with silence around it, as a recorder makes it.
fn own_recording() -> Vec<u8> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut file = Cursor::new(Vec::new());
    let mut wav = WavWriter::new(&mut file, spec).unwrap();
    for index in 0..44_100 {
        let secs = f64::from(index) / 44_100.0;
        let heard = (0.2..0.7).contains(&secs);
        let value = 900.0 * (secs * OWN_HZ * std::f64::consts::TAU).sin();
        wav.write_sample(if heard { value as i16 } else { 0 })
            .unwrap();
    }
    wav.finalize().unwrap();
    file.into_inner()
}

/// How much of each tenth of a second is that tone: the share of its power.
fn shares(wav: &[u8]) -> Vec<f64> {
    let mut reader = WavReader::new(Cursor::new(wav)).unwrap();
    let rate = f64::from(reader.spec().sample_rate);
    assert_eq!((rate, reader.spec().channels), (48_000.0, 1));
    let samples: Vec<f64> = reader
        .samples::<i16>()
        .map(|sample| f64::from(sample.unwrap()))
        .collect();
    samples
        .chunks_exact(4800)
        .map(|part| {
            let turn = |index: usize| index as f64 * OWN_HZ / rate * std::f64::consts::TAU;
            let sum = |f: fn(f64) -> f64| -> f64 {
                let turned = part.iter().enumerate();
                turned.map(|(index, sample)| sample * f(turn(index))).sum()
            };
            let power: f64 = part.iter().map(|sample| sample * sample).sum();
            let of_tone = sum(f64::sin).powi(2) + sum(f64::cos).powi(2);
            match power > 4800.0 {
                true => 2.0 * of_tone / (power * part.len() as f64),
                false => 0.0,
            }
        })
        .collect()
}

fn has_own(wav: &[u8]) -> bool {
    shares(wav)
        .windows(3)
        .any(|parts| parts.iter().all(|share| *share > 0.9))
}

/// The coach at the machine.
struct Coach {
    address: String,
    cookie: String,
    token: String,
}

impl Coach {
    fn at(served: &Served) -> Self {
        let page = ask(&served.address, "GET", "/cues", &[], "");
        assert_eq!(status(&page), 200, "{page}");
        let (cookie, token) = visit(&page);
        Self {
            address: served.address.clone(),
            cookie,
            token,
        }
    }

    fn page(&self) -> String {
        ask(&self.address, "GET", "/cues", &[&self.cookie], "")
    }

    fn heard(&self, id: &str) -> Vec<u8> {
        let path = format!("/cues/{id}/sound");
        let answer = ask_bytes(&self.address, "GET", &path, &[&self.cookie], b"");
        let body = answer.windows(4).position(|four| four == b"RIFF").unwrap();
        answer[body..].to_vec()
    }

    fn record(&self, id: &str, words: &str) -> String {
        let token = format!("cagehand-token: {}", self.token);
        let headers = [&*self.cookie, &token, "Content-Type: audio/wav"];
        let path = format!("/cues/{id}?words={words}");
        let answer = ask_bytes(&self.address, "POST", &path, &headers, &own_recording());
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn post(&self, path: &str, form: &str) -> u16 {
        let body = format!("token={}&{form}", self.token);
        status(&ask(&self.address, "POST", path, &[&self.cookie], &body))
    }
}

#[test]
fn a_recorded_cue_is_heard_shown_and_gone_again_when_it_is_dropped() {
    let place = Place::new();
    let served = Served::start_page(&place, "");
    let coach = Coach::at(&served);
    let shipped = coach.heard("head_forward");
    assert!(!has_own(&shipped));
    let instruction = coach.heard("do_head_forward");
    assert!(
        coach
            .page()
            .contains("<strong lang=\"en\">head drifted forward</strong>")
    );

    let recorded = coach.record("head_forward", "quiet%20head");
    assert_eq!(status(&recorded), 204, "{recorded}");
    let own = coach.heard("head_forward");
    assert!(has_own(&own), "{:?}", shares(&own));
    // The tone of a fault is still before it, and the other list is as it was.
    let begin = |wav: &[u8]| wav[44..44 + 9600].to_vec();
    assert!(begin(&own) == begin(&shipped));
    assert!(coach.heard("do_head_forward") == instruction);
    let page = coach.page();
    assert!(
        page.contains("<strong lang=\"en\">quiet head</strong>"),
        "{page}"
    );
    assert!(page.contains("recorded by this machine"), "{page}");
    let screen = ask(&coach.address, "GET", "/", &[&coach.cookie], "");
    assert!(screen.contains("quiet head") && !screen.contains("head drifted forward"));
    // Whoever reads another language than the one that is heard reads what they can read.
    let spanish = ["Accept-Language: es", coach.cookie.as_str()];
    assert!(!ask(&coach.address, "GET", "/", &spanish, "").contains("quiet head"));
    let folder = place.path("page.cues").join("en");
    assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 2);

    assert_eq!(
        coach.post("/cues/head_forward/words", "words=eyes+still"),
        303
    );
    assert!(
        coach
            .page()
            .contains("<strong lang=\"en\">eyes still</strong>")
    );
    assert!(coach.heard("head_forward") == own);
    assert_eq!(coach.post("/cues/head_forward/drop", ""), 303);
    assert!(coach.heard("head_forward") == shipped);
    assert!(!folder.exists());
    let screen = ask(&coach.address, "GET", "/", &[&coach.cookie], "");
    assert!(screen.contains("head drifted forward"));
}

#[cfg(unix)]
#[test]
fn a_running_daemon_says_the_next_cue_in_the_coachs_voice() {
    let place = Place::new();
    let heard = place.path("heard.wav");
    let clip = "left_60fps_faults";
    let served = Served::start_heard(
        &place,
        &recording(clip),
        heard.to_str().unwrap(),
        "",
        &["--loops", "30"],
    );
    let coach = Coach::at(&served);
    // Which cues this hitter hears.
    let run = replayed(clip, "lite", 168);
    let cues: BTreeSet<&str> = run
        .get()
        .unwrap()
        .reps
        .iter()
        .filter_map(|rep| rep["cue"]["id"].as_str())
        .collect();
    let spoken = cues.iter().filter(|id| **id != "in_band");
    assert!(spoken.clone().count() > 0, "{cues:?}");
    for id in spoken {
        assert_eq!(status(&coach.record(id, "")), 204, "{id}");
    }
    let begun = std::time::Instant::now();
    let has_it = || std::fs::read(&heard).is_ok_and(|wav| wav.len() > 10_000 && has_own(&wav));
    while !has_it() {
        assert!(begun.elapsed() < PATIENCE, "the cue of before goes on");
        std::thread::sleep(Duration::from_millis(250));
    }
    served.end();
    // A broken list costs the own words and no run.
    let list = place.path("page.cues").join("en").join("phrases.toml");
    std::fs::write(&list, "no list").unwrap();
    let again = place.path("again.wav");
    place.run_well(&[
        "replay",
        run.get().unwrap().track(),
        "--pace",
        "fast",
        "--journal",
        "page.db",
        "--sound",
        again.to_str().unwrap(),
    ]);
    assert!(!has_own(&std::fs::read(&again).unwrap()));
}

#[test]
fn a_coach_records_in_the_browser_and_goes_back_by_the_keyboard() {
    block_on(async {
        let place = Place::new();
        let served = Served::start_page(&place, "");
        let browser = Browser::start(1280, 900).await;
        browser.open(&format!("{}/cues", served.address)).await;
        browser.click("#cue-head_forward summary").await;
        browser.find("#cue-head_forward .record:enabled").await;
        assert_eq!(browser.barriers().await, Vec::<String>::new());
        browser.click("#cue-head_forward .record").await;
        browser
            .until(
                "a recording",
                "return document.querySelector('#cue-head_forward .record').getAttribute('aria-pressed') === 'true'",
            )
            .await;
        browser.picture("voice_recording").await;
        // The browser's own microphone beeps twice a second.
        tokio::time::sleep(Duration::from_millis(1100)).await;
        browser.click("#cue-head_forward .record").await;
        browser.find("#cue-head_forward .try:enabled").await;
        browser.click("#cue-head_forward .try").await;
        let words = browser.find("#words-head_forward").await;
        words.clear().await.unwrap();
        words.send_keys("quiet head").await.unwrap();
        browser.click("#cue-head_forward .use").await;
        browser
            .until(
                "the own cue, and the reader where it is",
                "return document.querySelector('#cue-head_forward strong').textContent === 'quiet head' \
                 && document.activeElement === document.querySelector('#cue-head_forward .hear')",
            )
            .await;
        browser.picture("voice_own").await;
        assert_eq!(browser.barriers().await, Vec::<String>::new());
        // The audio that is asked for may be played under the page's own policy.
        let lasts = browser
            .client
            .execute_async(
                "const done = arguments[arguments.length - 1];
                 const sound = new Audio('/cues/head_forward/sound');
                 sound.onloadedmetadata = () => done(sound.duration); sound.onerror = () => done(0); sound.load();",
                vec![],
            )
            .await
            .unwrap();
        let lasts = lasts.as_f64().unwrap();
        assert!((0.3..1.6).contains(&lasts), "{lasts}");
        // By the keyboard: the next control is the way back.
        let back = "#cue-head_forward form[action$=drop] button";
        browser
            .find(back)
            .await
            .send_keys("\u{e007}")
            .await
            .unwrap();
        browser
            .until(
                "the shipped cue",
                "return document.querySelector('#cue-head_forward strong').textContent === 'head drifted forward'",
            )
            .await;
        // What is chosen as a file goes the same way; what is no sound is told of in words.
        let file = place.path("own.wav");
        std::fs::write(&file, b"RIFF no sound").unwrap();
        browser.click("#cue-head_back summary").await;
        let chosen = browser.find("#cue-head_back input[type=file]").await;
        chosen.send_keys(file.to_str().unwrap()).await.unwrap();
        browser.click("#cue-head_back .use").await;
        browser
            .until(
                "why not",
                "return document.querySelector('#cue-head_back .state').textContent.includes('not a WAV or FLAC file')",
            )
            .await;
        std::fs::write(&file, own_recording()).unwrap();
        let chosen = browser.find("#cue-head_back input[type=file]").await;
        chosen.clear().await.ok();
        chosen.send_keys(file.to_str().unwrap()).await.unwrap();
        browser.click("#cue-head_back .use").await;
        browser.find("#cue-head_back form[action$=drop]").await;
        browser.close().await;
    });
}
