//! A fused graph: many layers as one operator of a tract graph, with memory of its own.
//!
//! In: tensors with their channels last, one image each. Out: such tensors. Everything between is computed in buffers that
//! are planned and allocated once (see [`plan`](super::plan)), so that a run allocates nothing, not even its outputs once
//! the caller has dropped those of the run before. The workers claim the chunks of a stage in any order and meet at its
//! end; a value is the same sum of the same products whichever worker computes it.

// Threads that write different tiles of one feature map cannot each borrow all of it.
#![allow(unsafe_code)]

use super::kernels::{self, InstructionSet, SharedBuffer, SharedView};
use super::layer::{self, FeatureMap, Inputs, Layer};
use super::plan::{Operand, Plan, PlanOptions, Stage, Step, Storage, Task};
use super::worker_pool::{Worker, WorkerPool, wait_until};
use std::sync::atomic::{AtomicUsize, Ordering};
use tract_onnx::tract_core::internal::*;

/// Height, width and channels of an image or a feature map.
pub(super) type Shape = [usize; 3];

/// An output of a fused graph.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OutputSpec {
    /// The step whose feature map it is.
    pub step: usize,
    /// How its tensor is laid out.
    pub format: OutputFormat,
}

/// The layout of an output tensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OutputFormat {
    /// Channels last; the number of channels.
    ChannelsLast(usize),
    /// The blocked layout, as a flat tensor.
    Blocked,
}

/// What runs a fused graph.
#[derive(Clone)]
pub(super) struct Backend {
    /// The instructions that the kernels use.
    pub set: InstructionSet,
    /// The threads that share the work.
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
    /// Plans an operator of these steps; `inputs` are the shapes of the tensors that they read.
    pub(super) fn new(
        backend: Backend,
        steps: Vec<Step>,
        inputs: Vec<Shape>,
        outputs: Vec<OutputSpec>,
    ) -> Self {
        let (direct, copied): (Vec<_>, Vec<_>) = outputs
            .iter()
            .partition(|output| output.format == OutputFormat::Blocked);
        let steps_of = |outputs: &[&OutputSpec]| -> Vec<_> {
            outputs.iter().map(|output| output.step).collect()
        };
        let options = PlanOptions {
            threads: backend.pool.threads(),
            panel_blocks: kernels::panel_blocks(backend.set),
        };
        let plan = Plan::new(&steps, &steps_of(&copied), &steps_of(&direct), options);
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

    /// The layers, in order.
    #[cfg(test)]
    pub(super) fn layers(&self) -> impl Iterator<Item = &Layer> {
        self.0.steps.iter().map(|step| &step.layer)
    }

    /// Checks the plan; see [`super::plan::verify`].
    #[cfg(test)]
    pub(super) fn verify_plan(&self) -> Result<(), String> {
        let outputs: Vec<_> = self.0.outputs.iter().map(|output| output.step).collect();
        super::plan::verify(&self.0.steps, &self.0.plan, &outputs)
    }
}

impl Program {
    fn output_shape(&self, output: usize) -> TVec<usize> {
        let OutputSpec { step, format } = self.outputs[output];
        let layout = self.steps[step].layout;
        match format {
            OutputFormat::ChannelsLast(channels) => {
                tvec!(1, layout.height, layout.width, channels)
            }
            OutputFormat::Blocked => tvec!(layout.len()),
        }
    }

    fn memory(&self) -> TractResult<Memory> {
        let zeros = |output| Ok(Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor());
        let outputs = (0..self.outputs.len()).map(zeros);
        Ok(self.memory_with(outputs.collect::<TractResult<_>>()?))
    }

    fn memory_with(&self, outputs: Vec<Arc<Tensor>>) -> Memory {
        let plan = &self.plan;
        let worker_memory = |_| WorkerMemory {
            maps: SharedBuffer::new(plan.worker_len),
            scratch: SharedBuffer::new(self.scratch_len),
        };
        let buffers = plan.buffer_lens.iter();
        Memory {
            buffers: buffers.map(|len| SharedBuffer::new(*len)).collect(),
            workers: (0..self.backend.pool.threads())
                .map(worker_memory)
                .collect(),
            progress: plan
                .stages
                .iter()
                .map(|_| StageProgress::default())
                .collect(),
            outputs,
        }
    }

