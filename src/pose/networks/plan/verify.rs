//! A check that a plan computes every feature map rightly, whichever worker takes which chunk and in whatever order.

use super::*;
use std::collections::HashSet;

/// What eight adjacent values of a buffer hold: step, band, block, and which eight of the block's.
type Cell = Option<(usize, usize, usize, usize)>;

/// Memory as cells.
struct Cells(Vec<Cell>);

impl Cells {
    fn new(len: usize) -> Self {
        Self(vec![None; len.div_ceil(BLOCK)])
    }

    fn write(&mut self, start: usize, layout: Layout, task: &Task) {
        let Tile { band, blocks } = &task.tile;
        for block in blocks.clone() {
            for (nth, cell) in cells(start, layout, *band, block).enumerate() {
                self.0[cell] = Some((task.step, *band, block, nth));
            }
        }
    }
}

/// The indices of the cells of one block of a band.
fn cells(start: usize, layout: Layout, band: usize, block: usize) -> Range<usize> {
    let tile = Tile {
        band,
        blocks: block..block + 1,
    };
    let range = layout.tile(&tile);
    assert!(start.is_multiple_of(BLOCK) && range.start.is_multiple_of(BLOCK));
    (start + range.start) / BLOCK..(start + range.end) / BLOCK
}

/// Bands and blocks that a task reads of the `nth` input of its step.
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

/// Follows a plan task by task: every value that is read is the one that is wanted, a chunk reads of its worker's own
/// memory only what it has written there itself, every tile of a whole map is computed once, no chunk writes what another
/// one of its stage reads or writes, and the maps of `outputs` are whole at the end.
///
/// # Errors
/// Says which of these does not hold, and where.
pub(crate) fn verify(steps: &[Step], plan: &Plan, outputs: &[usize]) -> Result<(), String> {
    let mut memory = Memory::new(steps, plan);
    let mut computed = HashSet::new();
    for stage in &plan.stages {
        let (mut written, mut read) = (HashSet::new(), HashSet::new());
        for tasks in &stage.chunks {
            let mut own = Cells::new(plan.worker_len);
            for task in tasks {
                memory.read(steps, plan, task, &own, &mut read)?;
                let layout = plan.layout(task.step, &task.tile.blocks);
                match memory.buffer_of(task.step) {
                    Ok(buffer) => {
                        for block in task.tile.blocks.clone() {
                            if !computed.insert((task.step, task.tile.band, block)) {
                                return Err(format!("computed twice: {task:?}"));
                            }
                            for cell in cells(0, layout, task.tile.band, block) {
                                if !written.insert((buffer, cell)) {
                                    return Err(format!("written twice in one stage: {task:?}"));
                                }
                            }
                        }
                        memory.buffers[buffer].write(0, layout, task);
                    }
                    Err(start) => own.write(start, layout, task),
                }
            }
        }
        if !written.is_disjoint(&read) {
            return Err("read and written in one stage".to_owned());
        }
    }
    memory.holds(steps, outputs)
}

struct Memory<'a> {
    storage: &'a [Storage],
    /// The plan's buffers, then the output tensors that are written directly.
    buffers: Vec<Cells>,
    plan_buffers: usize,
}

impl<'a> Memory<'a> {
    fn new(steps: &[Step], plan: &'a Plan) -> Self {
        let plan_buffers = plan.buffer_lens.len();
        let mut lens = plan.buffer_lens.clone();
        for (step, storage) in plan.storage.iter().enumerate() {
            if let Storage::Output(nth) = storage {
                lens.resize(lens.len().max(plan_buffers + nth + 1), 0);
                lens[plan_buffers + nth] = steps[step].layout.len();
            }
        }
        Self {
            storage: &plan.storage,
            buffers: lens.iter().map(|len| Cells::new(*len)).collect(),
            plan_buffers,
        }
    }

    /// The buffer of a whole map, or else where a streamed one starts in a worker's memory.
    fn buffer_of(&self, step: usize) -> Result<usize, usize> {
        match self.storage[step] {
            Storage::Buffer(buffer) => Ok(buffer),
            Storage::Output(nth) => Ok(self.plan_buffers + nth),
            Storage::Bands(start) | Storage::Blocks(start) => Err(start),
        }
    }

    /// Checks what a task reads, and notes in `read` what of it is in buffers.
    fn read(
        &self,
        steps: &[Step],
        plan: &Plan,
        task: &Task,
        own: &Cells,
        read: &mut HashSet<(usize, usize)>,
    ) -> Result<(), String> {
        for (nth, operand) in steps[task.step].inputs.iter().enumerate() {
            let Operand::Step(input) = *operand else {
                continue;
            };
            let layout = plan.layout(input, &task.tile.blocks);
            for (band, block) in needed(steps, task, nth, input) {
                let (memory, start) = match self.buffer_of(input) {
                    Ok(buffer) => {
                        let range = cells(0, layout, band, block);
                        read.extend(range.map(|cell| (buffer, cell)));
                        (&self.buffers[buffer], 0)
                    }
                    Err(start) => (own, start),
                };
                for (nth, cell) in cells(start, layout, band, block).enumerate() {
                    let wanted = Some((input, band, block, nth));
                    if memory.0[cell] != wanted {
                        let found = memory.0[cell];
                        return Err(format!("{task:?} reads {found:?}, not {wanted:?}"));
                    }
                }
            }
        }
        Ok(())
    }

    /// Checks that the maps of some steps are whole.
    fn holds(&self, steps: &[Step], outputs: &[usize]) -> Result<(), String> {
        for step in outputs {
            let layout = steps[*step].layout;
            let Ok(buffer) = self.buffer_of(*step) else {
                return Err(format!("output {step} is not stored as a whole"));
            };
            for (band, block) in
                (0..layout.bands()).flat_map(|a| (0..layout.blocks).map(move |b| (a, b)))
            {
                for (nth, cell) in cells(0, layout, band, block).enumerate() {
                    if self.buffers[buffer].0[cell] != Some((*step, band, block, nth)) {
                        return Err(format!("output {step} lacks block {block} of band {band}"));
                    }
                }
            }
        }
        Ok(())
    }
}
