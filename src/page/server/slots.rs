//! How many may be in at one moment, of all and of one address.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use crate::page::auth::network;

/// Places that are taken and given back.
#[derive(Debug)]
pub(in crate::page) struct Slots {
    all: usize,
    taken: Mutex<HashMap<IpAddr, usize>>,
}

impl Slots {
    pub(in crate::page) fn new(all: usize) -> Self {
        Self {
            all,
            taken: Mutex::default(),
        }
    }

    /// Takes a place until the slot is dropped; `None` where all are taken, or `of_one` by this address.
    pub(in crate::page) fn take(self: &Arc<Self>, address: IpAddr, of_one: usize) -> Option<Slot> {
        let address = network(address);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.values().sum::<usize>() >= self.all {
            return None;
        }
        let own = taken.entry(address).or_default();
        if *own >= of_one {
            return None;
        }
        *own += 1;
        Some(Slot {
            of: Arc::clone(self),
            address,
        })
    }
}

/// A place that is taken.
#[derive(Debug)]
pub(in crate::page) struct Slot {
    of: Arc<Slots>,
    address: IpAddr,
}

impl Drop for Slot {
    fn drop(&mut self) {
        let mut taken = self.of.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = taken.get_mut(&self.address) {
            *own -= 1;
            if *own == 0 {
                taken.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_run_out_for_one_and_for_all_and_come_back() {
        let slots = Arc::new(Slots::new(5));
        let address = |n| IpAddr::from([192, 0, 2, n]);
        let of_one: Vec<Slot> = (0..9).filter_map(|_| slots.take(address(1), 3)).collect();
        assert_eq!(of_one.len(), 3);
        let of_others: Vec<Slot> = (2..9).filter_map(|n| slots.take(address(n), 3)).collect();
        assert_eq!(of_others.len(), 2);
        drop(of_one);
        assert!(slots.take(address(1), 3).is_some());
        drop(of_others);
        assert!(slots.taken.lock().unwrap().is_empty());
        // A machine has as many addresses of its IPv6 network as it likes.
        let v6 = |n| IpAddr::from([0x2001, 0xdb8, 0, 1, 0, 0, 0, n]);
        let held: Vec<Slot> = (0..9).filter_map(|n| slots.take(v6(n), 3)).collect();
        assert_eq!(held.len(), 3);
    }
}
