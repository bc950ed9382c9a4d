//! Finds the parts of a tract graph that our works can do.
//!
//! In: a typed graph as tract reads it from an ONNX file (channels first, shapes known, weights constant). Out: drafts
//! of works, each of which stands for a node and maybe some that follow it: bias, sum and activation are done while
//! the result of a convolution is written. The graph itself is left as it is.

use super::fused::Shape;
use super::kernels::{InstructionSet, Layout};
use super::layer::{Activation, Convolution, Filter, Layer, Window};
use super::lazy_conv::LazyConv;
use std::collections::{HashMap, HashSet};
use tract_onnx::tract_core::internal::*;
use tract_onnx::tract_core::ops::binary::TypedBinOp;
use tract_onnx::tract_core::ops::cast::Cast;
use tract_onnx::tract_core::ops::cnn::conv::KernelFormat;
use tract_onnx::tract_core::ops::cnn::{Conv, MaxPool, PoolSpec};
use tract_onnx::tract_core::ops::konst::Const;
use tract_onnx::tract_core::ops::math::{Add, Max, Min};
use tract_onnx::tract_core::ops::nn::{CoordTransformer, DataFormat, Interpolator, Resize};

/// A layer that stands for some nodes of a graph.
pub(super) struct MatchedLayer {
    /// The first of the nodes.
    pub head: usize,
    /// What is done.
    pub layer: Layer,
    /// The values that are read: the one that is worked on, and maybe one that is added.
    pub inputs: Vec<OutletId>,
    /// The value that is made.
    pub output: OutletId,
    /// Its shape.
    pub shape: Shape,
}

/// The drafts for a graph in the order in which they can be done, and all the nodes that they stand for.
///
/// # Errors
/// Where tract cannot tell what a node is.
pub(super) fn drafts(
    source: &TypedModel,
    set: InstructionSet,
) -> TractResult<(Vec<MatchedLayer>, HashSet<usize>)> {
    let order = source.eval_order()?;
    let position = order.iter().enumerate().map(|(at, id)| (*id, at)).collect();
    let mut search = Matcher {
        source,
        set,
        found: vec![],
        done: HashSet::new(),
        position,
    };
    for id in order {
        if !search.done.contains(&id) {
            search.match_node(id)?;
        }
    }
    Ok((search.found, search.done))
}

/// The convolution of a draft as a head, if it can be one.
///
/// # Errors
/// Where tract cannot read the weights.
pub(super) fn head(
    source: &TypedModel,
    draft: &MatchedLayer,
    layout: Layout,
) -> TractResult<Option<LazyConv>> {
    let is_head = matches!(&draft.layer, Layer::Convolution(convolution) if convolution.is_head());
    let inputs = &source.node(draft.head).inputs;
    if !is_head || draft.inputs.len() != 1 {
        return Ok(None);
    }
    let (Some(weights), Some(bias)) = (constant(source, inputs[1])?, constant(source, inputs[2])?)
    else {
        return Ok(None);
    };
    Ok(Some(LazyConv::new(
        layout,
        weights.try_as_plain_ram()?.as_slice::<f32>()?,
        bias.try_as_plain_ram()?.as_slice::<f32>()?,
    )))
}

struct Matcher<'a> {
    source: &'a TypedModel,
    set: InstructionSet,
    found: Vec<MatchedLayer>,
    /// Nodes that a draft stands for.
    done: HashSet<usize>,
    /// When the nodes of the graph are looked at.
    position: HashMap<usize, usize>,
}

impl<'a> Matcher<'a> {
    fn match_node(&mut self, id: usize) -> TractResult<()> {
        let node = self.source.node(id);
        if let Some(op) = node.op_as::<Conv>() {
            self.convolution(node, op)
        } else if let Some(op) = node.op_as::<Resize>() {
            self.enlargement(node, op)
        } else if let Some(op) = node.op_as::<MaxPool>() {
            self.max_pool(node, op)
        } else if binary::<Add>(node) {
            self.sum(node)
        } else {
            Ok(())
        }
    }

    /// Notes a layer that stands for `node` and what follows it up to `end`.
    fn note(
        &mut self,
        node: &TypedNode,
        layer: Layer,
        inputs: Vec<OutletId>,
        end: usize,
    ) -> TractResult<()> {
        let shape = self
            .picture(end.into())?
            .context("a layer makes one picture of floats")?;
        self.done.insert(node.id);
        self.found.push(MatchedLayer {
            head: node.id,
            layer,
            inputs,
            output: end.into(),
            shape,
        });
        Ok(())
    }

