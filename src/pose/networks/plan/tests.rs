//! Plans followed step by step, for made-up chains; the shipped networks' are followed in `inference/tests.rs`.

use super::super::kernels::InstructionSet;
use super::super::layer::{Activation, Convolution, Filter, Window};
use super::*;
use std::collections::HashSet;

/// What eight neighbouring values of a buffer hold: step, band, block, and which eight of the block's.
type Cell = Option<(usize, usize, usize, usize)>;

/// Memory as cells.
struct OutputMap(Vec<Cell>);

impl OutputMap {
    fn new(len: usize) -> Self {
        Self(vec![None; len.div_ceil(BLOCK)])
    }

    fn write(&mut self, start: usize, layout: Layout, task: &Task) {
        let Tile { band, blocks } = &task.tile;
        for block in blocks.clone() {
            for (nth, place) in cells(start, layout, *band, block).enumerate() {
                self.0[place] = Some((task.step, *band, block, nth));
            }
        }
    }
}

/// Where the cells of one block of a band lie.
fn cells(start: usize, layout: Layout, band: usize, block: usize) -> Range<usize> {
    let tile = Tile {
        band,
        blocks: block..block + 1,
    };
    let places = layout.tile(&tile);
    assert!(start.is_multiple_of(BLOCK) && places.start.is_multiple_of(BLOCK));
    (start + places.start) / BLOCK..(start + places.end) / BLOCK
}

/// Bands and blocks of an input, the `nth` of a task's step, that the task reads.
fn needed(steps: &[Step], task: &Task, nth: usize, input: usize) -> Vec<(usize, usize)> {
    let (step, from) = (&steps[task.step], steps[input].layout);
    let rows = match nth {
        0 => {
            let rows = step.layout.rows(task.tile.band);
            step.layer.rows_needed(rows, from.height)
        }
        _ => step.layout.rows(task.tile.band),
    };
    let blocks = match nth > 0 || step.layer.is_channelwise() {
        true => task.tile.blocks.clone(),
        false => 0..from.blocks,
    };
    let bands = rows.start / from.band_rows..rows.end.div_ceil(from.band_rows);
    bands
        .flat_map(|band| blocks.clone().map(move |block| (band, block)))
        .collect()
}

/// Follows a plan, whichever thread takes which part and in whichever order they are done: the parts of a stage write
/// no place that another of them reads or writes, every value that is read is the one that is wanted, a part reads of its
/// thread's own memory only what it has put there itself, and every tile of a whole picture is made once.
pub(crate) fn follow(steps: &[Step], plan: &Plan, kept: &[usize]) {
    // Those inside, then those outside.
    let mut lens = plan.buffer_lens.clone();
    for (step, place) in plan.places.iter().enumerate() {
        if let Place::Outside(nth) = place {
            lens.resize(lens.len().max(plan.buffer_lens.len() + nth + 1), 0);
            lens[plan.buffer_lens.len() + nth] = steps[step].layout.len();
        }
    }
    let buffer_of = |step: usize| match plan.places[step] {
        Place::Whole(buffer) => Ok(buffer),
        Place::Outside(nth) => Ok(plan.buffer_lens.len() + nth),
        Place::Bands(start) | Place::Blocks(start) => Err(start),
    };
    let mut buffers: Vec<_> = lens.iter().map(|len| OutputMap::new(*len)).collect();
    let mut whole = HashSet::new();
    for stage in &plan.stages {
        // Who writes each place of the buffers in this stage, and who reads it.
        let mut written = HashSet::new();
        let mut read = HashSet::new();
        for tasks in &stage.parts {
            let mut own = OutputMap::new(plan.own_len);
            for task in tasks {
                for (nth, operand) in steps[task.step].inputs.iter().enumerate() {
                    let Operand::Step(input) = *operand else {
                        continue;
                    };
                    let layout = plan.layout(input, &task.tile.blocks);
                    for (band, block) in needed(steps, task, nth, input) {
                        let (memory, start) = match buffer_of(input) {
                            Ok(buffer) => {
                                let places = cells(0, layout, band, block);
                                read.extend(places.map(|place| (buffer, place)));
                                (&buffers[buffer], 0)
                            }
                            Err(start) => (&own, start),
                        };
                        for (nth, place) in cells(start, layout, band, block).enumerate() {
                            let wanted = Some((input, band, block, nth));
                            assert_eq!(memory.0[place], wanted, "read by {task:?}");
                        }
                    }
                }
                let layout = plan.layout(task.step, &task.tile.blocks);
                match buffer_of(task.step) {
                    Ok(buffer) => {
                        for block in task.tile.blocks.clone() {
                            assert!(whole.insert((task.step, task.tile.band, block)), "{task:?}");
                            for place in cells(0, layout, task.tile.band, block) {
                                assert!(written.insert((buffer, place)), "{task:?}");
                            }
                        }
                        buffers[buffer].write(0, layout, task);
                    }
                    Err(start) => own.write(start, layout, task),
                }
            }
        }
        for place in &written {
            assert!(!read.contains(place), "read and written in one stage");
        }
    }
    for step in kept {
        let layout = steps[*step].layout;
        let Ok(buffer) = buffer_of(*step) else {
            panic!("step {step} is kept but not whole");
        };
        for (band, block) in
            (0..layout.bands()).flat_map(|a| (0..layout.blocks).map(move |b| (a, b)))
        {
            for (nth, place) in cells(0, layout, band, block).enumerate() {
                assert_eq!(buffers[buffer].0[place], Some((*step, band, block, nth)));
            }
        }
    }
}

