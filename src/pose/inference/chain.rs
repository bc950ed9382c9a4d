//! A chain of works as one operator of a tract graph, with memory of its own.
//!
//! In: tensors with their channels last, one picture each. Out: such tensors. What lies between them is made in
//! buffers that are planned and allocated once (see `plan`), so a run allocates nothing: not even its outputs, as long
//! as the caller has let go of those of the run before. A team of threads does the parts of a stage in any order and
//! meets at its end; every value is made by the same sums whoever makes it. A chain does not look at the graph around
//! it.

// Threads that write different pieces of one picture cannot each borrow all of it.
#![allow(unsafe_code)]

use super::kernels::{self, InstructionSet, Shared, View};
use super::plan::{Means, Operand, Place, Plan, Stage, Step, Task};
use super::work::{self, Inputs, Picture, Work};
use crate::pose::team::{Member, Team, wait_until};
use std::sync::atomic::{AtomicUsize, Ordering};
use tract_onnx::tract_core::internal::*;

/// Height, width and channels of a tensor that a chain reads or gives.
pub(super) type Shape = [usize; 3];

/// A picture that a chain gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Given {
    /// The step that makes it.
    pub step: usize,
    /// Its channels, where it is to have those of a pixel side by side; else it is given as it lies, in blocks.
    pub channels: Option<usize>,
}

/// Who works on a chain, and with what.
#[derive(Clone)]
pub(super) struct Workers {
    /// The instructions that they use.
    pub set: InstructionSet,
    /// The threads.
    pub team: Arc<Team>,
}

/// The operator.
#[derive(Clone)]
pub(super) struct Chain(Arc<Works>);

struct Works {
    workers: Workers,
    steps: Vec<Step>,
    plan: Plan,
    inputs: Vec<Shape>,
    outputs: Vec<Given>,
    scratch_len: usize,
}

impl Chain {
    /// Makes an operator of steps that read each other's pictures and tensors of the given shapes.
    pub(super) fn new(
        workers: Workers,
        steps: Vec<Step>,
        inputs: Vec<Shape>,
        outputs: Vec<Given>,
    ) -> Self {
        let given = |as_it_lies: bool| -> Vec<_> {
            let given = outputs
                .iter()
                .filter(|given| given.channels.is_none() == as_it_lies);
            given.map(|given| given.step).collect()
        };
        let means = Means {
            threads: workers.team.threads(),
            panel_blocks: kernels::panel_blocks(workers.set),
        };
        let plan = Plan::new(&steps, &given(false), &given(true), means);
        let scratch_len = steps
            .iter()
            .map(|step| match &step.work {
                Work::Convolution(convolution) => convolution.scratch_len(),
                _ => 0,
            })
            .max()
            .unwrap_or(0);
        Self(Arc::new(Works {
            workers,
            steps,
            plan,
            inputs,
            outputs,
            scratch_len,
        }))
    }

    /// The works, in order.
    #[cfg(test)]
    pub(super) fn works(&self) -> impl Iterator<Item = &Work> {
        self.0.steps.iter().map(|step| &step.work)
    }

    /// Checks that the plan can be followed.
    #[cfg(test)]
    pub(super) fn follow_plan(&self) {
        let kept: Vec<_> = self.0.outputs.iter().map(|given| given.step).collect();
        super::plan::follow(&self.0.steps, &self.0.plan, &kept);
    }
}

impl Works {
    fn output_shape(&self, output: usize) -> TVec<usize> {
        let Given { step, channels } = self.outputs[output];
        let layout = self.steps[step].layout;
        match channels {
            Some(channels) => tvec!(1, layout.height, layout.width, channels),
            None => tvec!(layout.len()),
        }
    }

    fn memory(&self) -> TractResult<Memory> {
        let zeros = |output| Ok(Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor());
        let outputs = (0..self.outputs.len()).map(zeros);
        Ok(self.memory_with(outputs.collect::<TractResult<_>>()?))
    }

    fn memory_with(&self, outputs: Vec<Arc<Tensor>>) -> Memory {
        let plan = &self.plan;
        let own = |_| Own {
            values: Shared::new(plan.own_len),
            scratch: Shared::new(self.scratch_len),
        };
        let buffers = plan.buffer_lens.iter();
        Memory {
            buffers: buffers.map(|len| Shared::new(*len)).collect(),
            own: (0..self.workers.team.threads()).map(own).collect(),
            progress: plan.stages.iter().map(|_| Progress::default()).collect(),
            outputs,
        }
    }

