//! In which order a chain of works is done, what of it may be done at the same time, and where its pictures are kept.
//!
//! In: works with what they read, and how many threads there are. Out: stages, each of parts that do not wait for each
//! other, and the place of every picture. A stage makes one picture as a whole. Pictures on the way to it that only one
//! layer reads are never there as a whole: a part makes of them what its share of the stage's picture needs, tile by
//! tile, in memory of its thread that is soon overwritten, so that they stay in the processor's cache. Large pictures
//! are shared out by bands, small ones by channels. Whole pictures take over the memory of those that nobody needs any
//! more.

use super::kernels::{BLOCK, Layout, Tile};
use super::layer::Layer;
use std::ops::Range;

/// What a layer reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Operand {
    /// The picture that an earlier step made.
    Step(usize),
    /// A tensor that was given to the chain.
    Tensor(usize),
}

/// A layer and what it reads: the picture it works on, and maybe one that is added.
#[derive(Debug)]
pub(super) struct Step {
    /// What is done.
    pub layer: Layer,
    /// What is read, one or two.
    pub inputs: Vec<Operand>,
    /// The picture that is made.
    pub layout: Layout,
}

/// How a chain is to be planned.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlanOptions {
    /// Threads that layer on it.
    pub threads: usize,
    /// Blocks of channels that a matrix product makes at once.
    pub panel_blocks: usize,
}

/// A tile of a step's picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Task {
    /// The step.
    pub step: usize,
    /// What of its picture.
    pub tile: Tile,
}

/// Parts that may be done at the same time, each of tasks to be done in order.
#[derive(Debug)]
pub(super) struct Stage {
    /// The parts.
    pub parts: Vec<Vec<Task>>,
}

/// Where a step's picture is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    /// As a whole in this buffer.
    Whole(usize),
    /// As a whole where it is given out, the so-maniest of these pictures.
    Outside(usize),
    /// Some bands of it in the thread's own memory, from here on.
    Bands(usize),
    /// Some blocks of it in the thread's own memory, from here on.
    Blocks(usize),
}

/// Order and memory of a chain.
#[derive(Debug)]
pub(super) struct Plan {
    /// What is done, in order.
    pub stages: Vec<Stage>,
    /// Where each step's picture is kept.
    pub places: Vec<Place>,
    /// How each step's picture is held.
    layouts: Vec<Layout>,
    /// Values of each buffer.
    pub buffer_lens: Vec<usize>,
    /// Values of a thread's own memory.
    pub own_len: usize,
}

/// Pictures of fewer values are made whole: the cache holds them anyway.
const SMALL: usize = 48 * 1024;
/// Pictures of so many pixels at most are shared out by channels where the layer allows it.
const FEW_PIXELS: usize = 1024;
/// A picture of fewer bands a thread is made whole, because the bands that two threads both make would be too many.
const LEAST_BANDS: usize = 8;
/// Values of a picture on the way that a part makes at a time: half of the first-level cache.
const AT_ONCE: usize = 4 * 1024;
/// Products in a part, at least: some microseconds.
const LEAST_PRODUCTS: usize = 200_000;
/// How many products between channels take as long as one within a channel.
const CHANNELWISE: usize = 2;
/// Pixels for which a weight serves, below which it is the weights that take the time.
const WEIGHT_PIXELS: usize = 8;
/// Parts for each thread, at most: a thread that comes late leaves more of them to the others.
const PARTS: usize = 4;
/// The same where parts make some bands twice.
const PARTS_AGAIN: usize = 2;
/// Values of a line of the cache: pictures start at a multiple of it.
const LINE: usize = 16;

impl Plan {
    /// Plans a chain of which some steps' pictures must be there as a whole at the end, some of them outside its memory.
    pub(super) fn new(
        steps: &[Step],
        kept: &[usize],
        outside: &[usize],
        options: PlanOptions,
    ) -> Self {
        let kept = &[kept, outside].concat();
        let ways = ways(steps, kept, options);
        let mut planner = Planner {
            steps,
            ways: &ways,
            options,
            held: vec![1; steps.len()],
        };
        let stages: Vec<_> = (0..steps.len())
            .filter(|step| matches!(ways[*step], Strategy::Whole { .. }))
            .map(|step| planner.stage(step))
            .collect();
        let layouts: Vec<_> = steps
            .iter()
            .enumerate()
            .map(|(i, step)| match ways[i] {
                Strategy::Bands => Layout {
                    held: planner.held[i].min(step.layout.bands()),
                    ..step.layout
                },
                _ => step.layout,
            })
            .collect();
        let mut places = vec![Place::Whole(0); steps.len()];
        for (nth, step) in outside.iter().enumerate() {
            places[*step] = Place::Outside(nth);
        }
        let buffer_lens = share(steps, kept, &stages, &layouts, &ways, &mut places);
        let own_len = stages
            .iter()
            .map(|stage| own(stage, &layouts, &ways, &mut places))
            .max()
            .unwrap_or(0);
        Self {
            stages,
            places,
            layouts,
            buffer_lens,
            own_len,
        }
    }

