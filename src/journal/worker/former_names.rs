//! Names that hitters had while the program ran. A session that was asked for under one of them must not bring it back, which finding or
//! adding a hitter by name would do.

use std::collections::HashMap;
use std::hash::{BuildHasher, RandomState};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// Until when hitters had their former names; no name is kept, only a hash with a key of this run.
#[derive(Debug, Default)]
pub(in crate::journal) struct FormerNames {
    hasher: RandomState,
    until: Mutex<HashMap<u64, Instant>>,
}

impl FormerNames {
    fn until(&self) -> MutexGuard<'_, HashMap<u64, Instant>> {
        self.until.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn key(&self, name: &str) -> u64 {
        self.hasher.hash_one(name.trim())
    }

    /// Nobody has this name from now on, unless somebody is given it anew.
    pub(in crate::journal) fn note(&self, name: &str) {
        let key = self.key(name);
        self.until().insert(key, Instant::now());
    }

    /// Whether a hitter had the name until after that time.
    pub(in crate::journal) fn was_given_up(&self, name: &str, after: Instant) -> bool {
        let key = self.key(name);
        self.until().get(&key).is_some_and(|until| *until >= after)
    }
}
