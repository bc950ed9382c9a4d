//! Plans of made-up graphs, verified; those of the shipped networks are verified in `network/tests.rs`.

use super::*;
use crate::kernels::{Enlarging, InstructionSet};
use crate::layer::{Activation, ConvWeights, Convolution, Window};

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
    let weights = ConvWeights {
        shape: [to, from, 1, 1],
        group: 1,
        weights: &vec![0.0; from * to],
        bias: &vec![0.0; to],
    };
    let set = InstructionSet::available()[0];
    Layer::Convolution(Convolution::new(set, window, &weights, Activation::Relu).unwrap())
}

/// An inverted residual block between a pool and an upsampling: expanded, filtered, projected, with a residual.
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
            Layer::Upsample(Enlarging::Bilinear, Activation::Linear),
            &[at(4)],
            double,
            channels,
        ),
    ]
}

/// Large enough for most maps to be streamed band by band.
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
fn plans_compute_every_map_rightly() {
    for steps in [
        large(),
        block([32, 32], 24, 96),
        block([16, 16], 40, 200),
        block([4, 4], 20, 44),
    ] {
        for (threads, panel_blocks) in [(1, 1), (1, 2), (2, 2), (2, 4), (3, 1), (8, 2)] {
            let plan = Plan::new(&steps, &[5], &[], options(threads, panel_blocks));
            verify(&steps, &plan, &[5]).unwrap();
            // Outputs that other steps read too, and the last map.
            let plan = Plan::new(&steps, &[1], &[5, 4], options(threads, panel_blocks));
            verify(&steps, &plan, &[1, 5, 4]).unwrap();
        }
    }
}

#[test]
fn a_plan_that_holds_too_few_bands_is_refused() {
    let steps = large();
    let mut plan = Plan::new(&steps, &[5], &[], options(1, 2));
    plan.layouts[2].held_bands -= 1;
    let error = verify(&steps, &plan, &[5]).unwrap_err();
    assert!(error.contains(" reads "), "{error}");
}

#[test]
fn a_plan_with_too_few_stages_is_refused() {
    let steps = large();
    let mut plan = Plan::new(&steps, &[5], &[], options(2, 2));
    let mut later = plan.stages.pop().unwrap();
    let chunks = &mut plan.stages.last_mut().unwrap().chunks;
    chunks.append(&mut later.chunks);
    let error = verify(&steps, &plan, &[5]).unwrap_err();
    assert_eq!(error, "read and written in one stage");
}

#[test]
fn one_thread_computes_nothing_twice_and_two_share_what_is_large() {
    let steps = large();
    let bands: usize = steps.iter().map(|step| step.layout.bands()).sum();
    let tasks = |plan: &Plan| -> usize {
        let chunks = plan.stages.iter().flat_map(|stage| &stage.chunks);
        chunks.map(Vec::len).sum()
    };
    let alone = Plan::new(&steps, &[5], &[], options(1, 2));
    assert_eq!(tasks(&alone), bands);
    let shared = Plan::new(&steps, &[5], &[], options(2, 2));
    assert!(shared.stages.iter().all(|stage| stage.chunks.len() >= 2));
    // Little is computed by two chunks.
    assert!(
        tasks(&shared) * 10 < bands * 12,
        "{} of {bands}",
        tasks(&shared)
    );
}

#[test]
fn large_maps_with_one_reader_are_streamed_and_buffers_are_reused() {
    for threads in [1, 2] {
        let steps = large();
        let plan = Plan::new(&steps, &[5], &[], options(threads, 2));
        let whole = |step: usize| matches!(plan.storage[step], Storage::Buffer(_));
        assert!(!whole(0) && !whole(2) && !whole(3));
        // Read twice, and an output.
        assert!(whole(1) && whole(5));
        let held = plan.buffer_lens.iter().sum::<usize>() + threads * plan.worker_len;
        let all: usize = steps.iter().map(|step| step.layout.len()).sum();
        assert!(2 * held < all, "{held} of {all} values");
    }
}
