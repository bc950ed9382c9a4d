//! Hashes of keys: Argon2id (RFC 9106).
//!
//! In: what was typed, and a hash from the file of keys. Out: a new hash, or whether the two belong together. How long a check
//! takes stands in the hash itself, so one that would take long, as a damaged file's may, is no hash.

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Argon2, Params};

use super::strength::MAX_BYTES;

/// The most that checking one hash may cost: about ten times what a new one does.
const MAX_MEMORY_KIB: u32 = 64 * 1024;
const MAX_PASSES: u32 = 6;
const MAX_LANES: u32 = 4;

/// The hash of a key. `None` where the system gives no random numbers.
pub(super) fn hash(key: &str) -> Option<String> {
    let mut salt = [0u8; 16];
    getrandom::fill(&mut salt).ok()?;
    let salt = SaltString::encode_b64(&salt).ok()?;
    let hash = Argon2::default().hash_password(key.as_bytes(), &salt);
    hash.ok().map(|hash| hash.to_string())
}

/// Whether a text is a hash that a key can be checked against.
pub(super) fn is_hash(text: &str) -> bool {
    parse(text).is_some()
}

/// Whether a key is the one of a hash; as slow where there is none, so that the time gives nothing away.
pub(super) fn matches(stored: Option<&str>, typed: &str) -> bool {
    let Some(stored) = stored else {
        let _ = hash("no key is set");
        return false;
    };
    typed.len() <= MAX_BYTES
        && parse(stored).is_some_and(|stored| {
            let typed = typed.as_bytes();
            Argon2::default().verify_password(typed, &stored).is_ok()
        })
}

fn parse(text: &str) -> Option<PasswordHash<'_>> {
    let hash = PasswordHash::new(text).ok()?;
    let cost = Params::try_from(&hash).ok()?;
    let is_whole = hash.algorithm == argon2::ARGON2ID_IDENT && hash.hash.is_some();
    let is_cheap = cost.m_cost() <= MAX_MEMORY_KIB
        && cost.t_cost() <= MAX_PASSES
        && cost.p_cost() <= MAX_LANES;
    (is_whole && is_cheap && hash.salt.is_some()).then_some(hash)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_fits_its_key_alone_and_one_that_would_take_long_is_none() {
        let stored = hash("nine long innings").unwrap();
        assert!(is_hash(&stored) && matches(Some(&stored), "nine long innings"));
        assert!(!matches(Some(&stored), "nine long inning") && !matches(Some(&stored), ""));
        for (from, to) in [
            ("m=19456", "m=4294967295"),
            ("m=19456", "m=65537"),
            ("t=2", "t=4294967295"),
            ("t=2", "t=7"),
            ("p=1", "p=5"),
            ("argon2id", "argon2i"),
            ("argon2id", "scrypt"),
        ] {
            let other = stored.replacen(from, to, 1);
            assert_ne!(other, stored);
            let begun = std::time::Instant::now();
            assert!(!matches(Some(&other), "nine long innings"), "{to}");
            assert!(begun.elapsed().as_secs() < 5, "{to}");
        }
        for (from, to) in [("m=19456", "m=65536"), ("t=2", "t=6"), ("p=1", "p=4")] {
            assert!(is_hash(&stored.replacen(from, to, 1)), "{to}");
        }
        let (without_hash, _) = stored.rsplit_once('$').unwrap();
        let (without_salt, _) = without_hash.rsplit_once('$').unwrap();
        assert!(!is_hash(without_hash) && !is_hash(without_salt) && !is_hash(""));
    }
}
