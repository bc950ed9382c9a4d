//! What the tests of this room share: a sound device made of memory, and where the energy of a sound lies.

pub(super) mod memory_device;
pub(super) mod spectrum;
