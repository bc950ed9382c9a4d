//! A coach's own words: who may change them, and what is refused.

use super::*;
use crate::page::PageUse;

/// A third of a second of a tone.
fn wav() -> Vec<u8> {
    let steps = (0..16_000).map(|i| (9000.0 * (f64::from(i) * 0.06).sin()) as i16);
    let data: Vec<u8> = steps.flat_map(i16::to_le_bytes).collect();
    let mut file = b"RIFF".to_vec();
    file.extend((36 + data.len() as u32).to_le_bytes());
    file.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    file.extend([48_000_u32, 96_000].iter().flat_map(|n| n.to_le_bytes()));
    file.extend(b"\x02\0\x10\0data");
    file.extend((data.len() as u32).to_le_bytes());
    file.extend(data);
    file
}

impl Doors {
    fn send_sound(
        &self,
        by: &Browser,
        path: &str,
        token: &str,
        kind: &str,
        body: Vec<u8>,
    ) -> Answer {
        let request = Request::post(path)
            .header(CONTENT_TYPE, kind)
            .header("cagehand-token", token)
            .body(Body::from(body));
        self.send(by, request.unwrap())
    }

    fn own_cues(&self) -> Vec<String> {
        let sources = EmptyCage(self.journal()).cue_sources();
        let cues = sources.own().unwrap().list().unwrap();
        cues.into_iter()
            .map(|cue| cue.id + "=" + &cue.words)
            .collect()
    }
}

#[test]
fn a_coach_records_words_and_drops_a_cue_and_nobody_else_does() {
    let doors = Doors::locked();
    let screen = doors.logged_in(ELSEWHERE, PIN);
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let page = doors.get(&coach, "/cues");
    assert_eq!(page.status, StatusCode::OK);
    let policy = page.headers.get(CONTENT_SECURITY_POLICY).unwrap();
    assert!(policy.to_str().unwrap().contains("media-src 'self';"));
    let token = page.form_token();
    let screens_token = doors.get(&screen, "/hitters").form_token();
    let record = |by: &Browser, path: &str, token: &str, kind: &str, body: Vec<u8>| {
        let answer = doors.send_sound(by, path, token, kind, body);
        (answer.status.as_u16(), answer.text)
    };
    let path = "/cues/head_forward";
    for (by, token, kind, body, answered) in [
        (&Browser::at(ELSEWHERE), &*token, "audio/wav", wav(), 403),
        (&screen, &screens_token, "audio/wav", wav(), 403),
        (&coach, &screens_token, "audio/wav", wav(), 403),
        (&coach, &token[1..], "audio/wav", wav(), 403),
        (&coach, "", "audio/wav", wav(), 403),
        (&coach, &token, "audio/mpeg", wav(), 415),
        (
            &coach,
            &token,
            "application/x-www-form-urlencoded",
            wav(),
            415,
        ),
        (&coach, &token, "audio/wav", vec![0; 2_000_001], 413),
        (&coach, &token, "audio/wav", b"no sound".to_vec(), 422),
        (&coach, &token, "audio/flac", Vec::new(), 422),
    ] {
        let (status, text) = record(by, path, token, kind, body);
        assert_eq!(status, answered, "{kind}: {text}");
    }
    for unknown in [
        "/cues/luck",
        "/cues/in_band",
        "/cues/opening",
        "/cues/do_ready",
    ] {
        let (status, text) = record(&coach, unknown, &token, "audio/wav", wav());
        assert_eq!(status, 404, "{unknown}: {text}");
        let sound = doors.get(&coach, &format!("{unknown}/sound"));
        assert_eq!(sound.status, StatusCode::NOT_FOUND, "{unknown}");
    }
    let long = format!("{path}?words={}", "x".repeat(41));
    let (status, text) = record(&coach, &long, &token, "audio/wav", wav());
    assert_eq!((status, text.contains("40 letters")), (422, true), "{text}");
    assert_eq!(doors.own_cues(), [] as [&str; 0]);

    let (status, text) = record(&coach, path, &token, "audio/x-wav", wav());
    assert_eq!((status, text.as_str()), (204, ""));
    assert_eq!(doors.own_cues(), ["head_forward=head drifted forward"]);
    let sound = doors.get(&coach, "/cues/head_forward/sound");
    assert_eq!(sound.headers.get(CONTENT_TYPE).unwrap(), "audio/wav");
    let sound = doors.get(&screen, "/cues/head_forward/sound");
    assert_eq!(sound.status, StatusCode::SEE_OTHER);

    let form = |path: &str, rest: &str| {
        let answer = doors.post(&coach, path, &format!("token={token}&{rest}"));
        (answer.status.as_u16(), answer.location().to_owned())
    };
    let back = (303, "/cues#cue-head_forward".to_owned());
    assert_eq!(form("/cues/head_forward/words", "words=quiet+head"), back);
    assert_eq!(form("/cues/head_back/words", "words=stay+tall").0, 303);
    assert_eq!(
        doors.own_cues(),
        ["head_back=stay tall", "head_forward=quiet head"]
    );
    // An empty field, and the shipped words, leave nothing behind where nothing was recorded.
    assert_eq!(form("/cues/head_back/words", "words=+").0, 303);
    assert_eq!(form("/cues/head_forward/words", "words=").0, 303);
    assert_eq!(doors.own_cues(), ["head_forward=head drifted forward"]);
    assert_eq!(form("/cues/head_forward/drop", ""), back);
    assert_eq!(doors.own_cues(), [] as [&str; 0]);
    assert_eq!(form("/cues/luck/drop", "").0, 404);

    let entries = doors.entries(Act::ChangedCue, 6);
    let about: Vec<_> = entries
        .iter()
        .map(|e| e.detail.as_deref().unwrap())
        .collect();
    let (forward, back) = ("head_forward", "head_back");
    assert_eq!(about, [forward, forward, back, back, forward, forward]);
    let who = Actor::Coach(SHARED_ACCOUNT.to_owned());
    assert!(entries.iter().all(|entry| entry.who == who));
}

