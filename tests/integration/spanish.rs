//! A reader of the Spanish page meets no English: every page, every error and every reason is looked at for English words.
//!
//! English words are those of the page's English list that its Spanish list does not use too, and common function words.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use cagehand::coach::QuietReason;
use cagehand::rep::{NotCountedReason, NotMeasured};

use super::browser::{Browser, Served, block_on};
use super::doors::{COACH_PASSWORD, ELSEWHERE, PIN, ask, set_key, status, visit};
use super::page::{filled, with_one_not_counted};
use super::program::{PATIENCE, Place, project};

/// Every address that answers with HTML, as `router()` has it, and the same with what stands in the test's journal.
const HTML: [(&str, &[&str]); 22] = [
    ("/", &["/"]),
    ("/hitters", &["/hitters"]),
    ("/owner", &["/owner"]),
    ("/today", &["/today", "/today?day=2020-01-01"]),
    ("/audit", &["/audit", "/audit?hitter=1"]),
    ("/logins", &["/logins"]),
    (
        "/sessions",
        &["/sessions", "/sessions?hitter=1", "/sessions?hitter=99"],
    ),
    (
        "/sessions/{id}",
        &[
            "/sessions/1",
            "/sessions/1?align=contact",
            "/sessions/1?marked=1",
            "/sessions/2",
        ],
    ),
    ("/sessions/{id}/delete", &["/sessions/1/delete"]),
    ("/people", &["/people"]),
    ("/people/{id}", &["/people/1"]),
    ("/people/{id}/delete", &["/people/1/delete"]),
    ("/sessions/{id}/sheet", &["/sessions/1/sheet"]),
    ("/sessions/{id}/log", &["/sessions/1/log"]),
    (
        "/trends",
        &[
            "/trends",
            "/trends?by=sessions",
            "/trends?by=months&measure=stride_length_cm",
            "/trends?hitter=99",
        ],
    ),
    (
        "/plans",
        &[
            "/plans",
            "/plans?start=foot%20down%20on%20time",
            "/plans?start=test%20round",
            "/plans?hitter=1&start=stay%20back",
        ],
    ),
    ("/cues", &["/cues"]),
    ("/cages", &["/cages"]),
    // An office's: read where there is one, in `facility`.
    ("/cages/{journal}/screen", &[]),
    ("/clips", &["/clips", "/clips?hitter=1"]),
    ("/reps/{id}", &["/reps/1", "/reps/2", "/reps/2?with=1"]),
    ("/not-counted/{id}", &["/not-counted/1"]),
];
/// The page for those who are not logged in.
const LOGIN: &str = "/door";
/// Addresses for programs and scripts: figures, files and pictures. Their words are those of files.
const NOT_HTML: [&str; 12] = [
    "/cages/{journal}/live",
    "/sessions/{id}/reps.csv",
    "/sessions/{id}/reps.jsonl",
    "/reps/{id}/data",
    "/reps/{id}/film",
    "/reps/{id}/film/{picture}",
    "/not-counted/{id}/data",
    "/cues/{id}/sound",
    "/clips/now",
    "/health",
    "/metrics",
    "/assets/{name}",
];

/// Words that are the same in both languages: the trade's in Latin America too, other Spanish words, abbreviations and units,
/// and names.
const LOANS: &str = "swing swings plan no a pose poses video videos tee n p final en es pin pc cm ms s h min km mph mb gb csv json wav flac mov mp ffmpeg javascript https lines c \
    cagehand kit";

/// Parts of a sentence that are a plan's text, which is a file format, or a command.
const VERBATIM: [&str; 4] = [
    "[bands]",
    "{ low = -4, high = 8 }",
    "cagehand settings",
    "cagehand facility set-up",
];

const FUNCTION_WORDS: &str = "the of not is with was were and for this that it you your are been on at from by or have had \
    will would can cannot but if then there here what when where why how who which while after before between into out up down \
    off over under again only very too than does did so such any all some each every other another more most less one two new \
    must needs need known";

type Texts = BTreeMap<String, String>;

