//! Loads and runs the pose networks: an ONNX file in, then an image a run in and named float outputs out.
//!
//! A crate of its own because only it uses tract and unsafe code, and because its inner loops are too slow with debug
//! assertions, which the rest of the program keeps in development builds. It does not know what the numbers mean.
//!
//! # From file to result
//!
//! 1. **Load** ([`Network::from_bytes`]): tract reads the file and works out shapes and constants.
//! 2. **Match** (`matching`): convolutions, upsamplings, pools and additions that we can compute become layers; bias,
//!    residual and activation become part of the layer before them.
//! 3. **Rewrite** (`rewrite`): the layers become one operator in tract's graph, a `fused::FusedGraph`. tract runs what is
//!    left, mostly reshapes. Where the caller reads only single values of an output, its last convolution is left to
//!    [`OutputMap`].
//! 4. **Plan** (`plan`): the order in which tiles of feature maps are computed so that they stay in the cache, which of
//!    them may be computed at the same time, and where each map is stored. All memory is allocated here, once.
//! 5. **Run** ([`Network::run`]): the caller and the pool's helpers claim chunks of the plan; each task calls a kernel
//!    (`kernels`) on slices of the planned memory.
//!
//! # Layouts
//!
//! Images go in and maps come out row by row with the channels of a pixel adjacent (*channels last*, NHWC). Between layers
//! channels are in blocks of eight and rows in bands (*blocked*, see `kernels::Layout`): a register holds eight channels
//! of a pixel. A *tile* is some blocks of one band, and contiguous.
//!
//! # Threads
//!
//! A [`Network`] belongs to one thread at a time. A [`WorkerPool`] lends it helpers, which give way to urgent work that
//! others announce to the same [`CoreBudget`]. Every value is the same sum of the same products in the same order, on
//! whichever thread, so results do not depend on the number of threads.
//!
//! # Why the unsafe code is sound
//!
//! - `kernels`: each kernel checks the lengths of its slices against its sizes before it reads through pointers, and an
//!   instruction set can only be named on a machine that has it.
//! - `fused`: workers write different tiles of one buffer. The plan keeps the tiles of a stage apart and what a stage
//!   reads unwritten; tests replay the plans of all shipped networks and check exactly that (`plan::verify`).
//! - `worker_pool`: a job on the caller's stack is lent to helpers as a pointer, and taken back before the call returns,
//!   by a panic too.

mod cell_means;
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

pub use cell_means::{append_gray, color_means, gray_means};
pub use cores::{CoreBudget, UrgentWork, machine_cores};
pub use lazy_conv::OutputMap;
pub use network::{InferenceError, Network, Outputs};
pub use worker_pool::{Worker, WorkerPool};
