//! A chain of works as one operator of a tract graph, with memory of its own.
//!
//! In: tensors with their channels last, one picture each. Out: such tensors. What lies between them is made in
//! buffers that are planned and allocated once (see `plan`), so a run allocates nothing: not even its outputs, as long
//! as the caller has let go of those of the run before. A chain does not look at the graph around it.

use super::kernels::{Buffer, InstructionSet};
use super::plan::{Operand, Plan, Step};
use super::work::{self, Inputs, Picture, Work};
use tract_onnx::tract_core::internal::*;

/// Height, width and channels of a tensor that a chain reads or gives.
pub type Shape = [usize; 3];

/// A picture that a chain gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Given {
    /// The step that makes it.
    pub step: usize,
    /// Its channels, where it is to have those of a pixel side by side; else it is given as it lies, in blocks.
    pub channels: Option<usize>,
}

/// The operator.
#[derive(Clone)]
pub struct Chain(Arc<Works>);

struct Works {
    set: InstructionSet,
    steps: Vec<Step>,
    plan: Plan,
    inputs: Vec<Shape>,
    outputs: Vec<Given>,
    scratch_len: usize,
}

impl Chain {
    /// Makes an operator of steps that read each other's pictures and tensors of the given shapes.
    pub fn new(
        set: InstructionSet,
        steps: Vec<Step>,
        inputs: Vec<Shape>,
        outputs: Vec<Given>,
    ) -> Self {
        let kept: Vec<_> = outputs.iter().map(|given| given.step).collect();
        let plan = Plan::new(&steps, &kept);
        let scratch_len = steps
            .iter()
            .map(|step| match &step.work {
                Work::Convolution(convolution) => convolution.scratch_len(),
                _ => 0,
            })
            .max()
            .unwrap_or(0);
        Self(Arc::new(Works {
            set,
            steps,
            plan,
            inputs,
            outputs,
            scratch_len,
        }))
    }

    /// The works, in order.
    #[cfg(test)]
    pub fn works(&self) -> impl Iterator<Item = &Work> {
        self.0.steps.iter().map(|step| &step.work)
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
        Ok(Memory {
            buffers: self
                .plan
                .slot_lens
                .iter()
                .map(|len| Buffer::new(*len))
                .collect(),
            scratch: Buffer::new(self.scratch_len),
            outputs: (0..self.outputs.len())
                .map(
                    |output| Ok(Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor()),
                )
                .collect::<TractResult<_>>()?,
        })
    }

    /// Does all works, and leaves the pictures in `memory`.
    fn run(&self, tensors: &[&[f32]], memory: &mut Memory) -> TractResult<()> {
        for (step, band) in &self.plan.schedule {
            self.make(*step, *band, tensors, memory)?;
        }
        Ok(())
    }

    /// Makes one band of one step's picture.
    fn make(
        &self,
        step: usize,
        band: usize,
        tensors: &[&[f32]],
        memory: &mut Memory,
    ) -> TractResult<()> {
        let Step { work, inputs, .. } = &self.steps[step];
        let slot = self.plan.slots[step];
        // Taken out while it is written, so that the others can be read.
        let mut output = std::mem::take(&mut memory.buffers[slot]);
        let picture = |operand: &Operand| match *operand {
            Operand::Step(step) => {
                let layout = self.plan.layouts[step];
                let values = memory.buffers[self.plan.slots[step]].get();
                Picture::Blocks(&values[..layout.len()], layout)
            }
            Operand::Tensor(tensor) => {
                let [_, width, channels] = self.inputs[tensor];
                Picture::Pixels(tensors[tensor], width, channels)
            }
        };
        let inputs = Inputs {
            first: picture(inputs.first().context("a work without input")?),
            second: inputs.get(1).map(picture),
        };
        let to = self.plan.layouts[step];
        let made = &mut output.get_mut()[..to.len()];
        let scratch = memory.scratch.get_mut();
        work.make(self.set, inputs, band, to, made, scratch);
        memory.buffers[slot] = output;
        Ok(())
    }

    /// Copies the outputs' pictures into the tensors that are given out.
    fn outputs(&self, memory: &mut Memory) -> TractResult<TVec<TValue>> {
        let mut outputs = tvec!();
        for (output, Given { step, channels }) in self.outputs.iter().enumerate() {
            let tensor = &mut memory.outputs[output];
            if Arc::get_mut(tensor).is_none() {
                // Somebody still reads the last run's output.
                *tensor = Tensor::zero::<f32>(&self.output_shape(output))?.into_arc_tensor();
            }
            let layout = self.plan.layouts[*step];
            let picture = &memory.buffers[self.plan.slots[*step]].get()[..layout.len()];
            let mut plain = Arc::get_mut(tensor)
                .context("a new tensor is shared")?
                .try_as_plain_ram_mut()?;
            let values = plain.as_slice_mut::<f32>()?;
            match channels {
                Some(channels) => work::leave(picture, layout, *channels, values),
                None => values.copy_from_slice(picture),
            }
            outputs.push(TValue::from_const(Arc::clone(&memory.outputs[output])));
        }
        Ok(outputs)
    }
}

/// What a chain keeps from run to run.
struct Memory {
    buffers: Vec<Buffer>,
    scratch: Buffer,
    outputs: Vec<Arc<Tensor>>,
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
        self.works.outputs(&mut self.memory)
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
        let buffers = &self.works.plan.slot_lens;
        Self {
            works: Arc::clone(&self.works),
            memory: Memory {
                buffers: buffers.iter().map(|len| Buffer::new(*len)).collect(),
                scratch: Buffer::new(self.works.scratch_len),
                outputs: self.memory.outputs.clone(),
            },
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
        Ok(vec![format!("{self:?}, {:?}", self.0.set)])
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