    /// Does all works, and fills the tensors that are given out.
    fn run(&self, tensors: &[&[f32]], memory: &mut Memory) -> TractResult<()> {
        memory.progress.fill_with(Progress::default);
        // Pictures that are given as they lie are made in their tensors; the others are copied there.
        let mut plain = tvec!();
        for (output, tensor) in memory.outputs.iter_mut().enumerate() {
            if Arc::get_mut(tensor).is_none() {
                // Somebody still reads the last run's output.
                *tensor = Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor();
            }
            let tensor = Arc::get_mut(tensor).context("a new tensor is shared")?;
            plain.push(tensor.try_as_plain_ram_mut()?);
        }
        let mut outside = tvec!();
        let mut copied = tvec!();
        for (Given { step, channels }, plain) in self.outputs.iter().zip(&mut plain) {
            let values = plain.as_slice_mut::<f32>()?;
            match channels {
                None => outside.push(View::of(values)),
                Some(channels) => copied.push((*step, *channels, values)),
            }
        }
        let rooms = Rooms {
            buffers: &memory.buffers,
            own: &memory.own,
            outside: &outside,
            progress: &memory.progress,
        };
        self.workers
            .team
            .run(&|member| self.work(member, tensors, &rooms));
        for (step, channels, values) in copied {
            let (view, start) = self.home(step, rooms, 0);
            let layout = self.steps[step].layout;
            // SAFETY: the run is over, and nobody has a slice of it any more.
            let picture = unsafe { view.get(start..start + layout.len()) };
            work::leave(picture, layout, channels, values);
        }
        Ok(())
    }

    /// The memory that holds a step's picture for a member, and where in it the picture starts.
    fn home<'a>(&self, step: usize, rooms: Rooms<'a>, member: usize) -> (View<'a>, usize) {
        match self.plan.places[step] {
            Place::Whole(buffer) => (rooms.buffers[buffer].view(), 0),
            Place::Outside(nth) => (rooms.outside[nth], 0),
            Place::Bands(start) | Place::Blocks(start) => (rooms.own[member].values.view(), start),
        }
    }

    /// What one thread does of a run: parts that nobody has taken, stage by stage, as long as it may.
    fn work(&self, member: &Member<'_>, tensors: &[&[f32]], rooms: &Rooms<'_>) {
        for (Stage { parts }, progress) in self.plan.stages.iter().zip(rooms.progress) {
            member.call_helpers();
            while member.may_go_on()
                && let Some(part) = progress.take(parts.len())
            {
                for task in &parts[part] {
                    // SAFETY: the part is this thread's alone, all stages before this one are done, and no thread does
                    // anything of a later one before this part is done. A plan has the parts of a stage write different
                    // pieces of a picture that nobody reads in that stage, and read pictures of earlier stages; a
                    // picture of which a part holds only some is in the thread's own memory.
                    unsafe { self.make(task, member.number(), tensors, rooms) };
                }
                progress.done.fetch_add(1, Ordering::Release);
            }
            let done = || progress.done.load(Ordering::Acquire) == parts.len();
            wait_until(|| done() || !member.may_go_on() || member.is_deserted());
            if !done() {
                return;
            }
        }
    }

    /// Makes one piece of one step's picture.
    ///
    /// # Safety
    /// Nobody else may use the member's own memory or write what the task reads, nor read or write what it makes.
    unsafe fn make(&self, task: &Task, member: usize, tensors: &[&[f32]], rooms: &Rooms<'_>) {
        let Task { step, piece } = task;
        let Step { work, inputs, .. } = &self.steps[*step];
        let picture = |operand: &Operand| match *operand {
            Operand::Step(step) => {
                let layout = self.plan.layout(step, &piece.blocks);
                let (view, start) = self.home(step, *rooms, member);
                // SAFETY: as promised to this function.
                let values = unsafe { view.get(start..start + layout.len()) };
                Picture::Blocks(values, layout)
            }
            Operand::Tensor(tensor) => {
                let [_, width, channels] = self.inputs[tensor];
                Picture::Pixels(tensors[tensor], width, channels)
            }
        };
        let inputs = Inputs {
            first: picture(&inputs[0]),
            second: inputs.get(1).map(picture),
        };
        let to = self.plan.layout(*step, &piece.blocks);
        let (view, start) = self.home(*step, *rooms, member);
        let places = to.piece(piece);
        // SAFETY: as promised to this function; no work reads the picture that it makes.
        let made = unsafe { view.get_mut(start + places.start..start + places.end) };
        // SAFETY: as promised to this function.
        let scratch = unsafe {
            rooms.own[member]
                .scratch
                .view()
                .get_mut(0..self.scratch_len)
        };
        work.make(self.workers.set, inputs, piece, to, made, scratch);
    }
}

