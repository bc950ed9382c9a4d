//! Order of execution and memory of a fused graph, planned once when it is built.
//!
//! In: steps with their inputs, and the number of threads. Out: stages, and where each step's feature map is stored.
//!
//! A stage computes one map as a whole, in chunks that do not depend on each other. A map that only one other step reads
//! is never stored as a whole: each chunk computes of it what its own tiles need, tile by tile, in memory of its worker
//! that is soon overwritten, so that the data stays in the processor's cache. Large maps are split by bands of rows,
//! small ones by blocks of channels. Whole maps reuse the buffers of maps that are no longer read.

mod memory;

use super::kernels::{BLOCK, Layout, Tile};
use super::layer::Layer;
use std::ops::Range;

/// What a step reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Operand {
    /// The feature map of an earlier step.
    Step(usize),
    /// An input tensor of the fused graph.
    Tensor(usize),
}

/// A layer in its place in the graph.
#[derive(Debug)]
pub(super) struct Step {
    /// What is computed.
    pub layer: Layer,
    /// The main input, and the residual where there is one.
    pub inputs: Vec<Operand>,
    /// The feature map that is computed, as a whole.
    pub layout: Layout,
}

/// What a plan is made for.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlanOptions {
    /// Threads that share the work.
    pub threads: usize,
    /// Blocks of channels that a matrix product computes at once.
    pub panel_blocks: usize,
}

/// One tile of one step's feature map, to be computed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Task {
    /// The step.
    pub step: usize,
    /// The tile.
    pub tile: Tile,
}

/// Work that ends before the next stage starts.
#[derive(Debug)]
pub(super) struct Stage {
    /// Chunks that may run at the same time; a chunk is a list of tasks that one worker runs in order.
    pub chunks: Vec<Vec<Task>>,
}

/// Where a step's feature map is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Storage {
    /// As a whole in the buffer of this index.
    Buffer(usize),
    /// As a whole in the output tensor of this index among those that are written directly.
    Output(usize),
    /// A ring of bands in the worker's own memory, from this index on.
    Bands(usize),
    /// The chunk's blocks in the worker's own memory, from this index on.
    Blocks(usize),
}

/// Order of execution and memory of a fused graph.
#[derive(Debug)]
pub(super) struct Plan {
    /// The stages, in order.
    pub stages: Vec<Stage>,
    /// Where each step's feature map is stored.
    pub storage: Vec<Storage>,
    /// The layout of each step's feature map in its storage.
    layouts: Vec<Layout>,
    /// Floats of each buffer.
    pub buffer_lens: Vec<usize>,
    /// Floats of each worker's own memory.
    pub worker_len: usize,
}

/// Maps of fewer values are stored as a whole: the cache holds them anyway.
const SMALL_LEN: usize = 48 * 1024;
/// Maps of at most this many pixels are split by channels where the layer allows it.
const FEW_PIXELS: usize = 1024;
/// Maps of fewer bands per thread are stored as a whole: too many bands would be computed by two threads.
const MIN_BANDS: usize = 8;
/// Values of a streamed map that a chunk computes at a time: half of the first-level cache.
const STREAMED_LEN: usize = 4 * 1024;
/// Multiply-adds of a chunk, at least: some microseconds.
const MIN_MUL_ADDS: usize = 200_000;
/// Multiply-adds between channels that take as long as one within a channel.
const CHANNELWISE_COST: usize = 2;
/// Pixels that share a weight, below which loading the weights is what takes the time.
const WEIGHT_BOUND_PIXELS: usize = 8;
/// Chunks per thread, at most: with several, a thread that starts late leaves more of them to the others.
const MAX_CHUNKS: usize = 4;
/// The same where neighboring chunks compute some bands twice.
const MAX_CHUNKS_WITH_OVERLAP: usize = 2;

