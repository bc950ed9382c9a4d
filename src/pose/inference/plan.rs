//! In which order a chain of works is done, and where its pictures are kept.
//!
//! In: works with what they read. Out: a schedule of bands and buffers. A large picture that only one work reads is
//! never there as a whole: its bands are made when that work is about to need them and soon overwritten, so that they
//! stay in the processor's cache. Other pictures are made whole, and take over the memory of those that nobody needs
//! any more.

use super::kernels::Layout;
use super::work::Work;

/// What a work reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operand {
    /// The picture that an earlier step made.
    Step(usize),
    /// A tensor that was given to the chain.
    Tensor(usize),
}

/// A work and what it reads: the picture it works on, and maybe one that is added.
#[derive(Debug)]
pub struct Step {
    /// What is done.
    pub work: Work,
    /// What is read, one or two.
    pub inputs: Vec<Operand>,
    /// The picture that is made.
    pub layout: Layout,
}

/// Order and memory of a chain.
#[derive(Debug)]
pub struct Plan {
    /// Step and band, in order.
    pub schedule: Vec<(usize, usize)>,
    /// How each step's picture is held.
    pub layouts: Vec<Layout>,
    /// The buffer of each step's picture.
    pub slots: Vec<usize>,
    /// Values of each buffer.
    pub slot_lens: Vec<usize>,
}

/// Pictures of fewer values are made whole: the cache holds them anyway.
const SMALL: usize = 48 * 1024;

impl Plan {
    /// Plans a chain of which some steps' pictures must be there as a whole at the end.
    pub fn new(steps: &[Step], kept: &[usize]) -> Self {
        let mut readers = vec![0; steps.len()];
        for step in steps {
            for made in made(step) {
                readers[made] += 1;
            }
        }
        let streamed = (0..steps.len())
            .map(|i| readers[i] == 1 && !kept.contains(&i) && steps[i].layout.len() > SMALL)
            .collect();
        let mut planner = Planner {
            steps,
            streamed,
            done: vec![0; steps.len()],
            held: vec![1; steps.len()],
            schedule: vec![],
        };
        for step in 0..steps.len() {
            if !planner.streamed[step] && (readers[step] > 0 || kept.contains(&step)) {
                for band in 0..steps[step].layout.bands() {
                    planner.make(step, band);
                }
            }
        }
        let layouts = steps
            .iter()
            .enumerate()
            .map(|(i, step)| Layout {
                held: if planner.streamed[i] {
                    planner.held[i].min(step.layout.bands())
                } else {
                    step.layout.bands()
                },
                ..step.layout
            })
            .collect::<Vec<_>>();
        let schedule = planner.schedule;
        let (slots, slot_lens) = share(steps, kept, &schedule, &layouts);
        Self {
            schedule,
            layouts,
            slots,
            slot_lens,
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

struct Planner<'a> {
    steps: &'a [Step],
    /// Whether only some bands of a picture are there at a time.
    streamed: Vec<bool>,
    /// Bands made so far.
    done: Vec<usize>,
    /// Bands that must be there at a time.
    held: Vec<usize>,
    schedule: Vec<(usize, usize)>,
}

impl Planner<'_> {
    /// Schedules a band, and before it what it needs of streamed pictures.
    fn make(&mut self, step: usize, band: usize) {
        let layout = self.steps[step].layout;
        for (nth, operand) in self.steps[step].inputs.iter().enumerate() {
            let Operand::Step(input) = *operand else {
                continue;
            };
            if !self.streamed[input] {
                continue;
            }
            let from = self.steps[input].layout;
            let rows = if nth == 0 {
                self.steps[step]
                    .work
                    .rows_needed(layout.rows(band), from.height)
            } else {
                layout.rows(band)
            };
            while self.done[input] * from.band_rows < rows.end {
                self.make(input, self.done[input]);
            }
            let oldest = rows.start / from.band_rows;
            self.held[input] = self.held[input].max(self.done[input].saturating_sub(oldest));
        }
        self.schedule.push((step, band));
        self.done[step] = band + 1;
    }
}

/// Gives each picture a buffer that no other picture uses between its first band and its last reader. Returns each
/// step's buffer and the sizes of the buffers.
fn share(
    steps: &[Step],
    kept: &[usize],
    schedule: &[(usize, usize)],
    layouts: &[Layout],
) -> (Vec<usize>, Vec<usize>) {
    // When each picture is first written and last used.
    let mut lives = vec![None::<(usize, usize)>; steps.len()];
    for (time, (step, _)) in schedule.iter().enumerate() {
        for used in made(&steps[*step]).chain([*step]) {
            let life = lives[used].get_or_insert((time, time));
            life.1 = if kept.contains(&used) {
                schedule.len()
            } else {
                time
            };
        }
    }
    let mut order: Vec<_> = (0..steps.len()).collect();
    order.sort_by_key(|step| lives[*step]);
    let mut slots = vec![0; steps.len()];
    let mut slot_lens: Vec<usize> = vec![];
    let mut free_from: Vec<usize> = vec![];
    for step in order {
        let Some((first, last)) = lives[step] else {
            continue;
        };
        let len = layouts[step].len();
        // Of the free buffers the one whose size fits best: too small ones grow.
        let slot = (0..slot_lens.len())
            .filter(|slot| free_from[*slot] < first)
            .min_by_key(|slot| slot_lens[*slot].abs_diff(len))
            .unwrap_or_else(|| {
                slot_lens.push(0);
                free_from.push(0);
                slot_lens.len() - 1
            });
        slot_lens[slot] = slot_lens[slot].max(len);
        free_from[slot] = last;
        slots[step] = slot;
    }
    (slots, slot_lens)
}

#[cfg(test)]
mod tests {
    use super::super::work::{Activation, Window};
    use super::*;
    use std::collections::HashSet;