fn words_of(text: &str) -> impl Iterator<Item = String> {
    text.split(|c: char| !c.is_alphabetic())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
}

/// The texts of a language by key: those of the page, and those of the cues.
fn texts(language: &str) -> Texts {
    let page = project(&format!("src/page/i18n/{language}.toml"));
    let mut texts: Texts = toml::from_str(&std::fs::read_to_string(page).unwrap()).unwrap();
    let cues = project(&format!("src/sound/assets/{language}/phrases.toml"));
    let cues: toml::Table = toml::from_str(&std::fs::read_to_string(cues).unwrap()).unwrap();
    for phrase in cues["phrase"].as_array().unwrap() {
        let text = |key: &str| phrase[key].as_str().unwrap().to_owned();
        texts.insert(format!("cue.{}", text("id")), text("words"));
    }
    texts
}

fn without_verbatim(text: &str) -> String {
    VERBATIM
        .iter()
        .fold(text.to_owned(), |text, part| text.replace(part, " "))
}

/// Words that only an English text has. A word that the Spanish text of a key shares with the English one is no proof that
/// it is Spanish: that entry may be the English text.
fn english_words(english: &Texts, spanish: &Texts) -> BTreeSet<String> {
    let spanish: BTreeSet<String> = spanish
        .iter()
        .flat_map(|(key, text)| {
            let same: BTreeSet<String> = words_of(english.get(key).map_or("", |t| t)).collect();
            let words: Vec<String> = words_of(&without_verbatim(text)).collect();
            words.into_iter().filter(move |word| !same.contains(word))
        })
        .collect();
    let loans: BTreeSet<String> = words_of(LOANS).collect();
    english
        .values()
        .flat_map(|text| words_of(text))
        .chain(words_of(FUNCTION_WORDS))
        .filter(|word| !spanish.contains(word) && !loans.contains(word))
        .collect()
}

/// What is read or read aloud of a page: its text, and the attributes that scripts and screen readers use. Parts that say
/// that they are in English are left out.
fn read_text(html: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = html;
    // The element in English that is open, and how many of its name are open within.
    let mut english: Option<(String, usize)> = None;
    while let Some(start) = rest.find('<') {
        if english.is_none() {
            found.push(unescaped(&rest[..start]));
        }
        let end = start + tag_length(&rest[start..]);
        let tag = &rest[start + 1..end - 1];
        rest = &rest[end..];
        let name: String = tag
            .trim_start_matches('/')
            .chars()
            .take_while(char::is_ascii_alphanumeric)
            .collect();
        match &mut english {
            Some((open, depth)) if *open == name => {
                if tag.starts_with('/') {
                    *depth -= 1;
                } else {
                    *depth += 1;
                }
            }
            None if tag.contains(" lang=\"en\"") => english = Some((name.clone(), 1)),
            _ => {}
        }
        if english.as_ref().is_some_and(|(_, depth)| *depth == 0) {
            english = None;
        } else if english.is_none() {
            attributes(tag, &mut found);
        }
        if name == "script" || name == "style" {
            rest = rest.find("</").map_or("", |close| &rest[close..]);
        }
    }
    found.push(unescaped(rest));
    found
}

/// The length of the tag that a text begins with: a `>` in quotes does not end it.
fn tag_length(text: &str) -> usize {
    let mut quoted = false;
    for (at, c) in text.char_indices() {
        match c {
            '"' => quoted = !quoted,
            '>' if !quoted => return at + 1,
            _ => {}
        }
    }
    text.len()
}

fn attributes(tag: &str, found: &mut Vec<String>) {
    for name in [
        "aria-label",
        "title",
        "alt",
        "placeholder",
        "data-play",
        "data-pause",
    ] {
        found.extend(attribute(tag, name));
    }
    if tag.contains("type=\"hidden\"") || tag.starts_with("option") || tag.starts_with("button") {
        return;
    }
    found.extend(attribute(tag, "value"));
    if let Some(messages) = attribute(tag, "data-words") {
        let messages: serde_json::Value = serde_json::from_str(&messages).unwrap();
        let texts = messages.as_object().unwrap().values();
        found.extend(texts.map(|text| text.as_str().unwrap().to_owned()));
    }
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    Some(unescaped(rest.split('"').next()?))
}