    /// How a step's picture is held while some blocks are made.
    pub(super) fn layout(&self, step: usize, blocks: &Range<usize>) -> Layout {
        let layout = self.layouts[step];
        match self.places[step] {
            Place::Blocks(_) => Layout {
                blocks: blocks.len(),
                first_block: blocks.start,
                ..layout
            },
            Place::Whole(_) | Place::Outside(_) | Place::Bands(_) => layout,
        }
    }
}

/// The steps whose pictures a step reads.
fn made(step: &Step) -> impl Iterator<Item = usize> {
    step.inputs.iter().filter_map(|operand| match operand {
        Operand::Step(made) => Some(*made),
        Operand::Tensor(_) => None,
    })
}

/// How a step's picture comes about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Strategy {
    /// Nobody reads it.
    Never,
    /// As a whole, shared out by channels or else by bands.
    Whole { by_blocks: bool },
    /// A few bands at a time, for the only layer that reads it.
    Bands,
    /// A few blocks at a time, for the only layer that reads it.
    Blocks,
}

/// How each step's picture comes about.
fn ways(steps: &[Step], kept: &[usize], options: PlanOptions) -> Vec<Strategy> {
    // Who reads each picture, and as which input.
    let mut readers = vec![vec![]; steps.len()];
    for (reader, step) in steps.iter().enumerate() {
        for (nth, operand) in step.inputs.iter().enumerate() {
            if let Operand::Step(input) = operand {
                readers[*input].push((reader, nth));
            }
        }
    }
    let mut ways = vec![Strategy::Never; steps.len()];
    for (i, step) in steps.iter().enumerate().rev() {
        let layout = step.layout;
        let few = |layout: &Layout| layout.height * layout.width <= FEW_PIXELS;
        let few_read = || made(step).all(|input| few(&steps[input].layout));
        let by_blocks =
            layout.bands() == 1 || (step.layer.is_channelwise() && few(&layout) && few_read());
        let whole = Strategy::Whole { by_blocks };
        readers[i].retain(|(reader, _)| ways[*reader] != Strategy::Never);
        ways[i] = match readers[i][..] {
            _ if kept.contains(&i) => whole,
            [] => Strategy::Never,
            [(reader, nth)] => {
                let same_blocks = nth > 0 || steps[reader].layer.is_channelwise();
                let large = layout.len() > SMALL && layout.bands() >= LEAST_BANDS * options.threads;
                match ways[reader] {
                    Strategy::Whole { by_blocks: true } | Strategy::Blocks if same_blocks => {
                        Strategy::Blocks
                    }
                    Strategy::Whole { by_blocks: false } | Strategy::Bands if large => {
                        Strategy::Bands
                    }
                    _ => whole,
                }
            }
            _ => whole,
        };
    }
    ways
}

struct Planner<'a> {
    steps: &'a [Step],
    ways: &'a [Strategy],
    options: PlanOptions,
    /// Bands of each picture that must be there at a time.
    held: Vec<usize>,
}

