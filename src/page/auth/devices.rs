//! Marks of devices that were logged in before. A mark opens nothing: it only tells such a device's tries at logging in apart
//! from those of strangers. It is signed, together with the key of that login: another key makes the mark void.

use ring::hmac;

use super::credentials::{Credentials, Principal, hex, random_hex};
use super::login_throttle::Source;

/// A new mark for a device that has just logged in; one that it brings keeps its number. `None` where nothing can be signed.
pub(super) fn mark(before: Option<&str>, who: &Principal, keys: &Credentials) -> Option<String> {
    let number = match before.and_then(|mark| known(mark, keys)) {
        Some(Source::Device(number, _)) => number,
        _ => random_hex()?,
    };
    let tag = hmac::sign(&signer(keys)?, signed(&number, who, keys)?.as_bytes());
    Some(format!("{number}.{}", hex(tag.as_ref())))
}

/// The device of a mark that is right.
pub(super) fn known(mark: &str, keys: &Credentials) -> Option<Source> {
    let (number, tag) = mark.split_once('.')?;
    let tag: Vec<u8> = (0..tag.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(tag.get(at..at + 2)?, 16).ok())
        .collect::<Option<_>>()?;
    let signer = signer(keys)?;
    let who = keys.principals().find(|who| {
        signed(number, who, keys)
            .is_some_and(|text| hmac::verify(&signer, text.as_bytes(), &tag).is_ok())
    })?;
    Some(Source::Device(number.to_owned(), who))
}

fn signer(keys: &Credentials) -> Option<hmac::Key> {
    Some(hmac::Key::new(hmac::HMAC_SHA256, keys.secret()?.as_bytes()))
}

fn signed(number: &str, who: &Principal, keys: &Credentials) -> Option<String> {
    Some(format!("device\n{number}\n{who}\n{}", keys.proof(who)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_known_until_its_key_changes_and_cannot_be_made_up() {
        let dir = tempfile::tempdir().unwrap();
        let mut keys = Credentials::default();
        keys.set_pin(Some("246971")).unwrap();
        keys.set_password("Ana", Some("nine long innings")).unwrap();
        let coach = Principal::Coach("Ana".into());
        assert_eq!(mark(None, &coach, &keys), None, "no secret yet");
        keys.write(&dir.path().join("keys.toml")).unwrap();
        let first = mark(None, &Principal::Screen, &keys).unwrap();
        let Some(Source::Device(number, Principal::Screen)) = known(&first, &keys) else {
            panic!("{first}")
        };
        let promoted = mark(Some(&first), &coach, &keys).unwrap();
        assert_eq!(
            known(&promoted, &keys),
            Some(Source::Device(number.clone(), coach))
        );
        let tag = promoted.split_once('.').unwrap().1;
        for wrong in [
            "",
            ".",
            "x.y",
            &format!("0{number}.{tag}"),
            &format!("{number}.{tag}00"),
            &format!("{number}.é"),
        ] {
            assert_eq!(known(wrong, &keys), None, "{wrong}");
        }
        keys.set_password("Ana", Some("nine long innings")).unwrap();
        assert_eq!(known(&promoted, &keys), None);
        assert!(known(&first, &keys).is_some());
    }
}
