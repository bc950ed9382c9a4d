//! Finds the parts of a tract graph that our layers can compute.
//!
//! In: a typed graph as tract reads it from an ONNX file (channels first, shapes known, weights constant). Out: matched
//! layers. Each stands for a node and often for some nodes after it, because bias, residual and activation are applied
//! while the result of a convolution is written. The graph itself is not changed.

use super::fused::Shape;
use super::kernels::{Enlarging, InstructionSet, Layout};
use super::layer::{Activation, ConvWeights, Convolution, Layer, Window};
use super::lazy_conv::LazyConv;
use std::collections::{HashMap, HashSet};
use tract_onnx::tract_core::internal::*;
use tract_onnx::tract_core::ops::binary::TypedBinOp;
use tract_onnx::tract_core::ops::cast::Cast;
use tract_onnx::tract_core::ops::cnn::conv::KernelFormat;
use tract_onnx::tract_core::ops::cnn::{Conv, MaxPool, PoolSpec};
use tract_onnx::tract_core::ops::konst::Const;
use tract_onnx::tract_core::ops::math::{Add, Max, Min};
use tract_onnx::tract_core::ops::nn::{
    CoordTransformer, DataFormat, Interpolator, Nearest, Resize,
};

/// A layer that stands for some nodes of a graph.
pub(super) struct MatchedLayer {
    /// The first of the nodes.
    pub anchor: usize,
    /// What they compute.
    pub layer: Layer,
    /// The main input, and the residual where there is one.
    pub inputs: Vec<OutletId>,
    /// The value that the last of the nodes computes.
    pub output: OutletId,
    /// Its shape.
    pub shape: Shape,
}

/// The layers that a graph has, in an order in which they can be computed, and all nodes that they stand for.
///
/// # Errors
/// Where tract cannot say what a node computes.
pub(super) fn match_layers(
    source: &TypedModel,
    set: InstructionSet,
) -> TractResult<(Vec<MatchedLayer>, HashSet<usize>)> {
    let order = source.eval_order()?;
    let position = order.iter().enumerate().map(|(at, id)| (*id, at)).collect();
    let mut matcher = Matcher {
        source,
        set,
        matched: vec![],
        covered: HashSet::new(),
        position,
    };
    for id in order {
        if !matcher.covered.contains(&id) {
            matcher.match_node(id)?;
        }
    }
    Ok((matcher.matched, matcher.covered))
}

