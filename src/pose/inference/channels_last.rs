//! Rebuilds a tract graph so that its convolutions run in our operators, with the channels of a pixel side by side.
//!
//! In: a typed graph as tract reads it from an ONNX file (channels first, shapes known, weights constant). Out: an
//! equal graph, with the same inputs and outputs, in which convolutions, enlargements, sums and maximum pools work
//! channels last, and what follows a convolution (bias, sum, activation) is done while its result is written.
//!
//! Why at all: tract 0.23 has no fast depthwise kernel for x86-64, and channels first it must pack every
//! pointwise input anew. With the channels last, every inner loop of both reads and writes whole registers in order.
//! What this pass does not know is copied unchanged, between two moves of the channel axis where needed, so a graph
//! of another make runs slower but not wrongly.

use super::kernels::InstructionSet;
use super::operators::{Activation, Convolution, Enlarge, Window};
use std::collections::{HashMap, HashSet};
use tract_onnx::tract_core::internal::*;
use tract_onnx::tract_core::ops::binary::TypedBinOp;
use tract_onnx::tract_core::ops::cast::Cast;
use tract_onnx::tract_core::ops::cnn::conv::KernelFormat;
use tract_onnx::tract_core::ops::cnn::{Conv, MaxPool, PoolSpec};
use tract_onnx::tract_core::ops::math::{Add, Max, Min};
use tract_onnx::tract_core::ops::nn::{CoordTransformer, DataFormat, Interpolator, Resize};
use tract_onnx::tract_core::ops::{konst::Const, source::TypedSource};

/// Rebuilds `source` for one instruction set.
///
/// # Errors
/// Where tract refuses a node, which would be a mistake in this pass.
pub fn channels_last(mut source: TypedModel, set: InstructionSet) -> TractResult<TypedModel> {
    lower_resizes(&mut source)?;
    let source = &source;
    let mut pass = Pass {
        source,
        set,
        target: TypedModel::default(),
        first: HashMap::new(),
        last: HashMap::new(),
        absorbed: HashSet::new(),
        position: HashMap::new(),
    };
    let order = source.eval_order()?;
    pass.position.extend(
        order
            .iter()
            .enumerate()
            .map(|(position, id)| (*id, position)),
    );
    for id in order {
        if !pass.absorbed.contains(&id) {
            pass.translate(id)?;
        }
    }
    let mut outputs = vec![];
    for outlet in source.output_outlets()? {
        outputs.push(pass.channels_first(*outlet)?);
    }
    pass.target.select_output_outlets(&outputs)?;
    pass.target.symbols = source.symbols.clone();
    Ok(pass.target)
}

/// Turns the reader's resize operator, whose type tract does not show, into the plain one of tract's core.
fn lower_resizes(model: &mut TypedModel) -> TractResult<()> {
    for id in model.eval_order()? {
        let node = model.node(id);
        if node.op().name() == "Resize"
            && !node.op_is::<Resize>()
            && let Some(patch) = node.op.declutter(model, node)?
        {
            patch.apply(model)?;
        }
    }
    Ok(())
}

struct Pass<'a> {
    source: &'a TypedModel,
    set: InstructionSet,
    target: TypedModel,
    /// Values of the source graph in its own layout.
    first: HashMap<OutletId, OutletId>,
    /// Values of the source graph with the channels last.
    last: HashMap<OutletId, OutletId>,
    /// Nodes of the source graph that are done by the operator of a node before them.
    absorbed: HashSet<usize>,
    /// When the nodes of the source graph are translated.
    position: HashMap<usize, usize>,
}

impl<'a> Pass<'a> {
    fn translate(&mut self, id: usize) -> TractResult<()> {
        let node = self.source.node(id);
        if node.op_is::<TypedSource>() {
            let outlet = self
                .target
                .add_source(&node.name, node.outputs[0].fact.clone())?;
            self.first.insert(id.into(), outlet);
            return Ok(());
        }
        let known = if let Some(op) = node.op_as::<Conv>() {
            self.convolution(node, op)?
        } else if let Some(op) = node.op_as::<Resize>() {
            self.enlargement(node, op)?
        } else if let Some(op) = node.op_as::<MaxPool>() {
            self.max_pool(node, op)?
        } else if node.op_is::<TypedBinOp>() {
            self.by_value(node)?
        } else {
            false
        };
        if !known {
            let inputs = node
                .inputs
                .iter()
                .map(|outlet| self.channels_first(*outlet))
                .collect::<TractResult<TVec<_>>>()?;
            let outlets = self
                .target
                .wire_node(&node.name, node.op.clone(), &inputs)?;
            for (slot, outlet) in outlets.into_iter().enumerate() {
                self.first.insert(OutletId::new(id, slot), outlet);
            }
        }
        Ok(())
    }

