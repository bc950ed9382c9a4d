//! Which keys are good enough. Pure.
//!
//! In: a key that somebody wants to set or has typed. Out: why it will not do.

use std::collections::HashSet;
use std::ops::RangeInclusive;

/// Digits of a PIN.
const PIN_DIGITS: RangeInclusive<usize> = 6..=12;
/// Characters of a password, at least (OWASP ASVS 4.0.3, 2.1.1).
const MIN_PASSWORD: usize = 12;
/// How hard it must be to guess, on the estimator's scale of 0 to 4: beyond 10^8 guesses, more than anybody gets who holds the
/// hashes for a day and less than whoever has the page alone ever makes.
const MIN_STRENGTH: u8 = 3;
/// Bytes; hashing anything longer would only cost time.
pub(super) const MAX_BYTES: usize = 200;
/// Why a key is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Weakness {
    /// Too short, too long, or with other characters than digits.
    #[error("a PIN has 6 to 12 digits and nothing else")]
    PinLength,
    /// All the same, a run, or a part that is repeated.
    #[error(
        "a PIN of one digit, a run or a part that is repeated is guessed first; choose another"
    )]
    PinTrivial,
    /// Too short or too long.
    #[error("a password has 12 characters at least, and 200 at most")]
    PasswordLength,
    /// Common, or built the way that is guessed first.
    #[error(
        "this password is among those that are guessed first; three or four words that have nothing to do with each other are better"
    )]
    PasswordCommon,
    /// It holds the program's name, the account's or the PIN.
    #[error("a password must not hold the name of the program or of the coach, nor the PIN")]
    PasswordTelling,
}

/// Whether a PIN is good enough.
///
/// # Errors
/// Why not.
pub(crate) fn check_pin(pin: &str) -> Result<(), Weakness> {
    let digits: Vec<u8> = pin.bytes().map(|b| b.wrapping_sub(b'0')).collect();
    if !PIN_DIGITS.contains(&digits.len()) || digits.iter().any(|digit| *digit > 9) {
        return Err(Weakness::PinLength);
    }
    // One step from each digit to the next: 111111, 234567, 987654, 246802.
    let steps: HashSet<u8> = digits.windows(2).map(|d| (10 + d[1] - d[0]) % 10).collect();
    // 121212, 123123; pairs that are a run: 112233.
    let repeats =
        (1..=digits.len() / 2).any(|part| digits.iter().zip(&digits[part..]).all(|(a, b)| a == b));
    let doubled = digits.len().is_multiple_of(2) && digits.chunks(2).all(|d| d[0] == d[1]);
    const KEYPAD: [&str; 4] = ["147258", "159753", "258147", "246810"];
    if steps.len() == 1 || repeats || doubled || KEYPAD.contains(&pin) {
        return Err(Weakness::PinTrivial);
    }
    Ok(())
}

/// Whether a password of the account with this name is good enough.
///
/// # Errors
/// Why not.
pub(crate) fn check_password(password: &str, account: &str) -> Result<(), Weakness> {
    if password.chars().count() < MIN_PASSWORD || password.len() > MAX_BYTES {
        return Err(Weakness::PasswordLength);
    }
    let lower = password.to_lowercase();
    let account = account.to_lowercase();
    if lower.contains("cagehand") || (account.chars().count() >= 3 && lower.contains(&account)) {
        return Err(Weakness::PasswordTelling);
    }
    match password_strength(&lower, &account) < MIN_STRENGTH {
        true => Err(Weakness::PasswordCommon),
        false => Ok(()),
    }
}

/// How hard a password of this account is to guess, 0 to 4. The estimate (D. L. Wheeler, "zxcvbn: Low-Budget Password Strength Estimation",
/// USENIX Security 2016) knows common passwords, names, words, dates, runs and keyboards, mostly English ones.
pub(crate) fn password_strength(password: &str, account: &str) -> u8 {
    let telling = [account, "cagehand", "baseball", "softball"];
    u8::from(zxcvbn::zxcvbn(password, &telling).score())
}

/// The runs of digits in a password that may be a PIN.
pub(super) fn possible_pins(password: &str) -> impl Iterator<Item = &str> {
    password
        .split(|c: char| !c.is_ascii_digit())
        .filter(|digits| PIN_DIGITS.contains(&digits.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_has_six_digits_that_nobody_tries_first() {
        for short in [
            "",
            "1234",
            "24697",
            "1234567890123",
            "24697a",
            "２４６９７１",
            "24 971",
        ] {
            assert_eq!(check_pin(short), Err(Weakness::PinLength), "{short}");
        }
        for trivial in [
            "000000", "111111", "123456", "234567", "890123", "987654", "321098", "121212",
            "123123", "112233", "998877", "246802", "135791", "12341234", "147258", "77777777",
            "1212121",
        ] {
            assert_eq!(check_pin(trivial), Err(Weakness::PinTrivial), "{trivial}");
        }
        for good in ["246971", "830527", "1984061", "102938475610"] {
            assert_eq!(check_pin(good), Ok(()), "{good}");
        }
        // What is refused is a small part: the guesser's work stays what the digits promise.
        let refused = (0..1_000_000)
            .filter(|n| check_pin(&format!("{n:06}")).is_err())
            .count();
        assert!(refused < 5000, "{refused}");
    }

    #[test]
    fn a_password_has_twelve_characters_and_is_none_that_is_guessed_first() {
        let refused = |password: &str| check_password(password, "Maria").unwrap_err();
        for short in ["", "elevenchars", "ééééééééééé"] {
            assert_eq!(refused(short), Weakness::PasswordLength, "{short}");
        }
        assert_eq!(
            refused(&"long enough ".repeat(20)),
            Weakness::PasswordLength
        );
        for common in [
            "qwertyuiop12",
            "Password1234",
            "password!!!!!",
            "1q2w3e4r5t6y",
            "passwordpassword",
            "aaaaaaaaaaaa",
            "abababababab",
            "abcdefghijklm",
            "123456789012",
            "Baseball2026!",
            "dragon dragon dragon",
            "1234567890ab",
            "iloveyou12345",
        ] {
            assert_eq!(refused(common), Weakness::PasswordCommon, "{common}");
        }
        for telling in ["my cagehand page", "Cagehand-2026-x", "maria has nine bats"] {
            assert_eq!(refused(telling), Weakness::PasswordTelling, "{telling}");
        }
        for good in [
            "nine long innings",
            "correct horse battery",
            "Zaun Birne Lampe 7",
            "пятнадцать берёз",
            "k3#vT9!qLm2x",
        ] {
            assert_eq!(check_password(good, "Maria"), Ok(()), "{good}");
        }
        assert_eq!(
            password_strength("correct horse battery staple", "Maria"),
            4
        );
        assert_eq!(
            possible_pins("a246971b 12 and 83052799").collect::<Vec<_>>(),
            ["246971", "83052799"]
        );
    }
}
