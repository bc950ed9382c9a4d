//! Who may use the machine's cores: what decodes or encodes frames announces it, and the pose stage's helpers give way.

pub(crate) use cagehand_networks::CoreBudget;
use std::sync::LazyLock;

/// The budget that this process's decoders and helpers share.
pub(crate) static BUDGET: LazyLock<CoreBudget> = LazyLock::new(CoreBudget::of_machine);