fn window(stride: usize, size: [usize; 2]) -> Layer {
    Layer::MaxPool(Window {
        input_size: size.map(|n| n * stride),
        output_size: size,
        kernel: [3, 3],
        stride: [stride; 2],
        padding: [1, 1],
    })
}

fn step(layer: Layer, inputs: &[Operand], size: [usize; 2], channels: usize) -> Step {
    Step {
        layer,
        inputs: inputs.to_vec(),
        layout: Layout::new(size, channels),
    }
}

/// A convolution that mixes channels.
fn mix(size: [usize; 2], from: usize, to: usize) -> Layer {
    let window = Window {
        input_size: size,
        output_size: size,
        kernel: [1, 1],
        stride: [1, 1],
        padding: [0, 0],
    };
    let filter = Filter {
        shape: [to, from, 1, 1],
        group: 1,
        weights: &vec![0.0; from * to],
        bias: &vec![0.0; to],
    };
    let set = InstructionSet::available()[0];
    Layer::Convolution(Convolution::new(set, window, &filter, Activation::Relu).unwrap())
}

/// A picture that is widened, filtered and narrowed again, with a sum, as in an inverted residual block.
fn block(size: [usize; 2], channels: usize, wide: usize) -> Vec<Step> {
    let [height, width] = size;
    let (double, at) = ([2 * height, 2 * width], Operand::Step);
    vec![
        step(Layer::Pack, &[Operand::Tensor(0)], double, channels),
        step(window(2, size), &[at(0)], size, channels),
        step(mix(size, channels, wide), &[at(1)], size, wide),
        step(window(1, size), &[at(2)], size, wide),
        step(mix(size, wide, channels), &[at(3), at(1)], size, channels),
        step(
            Layer::Upsample(Activation::Linear),
            &[at(4)],
            double,
            channels,
        ),
    ]
}

/// Large enough for most to be made band by band.
fn large() -> Vec<Step> {
    block([64, 64], 32, 144)
}

fn options(threads: usize, panel_blocks: usize) -> PlanOptions {
    PlanOptions {
        threads,
        panel_blocks,
    }
}

#[test]
fn plans_can_be_followed() {
    for steps in [
        large(),
        block([32, 32], 24, 96),
        block([16, 16], 40, 200),
        block([4, 4], 20, 44),
    ] {
        for (threads, panel_blocks) in [(1, 1), (1, 2), (2, 2), (2, 4), (3, 1), (8, 2)] {
            let plan = Plan::new(&steps, &[5], &[], options(threads, panel_blocks));
            follow(&steps, &plan, &[5]);
            // One that is read on, and the last.
            let plan = Plan::new(&steps, &[1], &[5, 4], options(threads, panel_blocks));
            follow(&steps, &plan, &[1, 5, 4]);
        }
    }
}

#[test]
#[should_panic(expected = "read by")]
fn a_plan_that_holds_too_few_bands_is_noticed() {
    let steps = large();
    let mut plan = Plan::new(&steps, &[5], &[], options(1, 2));
    plan.layouts[2].held -= 1;
    follow(&steps, &plan, &[5]);
}

#[test]
#[should_panic(expected = "read and written in one stage")]
fn a_plan_with_stages_too_few_is_noticed() {
    let steps = large();
    let mut plan = Plan::new(&steps, &[5], &[], options(2, 2));
    let mut later = plan.stages.pop().unwrap();
    let parts = &mut plan.stages.last_mut().unwrap().parts;
    parts.append(&mut later.parts);
    follow(&steps, &plan, &[5]);
}

#[test]
fn one_thread_makes_nothing_twice_and_two_share_what_is_large() {
    let steps = large();
    let bands: usize = steps.iter().map(|step| step.layout.bands()).sum();
    let tasks = |plan: &Plan| -> usize {
        let parts = plan.stages.iter().flat_map(|stage| &stage.parts);
        parts.map(Vec::len).sum()
    };
    let alone = Plan::new(&steps, &[5], &[], options(1, 2));
    assert_eq!(tasks(&alone), bands);
    let shared = Plan::new(&steps, &[5], &[], options(2, 2));
    assert!(shared.stages.iter().all(|stage| stage.parts.len() >= 2));
    // What two parts both make is little.
    assert!(
        tasks(&shared) * 10 < bands * 12,
        "{} of {bands}",
        tasks(&shared)
    );
}

#[test]
fn large_pictures_with_one_reader_are_never_whole_and_memory_is_shared() {
    for threads in [1, 2] {
        let steps = large();
        let plan = Plan::new(&steps, &[5], &[], options(threads, 2));
        let whole = |step: usize| matches!(plan.places[step], Place::Whole(_));
        assert!(!whole(0) && !whole(2) && !whole(3));
        // Read twice, and given out.
        assert!(whole(1) && whole(5));
        let held = plan.buffer_lens.iter().sum::<usize>() + threads * plan.own_len;
        let all: usize = steps.iter().map(|step| step.layout.len()).sum();
        assert!(2 * held < all, "{held} of {all} values");
    }
}
