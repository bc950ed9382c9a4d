//! A chain of works as one operator of a tract graph, with memory of its own.
//!
//! In: tensors with their channels last, one picture each. Out: such tensors. What lies between them is made in
//! buffers that are planned and allocated once (see `plan`), so a run allocates nothing: not even its outputs, as long
//! as the caller has let go of those of the run before. A pool of threads does the parts of a stage in any order and
//! meets at its end; every value is made by the same sums whoever makes it. A chain does not look at the graph around
//! it.

// Threads that write different pieces of one picture cannot each borrow all of it.
#![allow(unsafe_code)]

use super::kernels::{self, InstructionSet, SharedBuffer, SharedView};
use super::layer::{self as layer, FeatureMap, Inputs, Layer};
use super::plan::{Operand, Place, Plan, PlanOptions, Stage, Step, Task};
use super::worker_pool::{Worker, WorkerPool, wait_until};
use std::sync::atomic::{AtomicUsize, Ordering};
use tract_onnx::tract_core::internal::*;

/// Height, width and channels of a tensor that a chain reads or gives.
pub(super) type Shape = [usize; 3];

/// A picture that a chain gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OutputSpec {
    /// The step that makes it.
    pub step: usize,
    /// Its channels, where it is to have those of a pixel side by side; else it is given as it lies, in blocks.
    pub channels: Option<usize>,
}

/// Who works on a chain, and with what.
#[derive(Clone)]
pub(super) struct Backend {
    /// The instructions that they use.
    pub set: InstructionSet,
    /// The threads.
    pub pool: Arc<WorkerPool>,
}

/// The operator.
#[derive(Clone)]
pub(super) struct FusedGraph(Arc<Program>);

struct Program {
    backend: Backend,
    steps: Vec<Step>,
    plan: Plan,
    inputs: Vec<Shape>,
    outputs: Vec<OutputSpec>,
    scratch_len: usize,
}

impl FusedGraph {
    /// Makes an operator of steps that read each other's pictures and tensors of the given shapes.
    pub(super) fn new(
        backend: Backend,
        steps: Vec<Step>,
        inputs: Vec<Shape>,
        outputs: Vec<OutputSpec>,
    ) -> Self {
        let given = |as_it_lies: bool| -> Vec<_> {
            let given = outputs
                .iter()
                .filter(|given| given.channels.is_none() == as_it_lies);
            given.map(|given| given.step).collect()
        };
        let options = PlanOptions {
            threads: backend.pool.threads(),
            panel_blocks: kernels::panel_blocks(backend.set),
        };
        let plan = Plan::new(&steps, &given(false), &given(true), options);
        let scratch_len = steps
            .iter()
            .map(|step| match &step.layer {
                Layer::Convolution(convolution) => convolution.scratch_len(),
                _ => 0,
            })
            .max()
            .unwrap_or(0);
        Self(Arc::new(Program {
            backend,
            steps,
            plan,
            inputs,
            outputs,
            scratch_len,
        }))
    }

    /// The works, in order.
    #[cfg(test)]
    pub(super) fn works(&self) -> impl Iterator<Item = &Layer> {
        self.0.steps.iter().map(|step| &step.layer)
    }

    /// Checks that the plan can be followed.
    #[cfg(test)]
    pub(super) fn follow_plan(&self) {
        let kept: Vec<_> = self.0.outputs.iter().map(|given| given.step).collect();
        super::plan::follow(&self.0.steps, &self.0.plan, &kept);
    }
}

impl Program {
    fn output_shape(&self, output: usize) -> TVec<usize> {
        let OutputSpec { step, channels } = self.outputs[output];
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
        let own = |_| WorkerMemory {
            values: SharedBuffer::new(plan.own_len),
            scratch: SharedBuffer::new(self.scratch_len),
        };
        let buffers = plan.buffer_lens.iter();
        Memory {
            buffers: buffers.map(|len| SharedBuffer::new(*len)).collect(),
            own: (0..self.backend.pool.threads()).map(own).collect(),
            progress: plan
                .stages
                .iter()
                .map(|_| StageProgress::default())
                .collect(),
            outputs,
        }
    }

    /// Does all works, and fills the tensors that are given out.
    fn run(&self, tensors: &[&[f32]], memory: &mut Memory) -> TractResult<()> {
        memory.progress.fill_with(StageProgress::default);
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
        for (OutputSpec { step, channels }, plain) in self.outputs.iter().zip(&mut plain) {
            let values = plain.as_slice_mut::<f32>()?;
            match channels {
                None => outside.push(SharedView::of(values)),
                Some(channels) => copied.push((*step, *channels, values)),
            }
        }
        let buffers = RunBuffers {
            buffers: &memory.buffers,
            own: &memory.own,
            outside: &outside,
            progress: &memory.progress,
        };
        self.backend
            .pool
            .run(&|worker| self.layer(worker, tensors, &buffers));
        for (step, channels, values) in copied {
            let (view, start) = self.home(step, buffers, 0);
            let layout = self.steps[step].layout;
            // SAFETY: the run is over, and nobody has a slice of it any more.
            let picture = unsafe { view.get(start..start + layout.len()) };
            layer::unpack(picture, layout, channels, values);
        }
        Ok(())
    }

