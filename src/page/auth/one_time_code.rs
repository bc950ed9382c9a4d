//! The second factor: codes of six digits that change every 30 seconds (RFC 6238, with HMAC-SHA-1 as the apps expect it).
//!
//! In: a secret of 160 bits and the wall clock. Out: whether a code is one of this half minute or of its neighbors.

use subtle::ConstantTimeEq;
use totp_rs::{Algorithm, TOTP};

/// Seconds that a code holds.
const STEP_SECS: u64 = 30;
const DIGITS: usize = 6;
/// Steps before and after this one that are taken, for clocks that differ.
const SKEW: u64 = 1;
/// Bytes of a secret (RFC 4226, 4: 160 bits are recommended).
const SECRET_BYTES: usize = 20;
/// What such a secret holds at least.
const MIN_SECRET_BYTES: usize = 16;

/// A new secret in base 32, as an app takes it. `None` where the system gives no random numbers.
pub(crate) fn new_secret() -> Option<String> {
    let mut bytes = vec![0u8; SECRET_BYTES];
    getrandom::fill(&mut bytes).ok()?;
    Some(generator(bytes).get_secret_base32())
}

/// Whether a text is a secret that codes can be made of: base 32, 128 bits at least (RFC 4226, 4).
pub(super) fn is_secret(text: &str) -> bool {
    bytes_of(text).is_some_and(|bytes| bytes.len() >= MIN_SECRET_BYTES)
}

fn bytes_of(secret: &str) -> Option<Vec<u8>> {
    totp_rs::Secret::Encoded(secret.to_owned()).to_bytes().ok()
}

/// The address of a secret, as apps read it from a picture or a link.
pub(crate) fn app_address(secret: &str, account: &str) -> String {
    let account: String = account
        .bytes()
        .map(|byte| match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => char::from(byte).to_string(),
            byte => format!("%{byte:02X}"),
        })
        .collect();
    format!("otpauth://totp/cagehand:{account}?secret={secret}&issuer=cagehand")
}

/// The half minute, counted from 1970, in which a code is right; it must be newer than the one that was used last, so that a
/// code that somebody overlooked opens nothing again (RFC 6238, 5.2).
pub(crate) fn step_of(secret: &str, typed: &str, unix_secs: u64, used: Option<u64>) -> Option<u64> {
    let generator = generator(bytes_of(secret)?);
    let typed: String = typed.chars().filter(|c| !c.is_whitespace()).collect();
    let now = unix_secs / STEP_SECS;
    (now.saturating_sub(SKEW)..=now + SKEW)
        .filter(|step| used.is_none_or(|used| *step > used))
        .find(|step| {
            let code = generator.generate(step * STEP_SECS);
            bool::from(code.as_bytes().ct_eq(typed.as_bytes()))
        })
}

fn generator(secret: Vec<u8>) -> TOTP {
    TOTP::new_unchecked(Algorithm::SHA1, DIGITS, 0, STEP_SECS, secret)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6238, appendix B, the rows of SHA1: secret "12345678901234567890"; six digits are the last of its eight.
    const PUBLISHED: [(u64, &str); 6] = [
        (59, "94287082"),
        (1_111_111_109, "07081804"),
        (1_111_111_111, "14050471"),
        (1_234_567_890, "89005924"),
        (2_000_000_000, "69279037"),
        (20_000_000_000, "65353130"),
    ];
    const SECRET: &str = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ";

    #[test]
    fn codes_are_those_of_the_standard() {
        for (at, eight) in PUBLISHED {
            let code = &eight[2..];
            assert_eq!(step_of(SECRET, code, at, None), Some(at / 30), "{at}");
            assert_eq!(
                step_of(SECRET, code, at + 30, None),
                Some(at / 30),
                "a slow clock"
            );
            assert_eq!(step_of(SECRET, code, at + 90, None), None, "too old");
            assert_eq!(step_of(SECRET, code, at, Some(at / 30)), None, "used");
            assert_eq!(
                step_of(SECRET, code, at + 30, Some(at / 30 + 1)),
                None,
                "older"
            );
            assert_eq!(
                step_of(SECRET, code, at - 30, None),
                Some(at / 30),
                "a fast clock"
            );
            assert_eq!(
                step_of(SECRET, code, at, Some(at / 30 - 1)),
                Some(at / 30),
                "the next"
            );
            assert_eq!(step_of(SECRET, eight, at, None), None);
            assert_eq!(step_of(SECRET, "", at, None), None);
        }
    }

    #[test]
    fn a_secret_is_new_each_time_and_an_app_can_read_it() {
        let (one, other) = (new_secret().unwrap(), new_secret().unwrap());
        assert!(one != other && one.len() == 32 && is_secret(&one));
        let longest_that_is_too_short = &one[..24];
        for broken in [
            "",
            "1",
            longest_that_is_too_short,
            &one.replace(&one[..1], "!"),
        ] {
            assert!(!is_secret(broken), "{broken}");
        }
        assert_eq!(
            app_address("ABC", "María 2"),
            "otpauth://totp/cagehand:Mar%C3%ADa%202?secret=ABC&issuer=cagehand"
        );
    }
}