impl Planner<'_> {
    /// Shares out the making of a whole picture.
    fn stage(&mut self, step: usize) -> Stage {
        let parts = match self.ways[step] {
            Strategy::Whole { by_blocks: true } => self.by_blocks(step),
            _ => self.by_bands(step),
        };
        Stage { parts }
    }

    /// Parts of some blocks of channels each.
    fn by_blocks(&self, step: usize) -> Vec<Vec<Task>> {
        let layout = self.steps[step].layout;
        let panel = self.options.panel_blocks;
        let on_the_way =
            made(&self.steps[step]).find(|input| self.ways[*input] == Strategy::Blocks);
        let blocks = match on_the_way {
            // In small pieces it would be a hundredth slower.
            _ if self.options.threads == 1 => layout.blocks,
            Some(input) => {
                let once = self.steps[input].layout;
                (AT_ONCE / (once.bands() * once.block_step()) / panel).max(1) * panel
            }
            None => {
                let parts = self.most_parts(step);
                layout.blocks.div_ceil(parts).next_multiple_of(panel)
            }
        };
        ranges(layout.blocks, blocks)
            .map(|blocks| {
                let mut tasks = vec![];
                self.blocks(step, &blocks, &mut tasks);
                tasks
            })
            .collect()
    }

    /// Parts of some bands of rows each.
    fn by_bands(&mut self, step: usize) -> Vec<Vec<Task>> {
        let bands = self.steps[step].layout.bands();
        let on_the_way = made(&self.steps[step]).any(|input| self.ways[input] == Strategy::Bands);
        let parts = match (self.options.threads, on_the_way) {
            (1, _) => 1,
            // Each part makes some bands on the way again that its neighbour makes too.
            (threads, true) => PARTS_AGAIN * threads,
            (_, false) => self.most_parts(step),
        };
        ranges(bands, bands.div_ceil(parts))
            .map(|bands| {
                let mut tasks = vec![];
                let mut next = vec![None; self.steps.len()];
                for band in bands {
                    self.band(step, band, &mut next, &mut tasks);
                }
                tasks
            })
            .collect()
    }

    /// In how many parts the making of a picture is worth splitting.
    fn most_parts(&self, step: usize) -> usize {
        let Step { layer, layout, .. } = &self.steps[step];
        let pixels = layout.height * layout.width;
        let products = match layer.is_channelwise() {
            // Each product waits for its value.
            true => pixels * layer.products() * CHANNELWISE,
            // Weights of pictures of few pixels are waited for.
            false => pixels.max(WEIGHT_PIXELS) * layer.products(),
        };
        (products * layout.blocks * BLOCK / LEAST_PRODUCTS).clamp(1, PARTS * self.options.threads)
    }

    /// Lists a band, and before it what it needs of the pictures on the way that the part has not made; `next` is the
    /// next band of each of these.
    fn band(
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
            if self.ways[input] != Strategy::Bands {
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
                self.band(input, done, next, tasks);
                done += 1;
            }
            next[input] = Some(done);
            self.held[input] = self.held[input].max(done.saturating_sub(oldest));
        }
        let blocks = 0..layout.blocks;
        let tile = Tile { band, blocks };
        tasks.push(Task { step, tile });
    }

    /// Lists some blocks of all bands, and before them the same blocks of the pictures on the way.
    fn blocks(&self, step: usize, blocks: &Range<usize>, tasks: &mut Vec<Task>) {
        for input in made(&self.steps[step]) {
            if self.ways[input] == Strategy::Blocks {
                self.blocks(input, blocks, tasks);
            }
        }
        for band in 0..self.steps[step].layout.bands() {
            let blocks = blocks.clone();
            let tile = Tile { band, blocks };
            tasks.push(Task { step, tile });
        }
    }
}

/// Splits `0..count` into ranges of some length and what is left.
fn ranges(count: usize, len: usize) -> impl Iterator<Item = Range<usize>> {
    (0..count)
        .step_by(len.max(1))
        .map(move |start| start..(start + len).min(count))
}

/// Gives each whole picture a buffer that no other picture uses from the stage that makes it to the last one that reads
/// it. Returns the sizes of the buffers.
fn share(
    steps: &[Step],
    kept: &[usize],
    stages: &[Stage],
    layouts: &[Layout],
    ways: &[Strategy],
    places: &mut [Place],
) -> Vec<usize> {
    // The stages in which each picture is first written and last used.
    let mut lives = vec![None::<(usize, usize)>; steps.len()];
    for (time, stage) in stages.iter().enumerate() {
        for Task { step, .. } in stage.parts.iter().flatten() {
            for used in made(&steps[*step]).chain([*step]) {
                let life = lives[used].get_or_insert((time, time));
                life.1 = if kept.contains(&used) {
                    stages.len()
                } else {
                    time
                };
            }
        }
    }
    let mut order: Vec<_> = (0..steps.len())
        .filter(|step| matches!(ways[*step], Strategy::Whole { .. }))
        .filter(|step| !matches!(places[*step], Place::Outside(_)))
        .collect();
    order.sort_by_key(|step| lives[*step]);
    let mut lens: Vec<usize> = vec![];
    let mut free_from: Vec<usize> = vec![];
    for step in order {
        let Some((first, last)) = lives[step] else {
            continue;
        };
        let len = layouts[step].len();
        // Of the free buffers the one whose size fits best: too small ones grow.
        let buffer = (0..lens.len())
            .filter(|buffer| free_from[*buffer] < first)
            .min_by_key(|buffer| lens[*buffer].abs_diff(len))
            .unwrap_or_else(|| {
                lens.push(0);
                free_from.push(0);
                lens.len() - 1
            });
        lens[buffer] = lens[buffer].max(len);
        free_from[buffer] = last;
        places[step] = Place::Whole(buffer);
    }
    lens
}

/// Gives the pictures on the way of one stage their places in a thread's own memory, and returns how much they take.
fn own(stage: &Stage, layouts: &[Layout], ways: &[Strategy], places: &mut [Place]) -> usize {
    let mut len = 0;
    let mut placed = vec![];
    for Task { step, .. } in stage.parts.iter().flatten() {
        if matches!(ways[*step], Strategy::Whole { .. }) || placed.contains(step) {
            continue;
        }
        placed.push(*step);
        let layout = layouts[*step];
        let most_blocks = stage.parts.iter().flatten();
        let most_blocks = most_blocks
            .filter(|task| task.step == *step)
            .map(|task| task.tile.blocks.len())
            .max()
            .unwrap_or(0);
        places[*step] = if ways[*step] == Strategy::Bands {
            Place::Bands(len)
        } else {
            Place::Blocks(len)
        };
        len += (layout.held * most_blocks * layout.block_step()).next_multiple_of(LINE);
    }
    len
}

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(super) use tests::follow;