fn unescaped(text: &str) -> String {
    [
        ("&#34;", "\""),
        ("&quot;", "\""),
        ("&#39;", "'"),
        ("&#60;", "<"),
        ("&lt;", "<"),
        ("&#62;", ">"),
        ("&gt;", ">"),
        ("&#38;", "&"),
        ("&amp;", "&"),
    ]
    .iter()
    .fold(text.to_owned(), |text, (entity, c)| text.replace(entity, c))
}

/// Looks at texts for English words.
struct Reader {
    english: BTreeSet<String>,
    found: Vec<String>,
}

impl Reader {
    fn new() -> Self {
        let english = english_words(&texts("en"), &texts("es"));
        assert!(english.len() > 400, "{}", english.len());
        for word in ["the", "front", "foot", "hidden", "swung", "hitter", "play"] {
            assert!(english.contains(word), "{word}");
        }
        Self {
            english,
            found: Vec::new(),
        }
    }

    fn with(english: &Texts, spanish: &Texts) -> Self {
        Self {
            english: english_words(english, spanish),
            found: Vec::new(),
        }
    }

    fn read(&mut self, place: &str, text: &str) {
        let text = without_verbatim(text);
        // Paths, measure ids and settings keys are names.
        let is_name = |chunk: &str| {
            let inner = chunk.trim_end_matches(['.', ',', ';', ':', ')']);
            inner.contains(['_', '/', '\\']) && !inner.starts_with("km/h") || inner.contains('.')
        };
        let words: Vec<String> = text
            .split_whitespace()
            .filter(|chunk| !is_name(chunk))
            .flat_map(words_of)
            .filter(|word| self.english.contains(word))
            .collect();
        if !words.is_empty() {
            self.found
                .push(format!("{place}: {words:?} in {:?}", text.trim()));
        }
    }

    fn page(&mut self, place: &str, answer: &str) {
        let body = answer.split_once("\r\n\r\n").unwrap().1;
        assert!(body.contains("<html lang=\"es\">"), "{place}: {answer}");
        for text in read_text(body) {
            self.read(place, &text);
        }
    }

    /// An answer that is no page: an error in a line of text.
    fn error(&mut self, place: &str, expected: u16, answer: &str) {
        assert_eq!(status(answer), expected, "{place}: {answer}");
        let body = answer.split_once("\r\n\r\n").unwrap().1;
        assert!(body.trim().len() > 5, "{place}: {answer}");
        self.read(place, body);
    }

    fn assert_no_english(self) {
        assert!(self.found.is_empty(), "{:#?}", self.found);
    }
}

/// What a Spanish reader meets on these pages, by their address, is Spanish.
pub(crate) fn assert_spanish(pages: &[(&str, String)]) {
    let mut reader = Reader::new();
    for (place, answer) in pages {
        reader.page(place, answer);
    }
    reader.assert_no_english();
}

/// The page as a Spanish reader asks for it.
struct Site {
    address: String,
    cookie: String,
    token: String,
}

pub(crate) const SPANISH: &str = "Accept-Language: es-MX,es;q=0.9";

impl Site {
    fn new(served: &Served, first: &str, more: &[&str]) -> Self {
        let mut headers = vec![SPANISH];
        headers.extend(more);
        let answer = ask(&served.address, "GET", first, &headers, "");
        let (cookie, token) = visit(&answer);
        Self {
            address: served.address.clone(),
            cookie,
            token,
        }
    }

    fn get(&self, path: &str) -> String {
        ask(&self.address, "GET", path, &[SPANISH, &self.cookie], "")
    }

    fn post(&self, path: &str, form: &str) -> String {
        self.post_with(path, form, &[])
    }

    fn post_with(&self, path: &str, form: &str, more: &[&str]) -> String {
        let mut headers = vec![SPANISH, &self.cookie];
        headers.extend(more);
        let body = format!("token={}&{form}", self.token);
        ask(&self.address, "POST", path, &headers, &body)
    }
}