    /// A picture that is widened, filtered and narrowed again twice, with a sum over the second round, as in an inverted
    /// residual block; large enough to be streamed.
    fn steps() -> Vec<Step> {
        let window = |stride: usize, size: [usize; 2]| {
            Work::MaxPool(Window {
                input_size: size.map(|n| n * stride),
                output_size: size,
                kernel: [3, 3],
                stride: [stride; 2],
                padding: [1, 1],
            })
        };
        let step = |work, inputs: &[Operand], size, channels| Step {
            work,
            inputs: inputs.to_vec(),
            layout: Layout::new(size, channels),
        };
        let (full, half) = ([128, 128], [64, 64]);
        vec![
            step(Work::Enter, &[Operand::Tensor(0)], full, 16),
            step(window(2, half), &[Operand::Step(0)], half, 32),
            step(Work::Sum(Activation::Relu), &[Operand::Step(1)], half, 144),
            step(window(1, half), &[Operand::Step(2)], half, 144),
            step(
                Work::Sum(Activation::Relu),
                &[Operand::Step(3), Operand::Step(1)],
                half,
                32,
            ),
            step(
                Work::Enlarge(Activation::Linear),
                &[Operand::Step(4)],
                full,
                32,
            ),
        ]
    }

    #[test]
    fn every_band_is_made_once_and_is_there_when_it_is_read() {
        let steps = steps();
        let plan = Plan::new(&steps, &[5]);
        let mut there = HashSet::new();
        // Which step's band each place of each buffer holds.
        let mut places = vec![];
        for len in &plan.slot_lens {
            places.push(vec![None; *len]);
        }
        for (step, band) in &plan.schedule {
            let layout = plan.layouts[*step];
            for (nth, input) in made(&steps[*step]).enumerate() {
                let from = plan.layouts[input];
                let rows = match nth {
                    0 => steps[*step]
                        .work
                        .rows_needed(layout.rows(*band), from.height),
                    _ => layout.rows(*band),
                };
                for row in rows {
                    let wanted = row / from.band_rows;
                    for place in from.band(wanted) {
                        let holds = places[plan.slots[input]][place];
                        assert_eq!(holds, Some((input, wanted)), "step {step} band {band}");
                    }
                }
            }
            assert!(there.insert((*step, *band)), "made twice");
            for place in layout.band(*band) {
                places[plan.slots[*step]][place] = Some((*step, *band));
            }
        }
        let bands: usize = steps.iter().map(|step| step.layout.bands()).sum();
        assert_eq!(there.len(), bands);
    }

    #[test]
    fn large_pictures_with_one_reader_are_never_whole_and_memory_is_shared() {
        let steps = steps();
        let plan = Plan::new(&steps, &[5]);
        let whole = |step: usize| plan.layouts[step].held == steps[step].layout.bands();
        assert!(!whole(0) && !whole(2) && !whole(3));
        // Read twice, and given out.
        assert!(whole(1) && whole(5));
        let held: usize = plan.slot_lens.iter().sum();
        let all: usize = steps.iter().map(|step| step.layout.len()).sum();
        assert!(2 * held < all, "{held} of {all} values");
    }
}