impl Plan {
    /// Plans the steps of a fused graph. The maps of `copied_outputs` are in buffers after the last stage, those of
    /// `direct_outputs` in output tensors.
    pub(super) fn new(
        steps: &[Step],
        copied_outputs: &[usize],
        direct_outputs: &[usize],
        options: PlanOptions,
    ) -> Self {
        let outputs = &[copied_outputs, direct_outputs].concat();
        let strategies = strategies(steps, outputs, options);
        let mut planner = Planner {
            steps,
            strategies: &strategies,
            options,
            ring_bands: vec![1; steps.len()],
        };
        let stages: Vec<_> = (0..steps.len())
            .filter(|step| matches!(strategies[*step], Strategy::Whole { .. }))
            .map(|step| planner.stage(step))
            .collect();
        let layouts: Vec<_> = steps
            .iter()
            .enumerate()
            .map(|(i, step)| match strategies[i] {
                Strategy::StreamBands => Layout {
                    held_bands: planner.ring_bands[i].min(step.layout.bands()),
                    ..step.layout
                },
                _ => step.layout,
            })
            .collect();
        let mut storage = vec![Storage::Buffer(0); steps.len()];
        for (nth, step) in direct_outputs.iter().enumerate() {
            storage[*step] = Storage::Output(nth);
        }
        let buffer_lens =
            memory::assign_buffers(steps, outputs, &stages, &layouts, &strategies, &mut storage);
        let worker_len = stages
            .iter()
            .map(|stage| memory::assign_worker_memory(stage, &layouts, &strategies, &mut storage))
            .max()
            .unwrap_or(0);
        Self {
            stages,
            storage,
            layouts,
            buffer_lens,
            worker_len,
        }
    }

    /// The layout of a step's feature map in its storage while a chunk computes some blocks.
    pub(super) fn layout(&self, step: usize, blocks: &Range<usize>) -> Layout {
        let layout = self.layouts[step];
        match self.storage[step] {
            Storage::Blocks(_) => Layout {
                blocks: blocks.len(),
                first_block: blocks.start,
                ..layout
            },
            Storage::Buffer(_) | Storage::Output(_) | Storage::Bands(_) => layout,
        }
    }
}

/// The steps whose feature maps a step reads.
fn input_steps(step: &Step) -> impl Iterator<Item = usize> {
    step.inputs.iter().filter_map(|operand| match operand {
        Operand::Step(input) => Some(*input),
        Operand::Tensor(_) => None,
    })
}

/// How a step's feature map is computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Strategy {
    /// Not at all: nobody reads it.
    Skip,
    /// As a whole in a stage of its own, split by blocks of channels or else by bands.
    Whole { by_blocks: bool },
    /// A few bands at a time, in the chunks of the only step that reads it.
    StreamBands,
    /// A few blocks at a time, in the chunks of the only step that reads it.
    StreamBlocks,
}

/// How each step's feature map is computed.
fn strategies(steps: &[Step], outputs: &[usize], options: PlanOptions) -> Vec<Strategy> {
    // Who reads each map, and as which input.
    let mut readers = vec![vec![]; steps.len()];
    for (reader, step) in steps.iter().enumerate() {
        for (nth, operand) in step.inputs.iter().enumerate() {
            if let Operand::Step(input) = operand {
                readers[*input].push((reader, nth));
            }
        }
    }
    let mut strategies = vec![Strategy::Skip; steps.len()];
    for (i, step) in steps.iter().enumerate().rev() {
        let layout = step.layout;
        let few = |layout: &Layout| layout.height * layout.width <= FEW_PIXELS;
        let few_read = || input_steps(step).all(|input| few(&steps[input].layout));
        let by_blocks =
            layout.bands() == 1 || (step.layer.is_channelwise() && few(&layout) && few_read());
        let whole = Strategy::Whole { by_blocks };
        readers[i].retain(|(reader, _)| strategies[*reader] != Strategy::Skip);
        strategies[i] = match readers[i][..] {
            _ if outputs.contains(&i) => whole,
            [] => Strategy::Skip,
            [(reader, nth)] => {
                let same_blocks = nth > 0 || steps[reader].layer.is_channelwise();
                let large =
                    layout.len() > SMALL_LEN && layout.bands() >= MIN_BANDS * options.threads;
                match strategies[reader] {
                    Strategy::Whole { by_blocks: true } | Strategy::StreamBlocks if same_blocks => {
                        Strategy::StreamBlocks
                    }
                    Strategy::Whole { by_blocks: false } | Strategy::StreamBands if large => {
                        Strategy::StreamBands
                    }
                    _ => whole,
                }
            }
            _ => whole,
        };
    }
    strategies
}

struct Planner<'a> {
    steps: &'a [Step],
    strategies: &'a [Strategy],
    options: PlanOptions,
    /// Bands of each streamed map that must be held at a time.
    ring_bands: Vec<usize>,
}