#[test]
fn every_route_is_listed_as_a_page_or_as_none() {
    let router = std::fs::read_to_string(project("src/page/mod.rs")).unwrap();
    let routes: BTreeSet<&str> = router
        .split(".route(\"")
        .skip(1)
        .filter(|rest| rest.split(".route(").next().unwrap().contains("get("))
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    assert!(routes.len() > 15, "{routes:?}");
    let listed: BTreeSet<&str> = HTML
        .iter()
        .map(|(route, _)| *route)
        .chain(NOT_HTML)
        .chain([LOGIN])
        .collect();
    assert_eq!(routes, listed);
}

/// Each entry of the Spanish list would be found if it were the English text.
#[test]
fn an_entry_that_is_left_in_english_is_found() {
    let (english, spanish) = (texts("en"), texts("es"));
    let mut same = Vec::new();
    for (key, text) in english.iter().filter(|(key, _)| spanish.contains_key(*key)) {
        let mut left = spanish.clone();
        left.insert(key.clone(), text.clone());
        let mut reader = Reader::with(&english, &left);
        reader.read(key, text);
        if reader.found.is_empty() {
            same.push(text.as_str());
        }
    }
    same.sort_unstable();
    same.dedup();
    let both = [
        "N",
        "Swings",
        "Video",
        "no plan",
        "plan",
        "pose",
        "swing",
        "swings",
        "video",
        "{} swing",
        "{} swings",
        "{} video, {} MB",
        "{} videos, {} MB",
    ];
    assert_eq!(same, both, "Spanish words too");
}

/// A journal with the reps of a recording, in which measures are missing for every reason.
fn fill(place: &Place) {
    filled(place);
    with_one_not_counted(place);
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    let mut names = journal
        .prepare("SELECT rep, name FROM measures ORDER BY rep DESC, name")
        .unwrap();
    let measures: Vec<(i64, String)> = names
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert!(measures.len() > NotMeasured::ALL.len() + 20);
    for (why, (rep, name)) in NotMeasured::ALL.iter().zip(measures) {
        journal
            .execute(
                "UPDATE measures SET value = NULL, plus_minus = NULL, confidence = NULL, verdict = NULL, why = ?1 \
                 WHERE rep = ?2 AND name = ?3",
                rusqlite::params![why.as_str(), rep, name],
            )
            .unwrap();
    }
}

#[test]
fn a_spanish_reader_meets_no_english_word() {
    let place = Place::new();
    fill(&place);
    let served = Served::start_page(&place, "[video]\nkeep = true\n");
    let mut reader = Reader::new();
    let site = Site::new(&served, "/sessions", &[]);
    pages(&mut reader, &site);
    reasons_for_silence(&mut reader, &site, &place);
    reasons_not_to_count(&mut reader, &site, &place);
    every_rep(&mut reader, &site, &place);
    hitters(&mut reader, &site);
    plans(&mut reader, &site);
    corrections(&mut reader, &site);
    refusals(&mut reader, &site);
    health_in_trouble(&mut reader, &site, &place);
    block_on(screens(&mut reader, &served));
    logins(&mut reader, &served, &place);
    // The journal is damaged last: nothing works after that. Without keys the coach's pages are open again.
    std::fs::remove_file(place.path("page-keys.toml")).unwrap();
    std::fs::remove_file(place.path("page.db")).unwrap();
    std::fs::write(place.path("page.db"), "no journal at all ".repeat(100)).unwrap();
    reader.error("a damaged journal", 503, &site.get("/sessions"));
    reader.assert_no_english();
}

fn pages(reader: &mut Reader, site: &Site) {
    for (_, paths) in HTML {
        for path in paths {
            let answer = site.get(path);
            assert_eq!(status(&answer), 200, "{path}: {answer}");
            reader.page(path, &answer);
        }
    }
}