    /// Computes all steps and fills the output tensors.
    fn run(&self, tensors: &[&[f32]], memory: &mut Memory) -> TractResult<()> {
        memory.progress.fill_with(StageProgress::default);
        // Blocked outputs are computed in their tensors; the others are copied there afterwards.
        let mut plain = tvec!();
        for (output, tensor) in memory.outputs.iter_mut().enumerate() {
            if Arc::get_mut(tensor).is_none() {
                // The caller still holds the output of the run before.
                *tensor = Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor();
            }
            let tensor = Arc::get_mut(tensor).context("a new tensor is shared")?;
            plain.push(tensor.try_as_plain_ram_mut()?);
        }
        let mut direct_outputs = tvec!();
        let mut copied_outputs = tvec!();
        for (OutputSpec { step, format }, plain) in self.outputs.iter().zip(&mut plain) {
            let values = plain.as_slice_mut::<f32>()?;
            match format {
                OutputFormat::Blocked => direct_outputs.push(SharedView::of(values)),
                OutputFormat::ChannelsLast(channels) => {
                    copied_outputs.push((*step, *channels, values));
                }
            }
        }
        let run = Run {
            tensors,
            buffers: &memory.buffers,
            workers: &memory.workers,
            direct_outputs: &direct_outputs,
            progress: &memory.progress,
        };
        self.backend.pool.run(&|worker| self.work(worker, &run));
        for (step, channels, values) in copied_outputs {
            let (view, start) = self.storage_of(step, &run, 0);
            let layout = self.steps[step].layout;
            // SAFETY: the workers are done, so nobody has a slice of it any more.
            let map = unsafe { view.get(start..start + layout.len()) };
            layer::unpack(map, layout, channels, values);
        }
        Ok(())
    }

    /// The memory that holds a step's feature map for a worker, and where in it the map starts.
    fn storage_of<'a>(&self, step: usize, run: &Run<'a>, worker: usize) -> (SharedView<'a>, usize) {
        match self.plan.storage[step] {
            Storage::Buffer(buffer) => (run.buffers[buffer].view(), 0),
            Storage::Output(nth) => (run.direct_outputs[nth], 0),
            Storage::Bands(start) | Storage::Blocks(start) => {
                (run.workers[worker].maps.view(), start)
            }
        }
    }

    /// One worker's share of a run: chunks that nobody has claimed, stage by stage, as long as it may continue.
    fn work(&self, worker: &Worker<'_>, run: &Run<'_>) {
        for (Stage { chunks }, progress) in self.plan.stages.iter().zip(run.progress) {
            worker.wake_helpers();
            while worker.may_continue()
                && let Some(chunk) = progress.claim(chunks.len())
            {
                for task in &chunks[chunk] {
                    // SAFETY: the chunk is this worker's alone, all stages before this one are done, and no worker starts
                    // on a later one before this chunk is done. By the plan, the chunks of a stage write different
                    // tiles of a map that none of them reads, and read maps of earlier stages or of the worker's own
                    // memory.
                    unsafe { self.compute(task, worker.number(), run) };
                }
                progress.done.fetch_add(1, Ordering::Release);
            }
            let done = || progress.done.load(Ordering::Acquire) == chunks.len();
            wait_until(|| done() || !worker.may_continue() || worker.has_failed());
            if !done() {
                return;
            }
        }
    }