#[test]
fn a_journal_that_is_only_read_keeps_its_cues() {
    struct ReadOnly(EmptyCage);
    impl SessionControl for ReadOnly {
        fn purpose(&self) -> PageUse {
            PageUse::ReadOnlyReview
        }
        fn switch_hitter(&self, hitter: NewHitter) -> Result<(), SwitchError> {
            self.0.switch_hitter(hitter)
        }
        fn turns(&self) -> Vec<String> {
            self.0.turns()
        }
        fn change_turns(&self, change: TurnChange) -> Result<(), SwitchError> {
            self.0.change_turns(change)
        }
        fn asked(&self) -> Option<ShownHitter> {
            None
        }
        fn settings(&self) -> Settings {
            self.0.settings()
        }
        fn consents_changed(&self, _: bool) {}
        fn hitter_changed(&self, _: &str, _: Option<&str>) -> Result<(), SwitchError> {
            Ok(())
        }
        fn texts(&self) -> Vec<PathBuf> {
            Vec::new()
        }
        fn journal(&self) -> Option<PathBuf> {
            self.0.journal()
        }
        fn journal_writer(&self) -> Option<JournalHandle> {
            None
        }
        fn cue_sources(&self) -> CueSources {
            self.0.cue_sources()
        }
        fn cues_changed(&self) -> Result<(), SoundError> {
            Ok(())
        }
    }
    let mut doors = Doors::locked();
    doors.state.control = Arc::new(ReadOnly(EmptyCage(doors.journal())));
    doors.router = router(doors.state.clone());
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let page = doors.get(&coach, "/cues");
    assert!(!page.text.contains("/words\"") && page.text.contains("/sound\""));
    let token = doors.get(&coach, "/logins").form_token();
    let sent = doors.send_sound(&coach, "/cues/head_forward", &token, "audio/wav", wav());
    assert_eq!(sent.status, StatusCode::FORBIDDEN, "{}", sent.text);
    assert!(sent.text.contains("only read"), "{}", sent.text);
    assert_eq!(doors.own_cues(), [] as [&str; 0]);
}