    /// The value in the layout of the source graph.
    fn channels_first(&mut self, outlet: OutletId) -> TractResult<OutletId> {
        if let Some(found) = self.first.get(&outlet) {
            return Ok(*found);
        }
        let last = *self
            .last
            .get(&outlet)
            .context("a value was not translated")?;
        let name = format!("{}.channels_first", self.source.node(outlet.node).name);
        let moved = self.target.wire_node(name, AxisOp::Move(3, 1), &[last])?[0];
        self.first.insert(outlet, moved);
        Ok(moved)
    }

    /// The value, which must have four axes, with the channels last.
    fn channels_last(&mut self, outlet: OutletId) -> TractResult<OutletId> {
        if let Some(found) = self.last.get(&outlet) {
            return Ok(*found);
        }
        let first = *self
            .first
            .get(&outlet)
            .context("a value was not translated")?;
        let name = format!("{}.channels_last", self.source.node(outlet.node).name);
        let moved = self.target.wire_node(name, AxisOp::Move(1, 3), &[first])?[0];
        self.last.insert(outlet, moved);
        Ok(moved)
    }

    fn convolution(&mut self, node: &TypedNode, op: &Conv) -> TractResult<bool> {
        let Some(window) = self.window(node, op)? else {
            return Ok(false);
        };
        let (Some(weights), Some(bias)) = (
            constant(self.source, node.inputs[1])?,
            constant(self.source, node.inputs[2])?,
        ) else {
            return Ok(false);
        };
        let Some(convolution) = Convolution::new(
            self.set,
            window,
            op.group,
            &weights,
            &bias,
            Activation::Linear,
        )?
        else {
            return Ok(false);
        };
        let mut inputs = tvec!(self.channels_last(node.inputs[0])?);
        let mut end = node.id;
        if convolution.takes_residual()
            && let Some((sum, other)) = self.sum_after(node.id, end)?
        {
            inputs.push(self.channels_last(other)?);
            end = sum;
        }
        let (end, activation) = self.activation_after(end)?;
        self.finish(node, convolution.with_activation(activation), &inputs, end)
    }

    /// Wires an operator that stands for `node` and what follows it up to `end`.
    fn finish(
        &mut self,
        node: &TypedNode,
        op: impl Into<Box<dyn TypedOp>>,
        inputs: &[OutletId],
        end: usize,
    ) -> TractResult<bool> {
        let outlet = self.target.wire_node(&node.name, op, inputs)?[0];
        self.last.insert(end.into(), outlet);
        Ok(true)
    }

    /// Where the window of a float convolution on channels-first data goes, if that is what this is.
    fn window(&self, node: &TypedNode, op: &Conv) -> TractResult<Option<Window>> {
        let spec = &op.pool_spec;
        let Some([height, width]) = self.image_size(node.inputs[0])? else {
            return Ok(None);
        };
        let plain = op.q_params.is_none()
            && node.inputs.len() == 3
            && op.kernel_fmt == KernelFormat::OIHW
            && spec.data_format == DataFormat::NCHW
            && spec.rank() == 2
            && spec.dilations().iter().all(|d| *d == 1);
        if !plain {
            return Ok(None);
        }
        let padding = spec.computed_padding(&[height, width]);
        Ok(Some(Window {
            input_size: [height, width],
            output_size: [padding[0].convoluted, padding[1].convoluted],
            kernel: [spec.kernel_shape[0], spec.kernel_shape[1]],
            stride: [spec.stride(0), spec.stride(1)],
            padding: [padding[0].pad_before, padding[1].pad_before],
        }))
    }

    /// Height and width of one picture of floats, if that is what the value is.
    fn image_size(&self, outlet: OutletId) -> TractResult<Option<[usize; 2]>> {
        let fact = self.source.outlet_fact(outlet)?;
        let size = match fact.shape.as_concrete() {
            Some(&[1, _, height, width]) if fact.datum_type == f32::datum_type() => {
                Some([height, width])
            }
            _ => None,
        };
        Ok(size)
    }

    /// The sum that alone reads the value of `end`, and the other value in it, where the two have the same shape and
    /// the other one is there before `head` is translated.
    fn sum_after(&mut self, head: usize, end: usize) -> TractResult<Option<(usize, OutletId)>> {
        let Some(sum) = self
            .only_reader(end)?
            .filter(|reader| binary::<Add>(reader))
        else {
            return Ok(None);
        };
        let &[a, b] = &sum.inputs[..] else {
            return Ok(None);
        };
        let other = if a == end.into() { b } else { a };
        let same = self.source.outlet_fact(a)?.shape == self.source.outlet_fact(b)?.shape;
        let there = self.position.get(&other.node) < self.position.get(&head);
        if !same
            || !there
            || constant(self.source, other)?.is_some()
            || self.absorbed.contains(&sum.id)
        {
            return Ok(None);
        }
        self.absorbed.insert(sum.id);
        Ok(Some((sum.id, other)))
    }

