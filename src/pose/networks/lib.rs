//! Runs the pose networks.

mod cores;
mod fused;
mod kernels;
mod layer;
mod lazy_conv;
mod matching;
mod network;
mod plan;
mod rewrite;
mod worker_pool;

pub use cores::{CoreBudget, UrgentWork, machine_cores};
pub use lazy_conv::OutputMap;
pub use network::{InferenceError, Network, Outputs};
pub use worker_pool::{Worker, WorkerPool};