    /// The memory that holds a step's picture for a worker, and where in it the picture starts.
    fn home<'a>(
        &self,
        step: usize,
        buffers: RunBuffers<'a>,
        worker: usize,
    ) -> (SharedView<'a>, usize) {
        match self.plan.places[step] {
            Place::Whole(buffer) => (buffers.buffers[buffer].view(), 0),
            Place::Outside(nth) => (buffers.outside[nth], 0),
            Place::Bands(start) | Place::Blocks(start) => {
                (buffers.own[worker].values.view(), start)
            }
        }
    }

    /// What one thread does of a run: parts that nobody has taken, stage by stage, as long as it may.
    fn layer(&self, worker: &Worker<'_>, tensors: &[&[f32]], buffers: &RunBuffers<'_>) {
        for (Stage { parts }, progress) in self.plan.stages.iter().zip(buffers.progress) {
            worker.wake_helpers();
            while worker.may_continue()
                && let Some(part) = progress.take(parts.len())
            {
                for task in &parts[part] {
                    // SAFETY: the part is this thread's alone, all stages before this one are done, and no thread does
                    // anything of a later one before this part is done. A plan has the parts of a stage write different
                    // pieces of a picture that nobody reads in that stage, and read pictures of earlier stages; a
                    // picture of which a part holds only some is in the thread's own memory.
                    unsafe { self.make(task, worker.number(), tensors, buffers) };
                }
                progress.done.fetch_add(1, Ordering::Release);
            }
            let done = || progress.done.load(Ordering::Acquire) == parts.len();
            wait_until(|| done() || !worker.may_continue() || worker.has_failed());
            if !done() {
                return;
            }
        }
    }

    /// Makes one tile of one step's picture.
    ///
    /// # Safety
    /// Nobody else may use the worker's own memory or write what the task reads, nor read or write what it makes.
    unsafe fn make(
        &self,
        task: &Task,
        worker: usize,
        tensors: &[&[f32]],
        buffers: &RunBuffers<'_>,
    ) {
        let Task { step, tile } = task;
        let Step { layer, inputs, .. } = &self.steps[*step];
        let picture = |operand: &Operand| match *operand {
            Operand::Step(step) => {
                let layout = self.plan.layout(step, &tile.blocks);
                let (view, start) = self.home(step, *buffers, worker);
                // SAFETY: as promised to this function.
                let values = unsafe { view.get(start..start + layout.len()) };
                FeatureMap::Blocks(values, layout)
            }
            Operand::Tensor(tensor) => {
                let [_, width, channels] = self.inputs[tensor];
                FeatureMap::Pixels(tensors[tensor], width, channels)
            }
        };
        let inputs = Inputs {
            first: picture(&inputs[0]),
            second: inputs.get(1).map(picture),
        };
        let to = self.plan.layout(*step, &tile.blocks);
        let (view, start) = self.home(*step, *buffers, worker);
        let places = to.tile(tile);
        // SAFETY: as promised to this function; no layer reads the picture that it makes.
        let made = unsafe { view.get_mut(start + places.start..start + places.end) };
        // SAFETY: as promised to this function.
        let scratch = unsafe {
            buffers.own[worker]
                .scratch
                .view()
                .get_mut(0..self.scratch_len)
        };
        layer.make(self.backend.set, inputs, tile, to, made, scratch);
    }
}

/// What a chain keeps from run to run.
struct Memory {
    /// Whole pictures.
    buffers: Vec<SharedBuffer>,
    /// What each thread has for itself.
    own: Vec<WorkerMemory>,
    /// How far each stage is.
    progress: Vec<StageProgress>,
    outputs: Vec<Arc<Tensor>>,
}

/// The same while a run goes on, with the tensors that are given out.
#[derive(Clone, Copy)]
struct RunBuffers<'a> {
    buffers: &'a [SharedBuffer],
    own: &'a [WorkerMemory],
    outside: &'a [SharedView<'a>],
    progress: &'a [StageProgress],
}

/// Memory of one thread.
struct WorkerMemory {
    /// Pictures on the way.
    values: SharedBuffer,
    /// What a layer needs while it makes a tile.
    scratch: SharedBuffer,
}

/// How far a stage is. Each has a line of the cache to itself.
#[derive(Default)]
#[repr(align(64))]
struct StageProgress {
    /// Parts that somebody has taken.
    taken: AtomicUsize,
    /// Parts that are done.
    done: AtomicUsize,
}

impl StageProgress {
    /// A part that nobody has taken.
    fn take(&self, parts: usize) -> Option<usize> {
        // Without the first look a thread that comes late would write to every stage that is long done.
        (self.taken.load(Ordering::Relaxed) < parts)
            .then(|| self.taken.fetch_add(1, Ordering::Relaxed))
            .filter(|part| *part < parts)
    }
}

struct State {
    works: Arc<Program>,
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

impl std::fmt::Debug for FusedGraph {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "FusedGraph of {} works", self.0.steps.len())
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
impl PartialEq for FusedGraph {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

impl Eq for FusedGraph {}

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

impl EvalOp for FusedGraph {
    fn eval_out_of_plan(&self, inputs: TVec<TValue>) -> TractResult<Option<TVec<TValue>>> {
        Ok(Some(self.new_state()?.eval(&inputs)?))
    }

    fn state(&self, _ctx: &EvalContext) -> TractResult<Option<Box<dyn OpState>>> {
        Ok(Some(Box::new(self.new_state()?)))
    }
}

impl FusedGraph {
    fn new_state(&self) -> TractResult<State> {
        Ok(State {
            works: Arc::clone(&self.0),
            memory: self.0.memory()?,
        })
    }
}

impl Op for FusedGraph {
    fn name(&self) -> StaticName {
        "FusedGraph".into()
    }

    fn info(&self) -> TractResult<Vec<String>> {
        Ok(vec![format!("{self:?}, {:?}", self.0.backend.set)])
    }

    fn validation(&self) -> Validation {
        Validation::Rounding
    }

    op_as_typed_op!();
}

impl TypedOp for FusedGraph {
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