    /// The activation that alone reads the node's value, and the last node of it.
    fn activation_after(&mut self, id: usize) -> TractResult<(usize, Activation)> {
        let Some(low) = self.bound_after::<Max>(id, 0.0)? else {
            return Ok((id, Activation::Linear));
        };
        self.absorbed.insert(low);
        let Some(high) = self.bound_after::<Min>(low, 6.0)? else {
            return Ok((low, Activation::Relu));
        };
        self.absorbed.insert(high);
        Ok((high, Activation::Relu6))
    }

    /// The only reader of the node's value, where it bounds the value by `limit`.
    fn bound_after<B: BinMini>(&self, id: usize, limit: f32) -> TractResult<Option<usize>> {
        let Some(reader) = self.only_reader(id)?.filter(|reader| binary::<B>(reader)) else {
            return Ok(None);
        };
        for input in &reader.inputs {
            if let Some(bound) = constant(self.source, *input)?
                && bound.try_as_plain_ram()?.as_slice::<f32>()? == [limit]
            {
                return Ok(Some(reader.id));
            }
        }
        Ok(None)
    }

    /// The node that alone reads this node's only value, which is not an output of the graph either.
    fn only_reader(&self, id: usize) -> TractResult<Option<&'a TypedNode>> {
        if self
            .source
            .output_outlets()?
            .iter()
            .any(|output| output.node == id)
        {
            return Ok(None);
        }
        self.source.single_succ(id)
    }

    fn enlargement(&mut self, node: &TypedNode, op: &Resize) -> TractResult<bool> {
        let bilinear = matches!(op.coord_transformer, CoordTransformer::HalfPixel)
            && matches!(op.interpolator, Interpolator::Linear);
        let (Some([height, width]), Some(output_size)) = (
            self.image_size(node.inputs[0])?,
            self.image_size(node.id.into())?,
        ) else {
            return Ok(false);
        };
        let channels = self.source.outlet_fact(node.inputs[0])?.shape[1].to_usize()?;
        if !bilinear
            || output_size != [2 * height, 2 * width]
            || self.source.outlet_fact(node.id.into())?.shape[1].to_usize()? != channels
        {
            return Ok(false);
        }
        let mut inputs = tvec!(self.channels_last(node.inputs[0])?);
        let (mut end, activation) = self.activation_after(node.id)?;
        if let Some((sum, other)) = self.sum_after(node.id, end)? {
            inputs.push(self.channels_last(other)?);
            end = sum;
        }
        let enlarge = Enlarge {
            set: self.set,
            input_size: [height, width],
            channels,
            activation,
        };
        self.finish(node, enlarge, &inputs, end)
    }

    fn max_pool(&mut self, node: &TypedNode, op: &MaxPool) -> TractResult<bool> {
        let spec = &op.pool_spec;
        if op.with_index_outputs.is_some()
            || spec.data_format != DataFormat::NCHW
            || self.image_size(node.inputs[0])?.is_none()
        {
            return Ok(false);
        }
        let input = self.channels_last(node.inputs[0])?;
        let pool = MaxPool {
            pool_spec: PoolSpec {
                data_format: DataFormat::NHWC,
                ..spec.clone()
            },
            ..op.clone()
        };
        self.finish(node, pool, &[input], node.id)
    }

    /// An operation on two values of one shape, or on one and a constant number, works the same in both layouts.
    fn by_value(&mut self, node: &TypedNode) -> TractResult<bool> {
        let shape = &self.source.outlet_fact(node.id.into())?.shape;
        let mut inputs = tvec!();
        for outlet in &node.inputs {
            let number = constant(self.source, *outlet)?
                .is_some_and(|value| value.len() == 1 && value.rank() == 4);
            if number {
                inputs.push(self.channels_first(*outlet)?);
            } else if self.last.contains_key(outlet)
                && &self.source.outlet_fact(*outlet)?.shape == shape
            {
                inputs.push(self.channels_last(*outlet)?);
            } else {
                return Ok(false);
            }
        }
        self.finish(node, node.op.clone(), &inputs, node.id)
    }
}

/// An operation on two values that can be told from the others.
trait BinMini: tract_onnx::tract_core::ops::binary::BinMiniOp {}
impl BinMini for Add {}
impl BinMini for Max {}
impl BinMini for Min {}

fn binary<B: BinMini>(node: &TypedNode) -> bool {
    node.op_as::<TypedBinOp>().is_some_and(|op| op.0.is::<B>())
}

/// The value of a constant as floats; the reader of ONNX leaves some of them behind a cast to the type they have.
fn constant(model: &TypedModel, outlet: OutletId) -> TractResult<Option<Arc<Tensor>>> {
    let node = model.node(outlet.node);
    if let Some(op) = node.op_as::<Const>() {
        return Ok(Some(
            op.val().cast_to::<f32>()?.into_owned().into_arc_tensor(),
        ));
    }
    if node.op_is::<Cast>() && model.outlet_fact(outlet)?.datum_type == f32::datum_type() {
        return constant(model, node.inputs[0]);
    }
    Ok(None)
}