    fn convolution(&mut self, node: &TypedNode, op: &Conv) -> TractResult<()> {
        let plain =
            op.q_params.is_none() && node.inputs.len() == 3 && op.kernel_fmt == KernelFormat::OIHW;
        let Some(window) = self.window(node, &op.pool_spec)?.filter(|_| plain) else {
            return Ok(());
        };
        let (Some(weights), Some(bias)) = (
            constant(self.source, node.inputs[1])?,
            constant(self.source, node.inputs[2])?,
        ) else {
            return Ok(());
        };
        let &[out, per_group, height, width] = weights.shape() else {
            return Ok(());
        };
        let filter = Filter {
            shape: [out, per_group, height, width],
            group: op.group,
            weights: weights.try_as_plain_ram()?.as_slice::<f32>()?,
            bias: bias.try_as_plain_ram()?.as_slice::<f32>()?,
        };
        let Some(convolution) = Convolution::new(self.set, window, &filter, Activation::Linear)
        else {
            return Ok(());
        };
        let mut inputs = vec![node.inputs[0]];
        let mut end = node.id;
        if convolution.takes_residual()
            && let Some((sum, other)) = self.sum_after(node.id, end)?
        {
            inputs.push(other);
            end = sum;
        }
        let (end, activation) = self.activation_after(end)?;
        let layer = Layer::Convolution(convolution.with_activation(activation));
        self.note(node, layer, inputs, end)
    }

    /// Where the window of a convolution or a pool goes over one picture of floats, channels first, if that is what
    /// this is.
    fn window(&self, node: &TypedNode, spec: &PoolSpec) -> TractResult<Option<Window>> {
        let (Some([height, width, _]), Some(_)) =
            (self.picture(node.inputs[0])?, self.picture(node.id.into())?)
        else {
            return Ok(None);
        };
        if spec.data_format != DataFormat::NCHW
            || spec.rank() != 2
            || spec.dilations().iter().any(|d| *d != 1)
        {
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

    /// Height, width and channels of one picture of floats, if that is what the value is.
    fn picture(&self, outlet: OutletId) -> TractResult<Option<Shape>> {
        Ok(picture(self.source.outlet_fact(outlet)?))
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
        if !same || !there || constant(self.source, other)?.is_some() || self.done.contains(&sum.id)
        {
            return Ok(None);
        }
        self.done.insert(sum.id);
        Ok(Some((sum.id, other)))
    }

    /// The activation that alone reads the node's value, and the last node of it.
    fn activation_after(&mut self, id: usize) -> TractResult<(usize, Activation)> {
        let Some(low) = self.bound_after::<Max>(id, 0.0)? else {
            return Ok((id, Activation::Linear));
        };
        self.done.insert(low);
        let Some(high) = self.bound_after::<Min>(low, 6.0)? else {
            return Ok((low, Activation::Relu));
        };
        self.done.insert(high);
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

    fn enlargement(&mut self, node: &TypedNode, op: &Resize) -> TractResult<()> {
        let bilinear = matches!(op.coord_transformer, CoordTransformer::HalfPixel)
            && matches!(op.interpolator, Interpolator::Linear);
        let (Some([height, width, channels]), Some(output)) =
            (self.picture(node.inputs[0])?, self.picture(node.id.into())?)
        else {
            return Ok(());
        };
        if !bilinear || output != [2 * height, 2 * width, channels] {
            return Ok(());
        }
        let mut inputs = vec![node.inputs[0]];
        let (mut end, activation) = self.activation_after(node.id)?;
        if let Some((sum, other)) = self.sum_after(node.id, end)? {
            inputs.push(other);
            end = sum;
        }
        self.note(node, Layer::Upsample(activation), inputs, end)
    }

    fn max_pool(&mut self, node: &TypedNode, op: &MaxPool) -> TractResult<()> {
        match self.window(node, &op.pool_spec)? {
            Some(window) if op.with_index_outputs.is_none() => {
                self.note(node, Layer::MaxPool(window), vec![node.inputs[0]], node.id)
            }
            _ => Ok(()),
        }
    }

    /// A sum of two pictures that no convolution takes along.
    fn sum(&mut self, node: &TypedNode) -> TractResult<()> {
        let shape = self.picture(node.id.into())?;
        for input in &node.inputs {
            if shape.is_none()
                || self.picture(*input)? != shape
                || constant(self.source, *input)?.is_some()
            {
                return Ok(());
            }
        }
        let (end, activation) = self.activation_after(node.id)?;
        self.note(node, Layer::Sum(activation), node.inputs.to_vec(), end)
    }
}

/// Height, width and channels of one picture of floats, channels first, if that is what the fact says.
pub(super) fn picture(fact: &TypedFact) -> Option<Shape> {
    match fact.shape.as_concrete() {
        Some(&[1, channels, height, width]) if fact.datum_type == f32::datum_type() => {
            Some([height, width, channels])
        }
        _ => None,
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
