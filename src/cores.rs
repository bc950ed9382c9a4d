//! The cores of this machine: whoever decodes or encodes a frame announces it, and the pose stage's helpers give way.
//!
//! One budget for the whole process, not a value that each camera, clip and film is handed: they all compete for the same
//! cores, and one that was left out would make the others' budgets wrong without anyone noticing. Worker pools do take
//! their budget as a value, so that tests can give them another.

use cagehand_networks::CoreBudget;
use std::sync::LazyLock;

/// The budget that this process's decoders, encoders and helpers share.
pub(crate) static BUDGET: LazyLock<CoreBudget> = LazyLock::new(CoreBudget::of_machine);
