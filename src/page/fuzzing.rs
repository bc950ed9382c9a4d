//! What the fuzz targets hold the page to: the readers of its file of keys and of its forms, which nothing else reaches from
//! outside. In: any bytes. A panic is a finding.

use serde::de::{DeserializeOwned, IgnoredAny};

use super::auth::{self, Credentials, form_in};
use super::i18n::Messages;
use super::pages::{cage, consents, corrections, cues, language, people, plans};
use crate::coach::Plan;
use crate::journal::{RepId, is_name};
use crate::rep::Bats;
use crate::rep::Lengths;
use crate::settings::is_height;
use crate::sound::Language;

/// The token that the forms carry.
const TOKEN: &str = "7c3a";

/// A file of keys: what is read is written as text that reads back as the same keys. Whatever is typed at a login, a key is as
/// long as it must be.
pub fn keys(text: &str) {
    if auth::check_pin(text).is_ok() {
        assert!((6..=12).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit()));
    }
    if auth::check_password(text, "Kim").is_ok() {
        assert!(text.len() <= 200 && text.chars().count() >= 12);
    }
    let keys = match Credentials::parse(text) {
        Ok(keys) => keys,
        Err(why) => return assert!(!why.is_empty()),
    };
    assert!(!keys.has_pin() || keys.proof(&auth::Principal::Screen).is_some());
    for (name, has_code) in keys.coaches() {
        assert!((1..=40).contains(&name.chars().count()), "{name:?}");
        assert!(!name.chars().any(char::is_control), "{name:?}");
        let who = auth::Principal::Coach(name.to_owned());
        let (proof, code) = (keys.proof(&who), keys.code(&who));
        assert!(proof.is_some_and(|hash| hash.starts_with("$argon2id$")));
        assert_eq!(code.is_some(), has_code);
        // Whatever its secret, no text that is not six digits is its code.
        let secret = code.unwrap_or_default();
        assert_eq!(auth::step_of(secret, "12345", 1_000_000, None), None);
    }
    let written = keys.to_text();
    let again = written.as_deref().map(Credentials::parse);
    assert!(
        matches!(&again, Ok(Ok(again)) if *again == keys),
        "keys cannot be read back: {written:?} {again:?}"
    );
}

/// The forms that the page is sent: nothing passes without its token, and what passes is what may be stored.
pub fn forms(body: &[u8]) {
    let unguessable = auth::random_hex().unwrap_or_default();
    assert!(form_in::<IgnoredAny>(body, &unguessable).is_err());
    let language = match body.len() % 2 {
        0 => Language::English,
        _ => Language::Spanish,
    };
    let i18n = Messages::of(language, Lengths::ALL[body.len() / 2 % 2]);
    if let Some(form) = sent::<cage::HitterForm>(body) {
        hitter(&form);
    }
    if let Some(form) = sent::<plans::PlanForm>(body) {
        plan(&form, i18n);
    }
    if let Some(form) = sent::<corrections::RepChangeForm>(body) {
        let _ = corrections::rep_change(&form, RepId::new(1), i18n);
    }
    if let Some(form) = sent::<corrections::MoveEventForm>(body)
        && let Ok((_, ms)) = corrections::event_and_time(&form)
    {
        assert!(ms.is_none_or(f64::is_finite));
    }
    if let Some(form) = sent::<cues::WordsForm>(body)
        && let Ok(Some(words)) = cues::words_of(&form)
    {
        assert!((1..=40).contains(&words.chars().count()), "{words:?}");
        assert!(!words.chars().any(char::is_control), "{words:?}");
    }
    let _ = sent::<corrections::NoteForm>(body);
    let _ = sent::<corrections::ReturnForm>(body);
    let _ = sent::<people::PersonForm>(body);
    let _ = sent::<people::GiveForm>(body);
    let _ = sent::<consents::ConsentForm>(body);
    let _ = sent::<people::DeleteForm>(body);
    let _ = sent::<language::LanguageForm>(body);
    let _ = sent::<auth::login::LoginForm>(body);
    if let Ok(path) = std::str::from_utf8(body) {
        redirect(path);
    }
}

/// The form that a page of ours sends with these fields.
fn sent<T: DeserializeOwned>(body: &[u8]) -> Option<T> {
    let token = format!("token={TOKEN}&");
    form_in(&[token.as_bytes(), body].concat(), TOKEN).ok()
}

fn hitter(form: &cage::HitterForm) {
    let Ok(hitter) = cage::new_hitter(form, Lengths::Metric) else {
        return;
    };
    if let Some(name) = &hitter.name {
        assert!(is_name(name), "{name:?}");
        assert_eq!(name.trim(), name);
    }
    assert!(hitter.height_cm.is_none_or(is_height));
    let fields = [
        ("name", hitter.name.clone()),
        (
            "bats",
            hitter.bats.map(|bats| match bats {
                Bats::Left => "left".to_owned(),
                Bats::Right => "right".to_owned(),
            }),
        ),
        ("height", hitter.height_cm.map(|cm| cm.to_string())),
    ];
    let again = serde_urlencoded::to_string(fields).ok();
    let again = again.and_then(|body| sent::<cage::HitterForm>(body.as_bytes()));
    let again = again.and_then(|form| cage::new_hitter(&form, Lengths::Metric).ok());
    assert!(
        again.is_some_and(|again| again.name == hitter.name
            && again.bats == hitter.bats
            && again.height_cm == hitter.height_cm),
        "a hitter is another one when the form is sent again"
    );
}

fn plan(form: &plans::PlanForm, i18n: &'static Messages) {
    for by_fields in [false, true] {
        let (plan, text) = match plans::plan_in(form, by_fields, i18n) {
            Ok(plan) => plan,
            Err(why) => {
                assert!(!why.is_empty());
                continue;
            }
        };
        assert!(
            Plan::parse(&text).is_ok_and(|again| again == plan),
            "{text}"
        );
        let name = plan.name.clone();
        let again = plans::through_fields(&plan, i18n).map(|again| Plan { name, ..again });
        assert!(
            matches!(&again, Ok(again) if *again == plan),
            "a plan is another one when its fields are sent again: {plan:?} {again:?}"
        );
    }
}

/// Where a form leads to is a path on this site, however a browser reads it.
fn redirect(sent: &str) {
    let path = language::same_site_path(Some(sent));
    let mut chars = path.chars();
    assert_eq!(chars.next(), Some('/'));
    assert!(!matches!(chars.next(), Some('/' | '\\')), "{path:?}");
    assert!(path.bytes().all(|b| (0x21..=0x7e).contains(&b)), "{path:?}");
}