fn reasons_for_silence(reader: &mut Reader, site: &Site, place: &Place) {
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    journal.busy_timeout(Duration::from_secs(5)).unwrap();
    for reason in QuietReason::ALL {
        journal
            .execute(
                "UPDATE reps SET cue = NULL, cue_at_secs = NULL, cue_latency_ms = NULL, no_cue = ?1 WHERE id = 1",
                [reason.as_str()],
            )
            .unwrap();
        reader.page(reason.as_str(), &site.get("/reps/1"));
    }
}

fn reasons_not_to_count(reader: &mut Reader, site: &Site, place: &Place) {
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    journal.busy_timeout(Duration::from_secs(5)).unwrap();
    for reason in NotCountedReason::ALL {
        journal
            .execute(
                "UPDATE not_counted SET reason = ?1 WHERE id = 1",
                [reason.as_str()],
            )
            .unwrap();
        reader.page(reason.as_str(), &site.get("/not-counted/1"));
    }
    // Made to count: the session and the rep say so.
    assert_eq!(status(&site.post("/not-counted/1/count", "")), 303);
    for path in ["/not-counted/1", "/sessions/2"] {
        reader.page(path, &site.get(path));
    }
    let made: i64 = journal
        .query_row(
            "SELECT counted_as FROM not_counted WHERE id = 1",
            [],
            |row| row.get(0),
        )
        .unwrap();
    let path = format!("/reps/{made}");
    reader.page(&path, &site.get(&path));
}

fn every_rep(reader: &mut Reader, site: &Site, place: &Place) {
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    let reps: i64 = journal
        .query_row("SELECT count(*) FROM reps WHERE session = 1", [], |row| {
            row.get(0)
        })
        .unwrap();
    assert!(reps > 2);
    for rep in 1..=reps {
        let path = format!("/reps/{rep}");
        reader.page(&path, &site.get(&path));
    }
}

fn hitters(reader: &mut Reader, site: &Site) {
    for form in [
        format!("name={}", "x".repeat(61)),
        "name=Kit&height=7".to_owned(),
        "name=Kit&height=alto".to_owned(),
    ] {
        let answer = site.post("/seat", &form);
        assert_eq!(status(&answer), 422, "{answer}");
        reader.page(&form, &answer);
    }
    let answer = site.post("/turns", "next=1");
    assert_eq!(status(&answer), 303, "{answer}");
}

const PLAN: &str = "name = \"x\"\nfocus = [\"head_drop_cm\"]\n[cues]\nwhen = \"faded\"\n";

fn plans(reader: &mut Reader, site: &Site) {
    let encoded = |text: &str| {
        text.replace('%', "%25")
            .replace('&', "%26")
            .replace('+', "%2B")
            .replace('=', "%3D")
            .replace('\n', "%0A")
            .replace(' ', "+")
    };
    for wrong in [
        "name = ".to_owned(),
        PLAN.replace("\"x\"", "\"\""),
        PLAN.replace("head_drop_cm", "luck"),
        PLAN.replace("faded", "every-nth"),
        format!("{PLAN}[bands]\nhead_drop_cm = {{ low = 5, high = 1 }}\n"),
        format!("{PLAN}[set]\nrest_secs = 60\n"),
        format!("{PLAN}[pitch]\nlevel = \"youth\"\nspeeds_mph = [500]\n"),
    ] {
        let answer = site.post("/plans", &format!("what=try&text={}", encoded(&wrong)));
        assert_eq!(status(&answer), 422, "{wrong}: {answer}");
        reader.page(&wrong, &answer);
    }
    let fields = "text=&name=x&when=faded&reps=0&rest_after=0&rest_secs=0&level=&speeds=&unit=mph";
    for wrong in [
        "place.head_drop_cm=eins",
        "",
        "place.head_drop_cm=1&rest_secs=60",
        "place.head_drop_cm=1&when=every-nth",
        "place.head_drop_cm=1&kind.head_drop_cm=fixed",
        "place.head_drop_cm=1&level=youth&speeds=500",
    ] {
        let (name, _) = wrong.rsplit_once('=').unwrap_or(("none", ""));
        let name = name.rsplit('&').next().unwrap();
        // The first of two fields of a name counts, so the right one is left out.
        let right: Vec<&str> = fields
            .split('&')
            .filter(|field| !field.starts_with(&format!("{name}=")))
            .filter(|field| !(wrong.contains("level=") && field.starts_with("level=")))
            .collect();
        let form = format!("what=try_fields&{}&{wrong}", right.join("&"));
        let answer = site.post("/plans", &form);
        assert_eq!(status(&answer), 422, "{wrong}: {answer}");
        reader.page(wrong, &answer);
    }
    let tried = site.post(
        "/plans",
        &format!("what=try&hitter=1&text={}", encoded(PLAN)),
    );
    assert_eq!(status(&tried), 200, "{tried}");
    reader.page("a plan that is tried", &tried);
    let template = PLAN.replace("\"x\"", "\"head still\"");
    for what in [
        format!("what=put&text={}", encoded(&template)),
        "what=drop&text=".to_owned(),
    ] {
        assert_eq!(status(&site.post("/plans", &what)), 303, "{what}");
        reader.page(&what, &site.get("/plans"));
        reader.page(&what, &site.get("/trends"));
    }
}