    /// Computes the tile of a task.
    ///
    /// # Safety
    /// Meanwhile nobody else may use the worker's own memory, write what the task reads, or read or write its tile.
    unsafe fn compute(&self, task: &Task, worker: usize, run: &Run<'_>) {
        let Task { step, tile } = task;
        let Step { layer, inputs, .. } = &self.steps[*step];
        let map = |operand: &Operand| match *operand {
            Operand::Step(step) => {
                let layout = self.plan.layout(step, &tile.blocks);
                let (view, start) = self.storage_of(step, run, worker);
                // SAFETY: as promised to this function.
                let values = unsafe { view.get(start..start + layout.len()) };
                FeatureMap::Blocked { values, layout }
            }
            Operand::Tensor(tensor) => {
                let [_, width, channels] = self.inputs[tensor];
                FeatureMap::ChannelsLast {
                    values: run.tensors[tensor],
                    width,
                    channels,
                }
            }
        };
        let inputs = Inputs {
            main: map(&inputs[0]),
            residual: inputs.get(1).map(map),
        };
        let to = self.plan.layout(*step, &tile.blocks);
        let (view, start) = self.storage_of(*step, run, worker);
        let range = to.tile(tile);
        // SAFETY: as promised to this function, and no layer reads the map that it computes.
        let output = unsafe { view.get_mut(start + range.start..start + range.end) };
        let scratch = run.workers[worker].scratch.view();
        // SAFETY: as promised to this function.
        let scratch = unsafe { scratch.get_mut(0..self.scratch_len) };
        layer.compute(self.backend.set, inputs, tile, to, output, scratch);
    }
}

/// What a fused graph keeps from run to run.
struct Memory {
    /// Whole feature maps.
    buffers: Vec<SharedBuffer>,
    /// What each worker has for itself.
    workers: Vec<WorkerMemory>,
    /// The progress of each stage.
    progress: Vec<StageProgress>,
    outputs: Vec<Arc<Tensor>>,
}

/// A run's view of the memory, and its tensors.
struct Run<'a> {
    /// The input tensors, channels last.
    tensors: &'a [&'a [f32]],
    buffers: &'a [SharedBuffer],
    workers: &'a [WorkerMemory],
    /// The output tensors in the blocked layout.
    direct_outputs: &'a [SharedView<'a>],
    progress: &'a [StageProgress],
}

/// Memory of one worker.
struct WorkerMemory {
    /// Streamed feature maps.
    maps: SharedBuffer,
    /// What a layer needs while it computes a tile.
    scratch: SharedBuffer,
}

/// How far a stage is. Each has a cache line to itself.
#[derive(Default)]
#[repr(align(64))]
struct StageProgress {
    /// Chunks that a worker has claimed.
    claimed: AtomicUsize,
    /// Chunks that are done.
    done: AtomicUsize,
}

impl StageProgress {
    /// Claims a chunk that nobody has claimed, if there is one.
    fn claim(&self, chunks: usize) -> Option<usize> {
        // Without the load a worker that starts late would write to the counter of every stage that is long done.
        (self.claimed.load(Ordering::Relaxed) < chunks)
            .then(|| self.claimed.fetch_add(1, Ordering::Relaxed))
            .filter(|chunk| *chunk < chunks)
    }
}

/// The operator's state in a running tract graph.
struct State {
    program: Arc<Program>,
    memory: Memory,
}

impl State {
    fn eval(&mut self, inputs: &[TValue]) -> TractResult<TVec<TValue>> {
        ensure!(
            inputs.len() == self.program.inputs.len(),
            "inputs of a fused graph"
        );
        let mut tensors: TVec<&[f32]> = tvec!();
        for input in inputs {
            tensors.push(input.try_as_plain_ram()?.as_slice::<f32>()?);
        }
        self.program.run(&tensors, &mut self.memory)?;
        let outputs = self.memory.outputs.iter();
        Ok(outputs
            .map(|output| TValue::from_const(Arc::clone(output)))
            .collect())
    }
}

impl std::fmt::Debug for FusedGraph {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "FusedGraph of {} steps", self.0.steps.len())
    }
}

impl std::fmt::Debug for State {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "State of a fused graph of {} steps",
            self.program.steps.len()
        )
    }
}

/// A clone has memory of its own: nothing in it outlives a run.
impl Clone for State {
    fn clone(&self) -> Self {
        Self {
            program: Arc::clone(&self.program),
            memory: self.program.memory_with(self.memory.outputs.clone()),
        }
    }
}

/// Compared by identity: the weights are too many.
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
            program: Arc::clone(&self.0),
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
        ensure!(
            inputs.len() == self.0.inputs.len(),
            "inputs of a fused graph"
        );
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