/// The convolution of a matched layer as a lazy one, where its output values can be computed singly.
///
/// # Errors
/// Where tract cannot read the weights.
pub(super) fn lazy_conv(
    source: &TypedModel,
    matched: &MatchedLayer,
    layout: Layout,
) -> TractResult<Option<LazyConv>> {
    let per_pixel =
        matches!(&matched.layer, Layer::Convolution(conv) if conv.is_affine_per_pixel());
    let inputs = &source.node(matched.anchor).inputs;
    if !per_pixel || matched.inputs.len() != 1 {
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
    matched: Vec<MatchedLayer>,
    /// Nodes that a matched layer stands for.
    covered: HashSet<usize>,
    /// Each node's index in the order of evaluation.
    position: HashMap<usize, usize>,
}

impl<'a> Matcher<'a> {
    fn match_node(&mut self, id: usize) -> TractResult<()> {
        let node = self.source.node(id);
        if let Some(op) = node.op_as::<Conv>() {
            self.convolution(node, op)
        } else if let Some(op) = node.op_as::<Resize>() {
            self.upsample(node, op)
        } else if let Some(op) = node.op_as::<MaxPool>() {
            self.max_pool(node, op)
        } else if is_binary::<Add>(node) {
            self.add(node)
        } else {
            Ok(())
        }
    }

    /// Records a layer that stands for `node` and what follows it up to `end`.
    fn record(
        &mut self,
        node: &TypedNode,
        layer: Layer,
        inputs: Vec<OutletId>,
        end: usize,
    ) -> TractResult<()> {
        let shape = self
            .map_shape(end.into())?
            .context("a layer computes one map of floats")?;
        self.covered.insert(node.id);
        self.matched.push(MatchedLayer {
            anchor: node.id,
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
        let weights = ConvWeights {
            shape: [out, per_group, height, width],
            group: op.group,
            weights: weights.try_as_plain_ram()?.as_slice::<f32>()?,
            bias: bias.try_as_plain_ram()?.as_slice::<f32>()?,
        };
        let Some(convolution) = Convolution::new(self.set, window, &weights, Activation::Linear)
        else {
            return Ok(());
        };
        let mut inputs = vec![node.inputs[0]];
        let mut end = node.id;
        if convolution.takes_residual()
            && let Some((sum, other)) = self.residual_after(node.id, end)?
        {
            inputs.push(other);
            end = sum;
        }
        let (end, activation) = self.activation_after(end)?;
        let layer = Layer::Convolution(convolution.with_activation(activation));
        self.record(node, layer, inputs, end)
    }

    /// How the window of a convolution or a pool slides, if it reads and computes a map and has no dilation.
    fn window(&self, node: &TypedNode, spec: &PoolSpec) -> TractResult<Option<Window>> {
        let (Some([height, width, _]), Some(_)) = (
            self.map_shape(node.inputs[0])?,
            self.map_shape(node.id.into())?,
        ) else {
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

    /// The shape of a value that is a map.
    fn map_shape(&self, outlet: OutletId) -> TractResult<Option<Shape>> {
        Ok(map_shape(self.source.outlet_fact(outlet)?))
    }

    /// The addition that is the only reader of `end`'s value, and the other value in it, where that has the same shape and
    /// is computed before `anchor`.
    fn residual_after(
        &mut self,
        anchor: usize,
        end: usize,
    ) -> TractResult<Option<(usize, OutletId)>> {
        let Some(sum) = self
            .only_reader(end)?
            .filter(|reader| is_binary::<Add>(reader))
        else {
            return Ok(None);
        };
        let &[a, b] = &sum.inputs[..] else {
            return Ok(None);
        };
        let other = if a == end.into() { b } else { a };
        let same_shape = self.source.outlet_fact(a)?.shape == self.source.outlet_fact(b)?.shape;
        let is_earlier = self.position.get(&other.node) < self.position.get(&anchor);
        if !same_shape
            || !is_earlier
            || constant(self.source, other)?.is_some()
            || self.covered.contains(&sum.id)
        {
            return Ok(None);
        }
        self.covered.insert(sum.id);
        Ok(Some((sum.id, other)))
    }

    /// The last node of the activation that is the only reader of a node's value, and which activation it is.
    fn activation_after(&mut self, id: usize) -> TractResult<(usize, Activation)> {
        let Some(low) = self.bound_after::<Max>(id, 0.0)? else {
            return Ok((id, Activation::Linear));
        };
        self.covered.insert(low);
        let Some(high) = self.bound_after::<Min>(low, 6.0)? else {
            return Ok((low, Activation::Relu));
        };
        self.covered.insert(high);
        Ok((high, Activation::Relu6))
    }

    /// The only reader of a node's value, where it is a `B` with this constant.
    fn bound_after<B: BinMini>(&self, id: usize, limit: f32) -> TractResult<Option<usize>> {
        let Some(reader) = self
            .only_reader(id)?
            .filter(|reader| is_binary::<B>(reader))
        else {
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

    /// The only reader of a node's value, where the value is not an output of the graph too.
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

    fn upsample(&mut self, node: &TypedNode, op: &Resize) -> TractResult<()> {
        let enlarging = match (&op.coord_transformer, &op.interpolator, &op.nearest) {
            (CoordTransformer::HalfPixel, Interpolator::Linear, _) => Enlarging::Bilinear,
            (CoordTransformer::Asymmetric, Interpolator::Nearest, Nearest::Floor) => {
                Enlarging::Nearest
            }
            _ => return Ok(()),
        };
        let (Some([height, width, channels]), Some(output)) = (
            self.map_shape(node.inputs[0])?,
            self.map_shape(node.id.into())?,
        ) else {
            return Ok(());
        };
        if output != [2 * height, 2 * width, channels] {
            return Ok(());
        }
        let mut inputs = vec![node.inputs[0]];
        let (mut end, activation) = self.activation_after(node.id)?;
        // An activation after the sum is left to the sum's own layer.
        if !self.sum_is_bounded(end)?
            && let Some((sum, other)) = self.residual_after(node.id, end)?
        {
            inputs.push(other);
            end = sum;
        }
        self.record(node, Layer::Upsample(enlarging, activation), inputs, end)
    }

    /// Whether the only reader of a node's value is an addition that an activation follows.
    fn sum_is_bounded(&self, id: usize) -> TractResult<bool> {
        let sum = self.only_reader(id)?.filter(|r| is_binary::<Add>(r));
        match sum {
            Some(sum) => Ok(self.bound_after::<Max>(sum.id, 0.0)?.is_some()),
            None => Ok(false),
        }
    }

    fn max_pool(&mut self, node: &TypedNode, op: &MaxPool) -> TractResult<()> {
        match self.window(node, &op.pool_spec)? {
            Some(window) if op.with_index_outputs.is_none() => {
                self.record(node, Layer::MaxPool(window), vec![node.inputs[0]], node.id)
            }
            _ => Ok(()),
        }
    }

    /// An addition of two maps that is not the residual of another layer.
    fn add(&mut self, node: &TypedNode) -> TractResult<()> {
        let shape = self.map_shape(node.id.into())?;
        for input in &node.inputs {
            if shape.is_none()
                || self.map_shape(*input)? != shape
                || constant(self.source, *input)?.is_some()
            {
                return Ok(());
            }
        }
        let (end, activation) = self.activation_after(node.id)?;
        self.record(node, Layer::Add(activation), node.inputs.to_vec(), end)
    }
}

/// Height, width and channels of a value that is one image or map of floats, channels first.
pub(super) fn map_shape(fact: &TypedFact) -> Option<Shape> {
    match fact.shape.as_concrete() {
        Some(&[1, channels, height, width]) if fact.datum_type == f32::datum_type() => {
            Some([height, width, channels])
        }
        _ => None,
    }
}

/// A binary operator that [`is_binary`] can ask for.
trait BinMini: tract_onnx::tract_core::ops::binary::BinMiniOp {}
impl BinMini for Add {}
impl BinMini for Max {}
impl BinMini for Min {}

fn is_binary<B: BinMini>(node: &TypedNode) -> bool {
    node.op_as::<TypedBinOp>().is_some_and(|op| op.0.is::<B>())
}

/// The value of a constant as floats. The ONNX reader leaves some constants behind a cast to the type they already have.
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