fn corrections(reader: &mut Reader, site: &Site) {
    for (path, form) in [
        ("/sessions/1/notes", "text="),
        ("/reps/1", "what=nada"),
        ("/reps/1/events", "what=move&event=nada"),
        ("/reps/1/events", "what=move&event=plant"),
        ("/reps/1/events", "what=move&event=plant&at_ms=99999"),
        ("/reps/1/events", "what=move&event=plant&at_ms=400"),
    ] {
        reader.error(&format!("{path} {form}"), 422, &site.post(path, form));
    }
    for form in ["what=mark", "what=take", "what=exclude"] {
        assert_eq!(status(&site.post("/reps/2", form)), 303);
    }
    assert_eq!(
        status(&site.post("/reps/2/events", "what=unseen&event=heel_rise")),
        303
    );
    for path in [
        "/reps/2",
        "/sessions/1",
        "/sessions/1?marked=1",
        "/sessions/1/sheet",
    ] {
        reader.page(path, &site.get(path));
    }
}

fn refusals(reader: &mut Reader, site: &Site) {
    let at = site.address.as_str();
    for (path, expected) in [
        ("/reps/99", 404),
        ("/sessions/99", 404),
        ("/reps/nada", 400),
        ("/sessions?hitter=nada", 400),
        ("/assets/nada", 404),
        ("/cues/nada/sound", 404),
    ] {
        reader.error(path, expected, &site.get(path));
    }
    let plain = |method: &str, path: &str, more: &[&str], body: &str| {
        let mut headers = vec![SPANISH];
        headers.extend(more);
        ask(at, method, path, &headers, body)
    };
    reader.error(
        "no session",
        403,
        &plain("POST", "/seat", &[], "token=0&name=x"),
    );
    reader.error(
        "another host",
        421,
        &plain("GET", "/", &["Host: evil.example"], ""),
    );
    let foreign = ["Origin: http://evil.example"];
    reader.error(
        "another site",
        403,
        &plain("POST", "/seat", &foreign, "name=x"),
    );
    reader.error("no keys yet", 403, &plain("GET", "/", &[ELSEWHERE], ""));
    reader.error(
        "a forwarder that is not named",
        403,
        &plain("GET", "/", &["Via: 1.1 somebody"], ""),
    );
    let text = ["Content-Type: text/plain"];
    reader.error("no form", 415, &plain("POST", "/seat", &text, "name=x"));
    let token = format!("cagehand-token: {}", site.token);
    let sound = |kind: &str, body: &str| {
        let kind = format!("Content-Type: {kind}");
        plain(
            "POST",
            "/cues/do_head_back",
            &[&site.cookie, &token, &kind],
            body,
        )
    };
    reader.error("no sound", 415, &sound("audio/mpeg", "x"));
    reader.error("a damaged sound", 422, &sound("audio/wav", "RIFF"));
    let large = "x".repeat(2_000_001);
    reader.error("a large sound", 413, &sound("audio/flac", &large));
    let long = format!("words={}", "x".repeat(41));
    reader.error(
        "many letters",
        422,
        &site.post("/cues/head_back/words", &long),
    );
    assert_eq!(
        status(&site.post("/cues/head_back/words", "words=quieto")),
        303
    );
    reader.page("words of a coach", &site.get("/cues"));
    let stale = plain("POST", "/seat", &[&site.cookie], "token=0&name=x");
    reader.error("an old form", 403, &stale);
    reader.error("half a form", 422, &site.post("/plans", "hitter=1"));
    let large = format!("name={}", "x".repeat(60_000));
    reader.error("a large form", 413, &site.post("/seat", &large));
}