impl Planner<'_> {
    /// Splits the computation of a whole map into chunks.
    fn stage(&mut self, step: usize) -> Stage {
        let chunks = match self.strategies[step] {
            Strategy::Whole { by_blocks: true } => self.split_by_blocks(step),
            _ => self.split_by_bands(step),
        };
        Stage { chunks }
    }

    /// Chunks of some blocks of channels each.
    fn split_by_blocks(&self, step: usize) -> Vec<Vec<Task>> {
        let layout = self.steps[step].layout;
        let panel = self.options.panel_blocks;
        let streamed = input_steps(&self.steps[step])
            .find(|input| self.strategies[*input] == Strategy::StreamBlocks);
        let blocks = match streamed {
            // In smaller chunks it would be a hundredth slower.
            _ if self.options.threads == 1 => layout.blocks,
            Some(input) => {
                let once = self.steps[input].layout;
                (STREAMED_LEN / (once.bands() * once.block_stride()) / panel).max(1) * panel
            }
            None => {
                let chunks = self.max_chunks(step);
                layout.blocks.div_ceil(chunks).next_multiple_of(panel)
            }
        };
        ranges(layout.blocks, blocks)
            .map(|blocks| {
                let mut tasks = vec![];
                self.add_blocks(step, &blocks, &mut tasks);
                tasks
            })
            .collect()
    }

    /// Chunks of some bands of rows each.
    fn split_by_bands(&mut self, step: usize) -> Vec<Vec<Task>> {
        let bands = self.steps[step].layout.bands();
        let streamed = input_steps(&self.steps[step])
            .any(|input| self.strategies[input] == Strategy::StreamBands);
        let chunks = match (self.options.threads, streamed) {
            (1, _) => 1,
            // Neighboring chunks both compute some bands of the streamed maps.
            (threads, true) => MAX_CHUNKS_WITH_OVERLAP * threads,
            (_, false) => self.max_chunks(step),
        };
        ranges(bands, bands.div_ceil(chunks))
            .map(|bands| {
                let mut tasks = vec![];
                let mut next = vec![None; self.steps.len()];
                for band in bands {
                    self.add_band(step, band, &mut next, &mut tasks);
                }
                tasks
            })
            .collect()
    }

    /// The number of chunks into which computing a map is worth splitting.
    fn max_chunks(&self, step: usize) -> usize {
        let Step { layer, layout, .. } = &self.steps[step];
        let pixels = layout.height * layout.width;
        let mul_adds = match layer.is_channelwise() {
            // Each value is loaded for one multiply-add only.
            true => pixels * layer.mul_adds() * CHANNELWISE_COST,
            // With few pixels, loading the weights is what takes the time.
            false => pixels.max(WEIGHT_BOUND_PIXELS) * layer.mul_adds(),
        };
        (mul_adds * layout.blocks * BLOCK / MIN_MUL_ADDS)
            .clamp(1, MAX_CHUNKS * self.options.threads)
    }

    /// Adds the tasks for a band, after those for the bands of streamed maps that it needs and the chunk does not have yet;
    /// `next` is the next band of each of these maps.
    fn add_band(
        &mut self,
        step: usize,
        band: usize,
        next: &mut [Option<usize>],
        tasks: &mut Vec<Task>,
    ) {
        let layout = self.steps[step].layout;
        for (nth, operand) in self.steps[step].inputs.iter().enumerate() {
            let Operand::Step(input) = *operand else {
                continue;
            };
            if self.strategies[input] != Strategy::StreamBands {
                continue;
            }
            let from = self.steps[input].layout;
            let rows = if nth == 0 {
                let layer = &self.steps[step].layer;
                layer.rows_needed(layout.rows(band), from.height)
            } else {
                layout.rows(band)
            };
            let oldest = rows.start / from.band_rows;
            let mut done = next[input].unwrap_or(oldest);
            while done * from.band_rows < rows.end {
                self.add_band(input, done, next, tasks);
                done += 1;
            }
            next[input] = Some(done);
            self.ring_bands[input] = self.ring_bands[input].max(done.saturating_sub(oldest));
        }
        let blocks = 0..layout.blocks;
        let tile = Tile { band, blocks };
        tasks.push(Task { step, tile });
    }

    /// Adds the tasks for some blocks of all bands, after those for the same blocks of streamed maps.
    fn add_blocks(&self, step: usize, blocks: &Range<usize>, tasks: &mut Vec<Task>) {
        for input in input_steps(&self.steps[step]) {
            if self.strategies[input] == Strategy::StreamBlocks {
                self.add_blocks(input, blocks, tasks);
            }
        }
        for band in 0..self.steps[step].layout.bands() {
            let blocks = blocks.clone();
            let tile = Tile { band, blocks };
            tasks.push(Task { step, tile });
        }
    }
}

/// Splits `0..count` into ranges of this length, the last one maybe shorter.
fn ranges(count: usize, len: usize) -> impl Iterator<Item = Range<usize>> {
    (0..count)
        .step_by(len.max(1))
        .map(move |start| start..(start + len).min(count))
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod verify;
#[cfg(test)]
pub(super) use verify::verify;