/// What a chain keeps from run to run.
struct Memory {
    /// Whole pictures.
    buffers: Vec<Shared>,
    /// What each thread has for itself.
    own: Vec<Own>,
    /// How far each stage is.
    progress: Vec<Progress>,
    outputs: Vec<Arc<Tensor>>,
}

/// The same while a run goes on, with the tensors that are given out.
#[derive(Clone, Copy)]
struct Rooms<'a> {
    buffers: &'a [Shared],
    own: &'a [Own],
    outside: &'a [View<'a>],
    progress: &'a [Progress],
}

/// Memory of one thread.
struct Own {
    /// Pictures on the way.
    values: Shared,
    /// What a work needs while it makes a piece.
    scratch: Shared,
}

/// How far a stage is. Each has a line of the cache to itself.
#[derive(Default)]
#[repr(align(64))]
struct Progress {
    /// Parts that somebody has taken.
    taken: AtomicUsize,
    /// Parts that are done.
    done: AtomicUsize,
}

impl Progress {
    /// A part that nobody has taken.
    fn take(&self, parts: usize) -> Option<usize> {
        // Without the first look a thread that comes late would write to every stage that is long done.
        (self.taken.load(Ordering::Relaxed) < parts)
            .then(|| self.taken.fetch_add(1, Ordering::Relaxed))
            .filter(|part| *part < parts)
    }
}

struct State {
    works: Arc<Works>,
    memory: Memory,
}

impl State {
    fn eval(&mut self, inputs: &[TValue]) -> TractResult<TVec<TValue>> {
        ensure!(inputs.len() == self.works.inputs.len(), "inputs of a chain");
        let mut tensors: TVec<&[f32]> = tvec!();
        for input in inputs {
            tensors.push(input.try_as_plain_ram()?.as_slice::<f32>()?);
        }
        self.works.run(&tensors, &mut self.memory)?;
        let outputs = self.memory.outputs.iter();
        Ok(outputs
            .map(|output| TValue::from_const(Arc::clone(output)))
            .collect())
    }
}

impl std::fmt::Debug for Chain {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Chain of {} works", self.0.steps.len())
    }
}

impl std::fmt::Debug for State {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "State of a chain of {} works", self.works.steps.len())
    }
}

/// A copy starts with memory of its own: nothing in it outlives a run.
impl Clone for State {
    fn clone(&self) -> Self {
        Self {
            works: Arc::clone(&self.works),
            memory: self.works.memory_with(self.memory.outputs.clone()),
        }
    }
}

/// Chains are compared by identity: their weights are too many to look at.
impl PartialEq for Chain {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

impl Eq for Chain {}

impl OpState for State {
    fn eval(
        &mut self,
        _ctx: &EvalContext,
        _op: &dyn Op,
        inputs: TVec<TValue>,
    ) -> TractResult<TVec<TValue>> {
        self.eval(&inputs)
    }

    fn reset_lanes(&mut self, _lanes: &[LaneId]) -> TractResult<()> {
        Ok(())
    }
}

impl EvalOp for Chain {
    fn eval_out_of_plan(&self, inputs: TVec<TValue>) -> TractResult<Option<TVec<TValue>>> {
        Ok(Some(self.new_state()?.eval(&inputs)?))
    }

    fn state(&self, _ctx: &EvalContext) -> TractResult<Option<Box<dyn OpState>>> {
        Ok(Some(Box::new(self.new_state()?)))
    }
}

impl Chain {
    fn new_state(&self) -> TractResult<State> {
        Ok(State {
            works: Arc::clone(&self.0),
            memory: self.0.memory()?,
        })
    }
}

impl Op for Chain {
    fn name(&self) -> StaticName {
        "Chain".into()
    }

    fn info(&self) -> TractResult<Vec<String>> {
        Ok(vec![format!("{self:?}, {:?}", self.0.workers.set)])
    }

    fn validation(&self) -> Validation {
        Validation::Rounding
    }

    op_as_typed_op!();
}

impl TypedOp for Chain {
    fn output_facts(&self, inputs: &[&TypedFact]) -> TractResult<TVec<TypedFact>> {
        ensure!(inputs.len() == self.0.inputs.len(), "inputs of a chain");
        for (fact, [height, width, channels]) in inputs.iter().zip(&self.0.inputs) {
            let shape = [1, *height, *width, *channels];
            ensure!(
                fact.datum_type == f32::datum_type()
                    && fact.shape.as_concrete() == Some(&shape[..]),
                "input is {fact:?}, not {shape:?} of f32"
            );
        }
        Ok((0..self.0.outputs.len())
            .map(|output| f32::fact(self.0.output_shape(output)))
            .collect())
    }

    as_op!();
}