fn health_in_trouble(reader: &mut Reader, site: &Site, place: &Place) {
    let file = place.path("page.toml");
    let settings = std::fs::read_to_string(&file).unwrap();
    let until = |edited: String, shows: &str| {
        std::fs::write(&file, edited).unwrap();
        let begun = Instant::now();
        loop {
            let page = site.get("/owner");
            if page.contains(shows) {
                return page;
            }
            assert!(begun.elapsed() < PATIENCE, "{shows}: {page}");
            std::thread::sleep(Duration::from_millis(100));
        }
    };
    let wrong = until(
        format!("{settings}luck = 1\n"),
        "configuración tiene un error",
    );
    reader.page("wrong settings", &wrong);
    let shown = until(
        settings.replace("[page]\n", "[page]\npicture = true\n"),
        "LA IMAGEN DE LA CÁMARA SE MUESTRA",
    );
    reader.page("the picture shown", &shown);
}

/// What scripts write: the cage's screen and the replay, as they are seen and as they are read aloud.
async fn screens(reader: &mut Reader, served: &Served) {
    let browser = Browser::start(1280, 900).await;
    browser.open(&served.address).await;
    browser.click(".language button").await;
    let spanish = "return document.documentElement.lang === 'es'";
    browser.until("Spanish", spanish).await;
    for (path, there) in [
        (
            "",
            "return document.getElementById('ready').dataset.state !== undefined",
        ),
        (
            "reps/1",
            "return document.querySelectorAll('#jumps button').length > 3",
        ),
    ] {
        browser.open(&format!("{}/{path}", served.address)).await;
        browser.until(path, there).await;
        browser
            .picture(&format!("spanish_{}", path.replace('/', "_")))
            .await;
        let seen = browser
            .ask("document.querySelectorAll('[lang=en]').forEach((e) => e.remove()); return document.body.innerText")
            .await;
        reader.read(&format!("/{path} as seen"), seen.as_str().unwrap());
        for (role, name) in browser.spoken().await {
            reader.read(&format!("/{path} as read aloud, {role}"), &name);
        }
    }
    browser.close().await;
}

fn logins(reader: &mut Reader, served: &Served, place: &Place) {
    set_key(place, "pin", PIN);
    set_key(place, "password", COACH_PASSWORD);
    let site = Site::new(served, LOGIN, &[ELSEWHERE]);
    let headers = [SPANISH, &site.cookie, ELSEWHERE];
    reader.page(LOGIN, &ask(&site.address, "GET", LOGIN, &headers, ""));
    let refused = site.post_with("/seat", "name=x", &[ELSEWHERE]);
    reader.error("no login", 403, &refused);
    for path in ["/health", "/live"] {
        let answer = ask(&site.address, "GET", path, &[SPANISH, ELSEWHERE], "");
        reader.error("from elsewhere", 403, &answer);
    }
    let keys = place.path("page-keys.toml");
    let right = std::fs::read_to_string(&keys).unwrap();
    let here = Site::new(served, LOGIN, &[]);
    std::fs::write(&keys, "pin = 3").unwrap();
    let answer = here.post(LOGIN, "key=1");
    reader.error("keys that cannot be read", 422, &answer);
    std::fs::write(&keys, right).unwrap();
    for expected in [403, 403, 403, 403, 403, 429] {
        let answer = site.post_with(LOGIN, "key=1111", &[ELSEWHERE]);
        assert_eq!(status(&answer), expected, "{answer}");
        reader.page("a wrong key", &answer);
    }
}
