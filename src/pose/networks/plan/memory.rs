//! Where feature maps are stored: buffers that whole maps share over time, and each worker's own memory.

use super::{Stage, Step, Storage, Strategy, Task, input_steps};
use crate::kernels::Layout;

/// Values of a cache line: streamed maps start at a multiple of it.
const CACHE_LINE: usize = 16;

/// Assigns each whole map a buffer that no other map uses from the stage that computes it to the last one that reads it.
/// Returns the lengths of the buffers.
pub(super) fn assign_buffers(
    steps: &[Step],
    outputs: &[usize],
    stages: &[Stage],
    layouts: &[Layout],
    strategies: &[Strategy],
    storage: &mut [Storage],
) -> Vec<usize> {
    // The first stage that writes each map, and the last that reads it.
    let mut lifetimes = vec![None::<(usize, usize)>; steps.len()];
    for (time, stage) in stages.iter().enumerate() {
        for Task { step, .. } in stage.chunks.iter().flatten() {
            for used in input_steps(&steps[*step]).chain([*step]) {
                let lifetime = lifetimes[used].get_or_insert((time, time));
                lifetime.1 = if outputs.contains(&used) {
                    stages.len()
                } else {
                    time
                };
            }
        }
    }
    let mut order: Vec<_> = (0..steps.len())
        .filter(|step| matches!(strategies[*step], Strategy::Whole { .. }))
        .filter(|step| !matches!(storage[*step], Storage::Output(_)))
        .collect();
    order.sort_by_key(|step| lifetimes[*step]);
    let mut lens: Vec<usize> = vec![];
    let mut free_from: Vec<usize> = vec![];
    for step in order {
        let Some((first, last)) = lifetimes[step] else {
            continue;
        };
        let len = layouts[step].len();
        // The free buffer of the nearest length, which grows if it is too short.
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
        storage[step] = Storage::Buffer(buffer);
    }
    lens
}

/// Assigns the streamed maps of one stage their ranges of a worker's own memory, and returns how much they take.
pub(super) fn assign_worker_memory(
    stage: &Stage,
    layouts: &[Layout],
    strategies: &[Strategy],
    storage: &mut [Storage],
) -> usize {
    let mut len = 0;
    let mut placed = vec![];
    for Task { step, .. } in stage.chunks.iter().flatten() {
        if matches!(strategies[*step], Strategy::Whole { .. }) || placed.contains(step) {
            continue;
        }
        placed.push(*step);
        let layout = layouts[*step];
        let most_blocks = stage.chunks.iter().flatten();
        let most_blocks = most_blocks
            .filter(|task| task.step == *step)
            .map(|task| task.tile.blocks.len())
            .max()
            .unwrap_or(0);
        storage[*step] = if strategies[*step] == Strategy::StreamBands {
            Storage::Bands(len)
        } else {
            Storage::Blocks(len)
        };
        len +=
            (layout.held_bands * most_blocks * layout.block_stride()).next_multiple_of(CACHE_LINE);
    }
    len
}
