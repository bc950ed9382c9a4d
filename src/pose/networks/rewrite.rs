//! Rewrites a tract graph so that our own operator computes the layers in it.
//!
//! In: a typed graph as tract reads it from an ONNX file (channels first, shapes known, weights constant). Out: an equal
//! graph whose images and maps have their channels last, with our layers (see [`matching`]) fused into as few
//! [`FusedGraph`]s as their order allows.
//!
//! tract 0.23 has no fast depthwise kernel for x86-64, packs the input of every pointwise convolution anew, and allocates
//! every map. What does not match is copied unchanged, with the channel axis moved before and after it, so that a graph
//! of another make runs slower but no less rightly.

use super::fused::{Backend, FusedGraph, OutputFormat, OutputSpec, Shape};
use super::kernels::Layout;
use super::layer::Layer;
use super::lazy_conv::LazyConv;
use super::matching::{self, MatchedLayer, map_shape};
use super::plan::{Operand, Step};
use std::collections::{HashMap, HashSet};
use tract_onnx::tract_core::internal::*;
use tract_onnx::tract_core::ops::identity::Identity;
use tract_onnx::tract_core::ops::nn::Resize;
use tract_onnx::tract_core::ops::source::TypedSource;

/// Rewrites `source` for a backend; without one, all operators stay tract's. Of the outputs of the indices `lazy_outputs`
/// the caller reads single values: where the convolution that computes such an output can be left out, the output is the
/// map that this convolution reads, in the blocked layout, and the convolution is returned under the output's index.
///
/// # Errors
/// Where tract refuses a node, which would be a mistake in this module.
pub(super) fn rewrite(
    mut source: TypedModel,
    backend: Option<&Backend>,
    lazy_outputs: &[usize],
) -> TractResult<(TypedModel, HashMap<usize, LazyConv>)> {
    lower_resizes(&mut source)?;
    skip_identities(&mut source)?;
    let source = &source;
    let (mut layers, covered) = match backend {
        Some(backend) => matching::match_layers(source, backend.set)?,
        None => Default::default(),
    };
    let mut lazy = HashMap::new();
    let mut features_of = HashMap::new();
    for output in lazy_outputs {
        let outlet = source.output_outlets()?[*output];
        let Some(index) = layers.iter().position(|layer| layer.output == outlet) else {
            continue;
        };
        let features = layers[index].inputs[0];
        let Some(producer) = layers.iter().find(|layer| layer.output == features) else {
            continue;
        };
        let [height, width, channels] = producer.shape;
        let layout = Layout::new([height, width], channels);
        if let Some(conv) = matching::lazy_conv(source, &layers[index], layout)? {
            lazy.insert(*output, conv);
            features_of.insert(*output, features);
            layers.remove(index);
        }
    }
    let segments = Segments::new(source, &layers, &covered)?;
    let read_outside = read_outside(source, &layers, &covered, &segments)?;
    let mut rewriter = Rewriter {
        source,
        target: TypedModel::default(),
        channels_first: HashMap::new(),
        channels_last: HashMap::new(),
        blocked: HashMap::new(),
    };
    let read_blocked = features_of.values().copied().collect();
    let order = source.eval_order()?;
    let mut by_segment: Vec<Vec<MatchedLayer>> = (0..=segments.highest()).map(|_| vec![]).collect();
    for (matched, segment) in layers.into_iter().zip(&segments.layers) {
        by_segment[*segment].push(matched);
    }
    for (segment, layers) in by_segment.into_iter().enumerate() {
        for id in &order {
            if segments.nodes.get(id) == Some(&segment) {
                rewriter.copy(*id)?;
            }
        }
        if let Some(backend) = backend.filter(|_| !layers.is_empty()) {
            rewriter.fuse(backend, segment, layers, &read_outside, &read_blocked)?;
        }
    }
    let mut outputs = vec![];
    for (output, outlet) in source.output_outlets()?.iter().enumerate() {
        outputs.push(if let Some(features) = features_of.get(&output) {
            *rewriter
                .blocked
                .get(features)
                .context("features are missing")?
        } else if map_shape(source.outlet_fact(*outlet)?).is_some() {
            rewriter.channels_last(*outlet)?
        } else {
            rewriter.channels_first(*outlet)?
        });
    }
    rewriter.target.select_output_outlets(&outputs)?;
    rewriter.target.symbols = source.symbols.clone();
    Ok((rewriter.target, lazy))
}

/// Turns the ONNX reader's resize operator, whose type is private to tract, into the one of tract's core.
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

/// Makes the inputs of trailing identities the outputs of the graph.
fn skip_identities(model: &mut TypedModel) -> TractResult<()> {
    let mut outputs = model.output_outlets()?.to_vec();
    for outlet in &mut outputs {
        while model.node(outlet.node).op_is::<Identity>() {
            *outlet = model.node(outlet.node).inputs[0];
        }
    }
    model.select_output_outlets(&outputs)
}

/// Which fused graph each layer belongs to: the number of fused graphs that end on the longest way from an input of the
/// graph to the layer. So layers of one segment never wait for a copied node that waits for another of them.
struct Segments {
    /// Segments of the layers.
    layers: Vec<usize>,
    /// Segments of the nodes that are copied.
    nodes: HashMap<usize, usize>,
}

impl Segments {
    fn new(
        source: &TypedModel,
        layers: &[MatchedLayer],
        covered: &HashSet<usize>,
    ) -> TractResult<Self> {
        let anchors: HashMap<_, _> = layers
            .iter()
            .enumerate()
            .map(|(index, layer)| (layer.anchor, index))
            .collect();
        let mut fused = HashMap::new();
        let mut segments = Self {
            layers: vec![0; layers.len()],
            nodes: HashMap::new(),
        };
        for id in source.eval_order()? {
            if let Some(&index) = anchors.get(&id) {
                let segment = |outlet: &OutletId| {
                    let here = fused
                        .get(outlet)
                        .or_else(|| segments.nodes.get(&outlet.node));
                    here.copied().unwrap_or(0)
                };
                let segment = layers[index].inputs.iter().map(segment).max().unwrap_or(0);
                segments.layers[index] = segment;
                fused.insert(layers[index].output, segment);
            } else if !covered.contains(&id) {
                let segment = |outlet: &OutletId| match fused.get(outlet) {
                    Some(segment) => segment + 1,
                    None => segments.nodes.get(&outlet.node).copied().unwrap_or(0),
                };
                let segment = source
                    .node(id)
                    .inputs
                    .iter()
                    .map(segment)
                    .max()
                    .unwrap_or(0);
                segments.nodes.insert(id, segment);
            }
        }
        Ok(segments)
    }

    fn highest(&self) -> usize {
        let all = self.layers.iter().chain(self.nodes.values());
        all.copied().max().unwrap_or(0)
    }
}

/// The values that are read outside the fused graph that computes them.
fn read_outside(
    source: &TypedModel,
    layers: &[MatchedLayer],
    covered: &HashSet<usize>,
    segments: &Segments,
) -> TractResult<HashSet<OutletId>> {
    let mut read: HashSet<_> = source.output_outlets()?.iter().copied().collect();
    for id in source.eval_order()? {
        if !covered.contains(&id) {
            read.extend(source.node(id).inputs.iter().copied());
        }
    }
    let segment_of: HashMap<_, _> = layers
        .iter()
        .zip(&segments.layers)
        .map(|(layer, segment)| (layer.output, segment))
        .collect();
    for (layer, segment) in layers.iter().zip(&segments.layers) {
        let outside =
            |input: &&OutletId| segment_of.get(input).is_some_and(|other| *other != segment);
        read.extend(layer.inputs.iter().filter(outside).copied());
    }
    Ok(read)
}

struct Rewriter<'a> {
    source: &'a TypedModel,
    target: TypedModel,
    /// The target's values in the source's own layout, by the source's.
    channels_first: HashMap<OutletId, OutletId>,
    /// Those with their channels last.
    channels_last: HashMap<OutletId, OutletId>,
    /// Those in the blocked layout.
    blocked: HashMap<OutletId, OutletId>,
}

impl Rewriter<'_> {
    /// Copies a node; an image that is an input of the graph gets its channels last.
    fn copy(&mut self, id: usize) -> TractResult<()> {
        let node = self.source.node(id);
        let fact = &node.outputs[0].fact;
        if node.op_is::<TypedSource>()
            && let Some([height, width, channels]) = map_shape(fact)
        {
            let fact = f32::fact([1, height, width, channels]);
            let outlet = self.target.add_source(&node.name, fact)?;
            self.channels_last.insert(id.into(), outlet);
            return Ok(());
        }
        let inputs = node
            .inputs
            .iter()
            .map(|outlet| self.channels_first(*outlet))
            .collect::<TractResult<TVec<_>>>()?;
        let outlets = if node.op_is::<TypedSource>() {
            tvec!(self.target.add_source(&node.name, fact.clone())?)
        } else {
            self.target
                .wire_node(&node.name, node.op.clone(), &inputs)?
        };
        for (slot, outlet) in outlets.into_iter().enumerate() {
            self.channels_first.insert(OutletId::new(id, slot), outlet);
        }
        Ok(())
    }

    /// A value in the layout of the source graph.
    fn channels_first(&mut self, outlet: OutletId) -> TractResult<OutletId> {
        if let Some(found) = self.channels_first.get(&outlet) {
            return Ok(*found);
        }
        let last = *self
            .channels_last
            .get(&outlet)
            .context("a value was not translated")?;
        let name = format!("{}.channels_first", self.source.node(outlet.node).name);
        let moved = self.target.wire_node(name, AxisOp::Move(3, 1), &[last])?[0];
        self.channels_first.insert(outlet, moved);
        Ok(moved)
    }

    /// A value, which must be an image or a map, with its channels last.
    fn channels_last(&mut self, outlet: OutletId) -> TractResult<OutletId> {
        if let Some(found) = self.channels_last.get(&outlet) {
            return Ok(*found);
        }
        let first = *self
            .channels_first
            .get(&outlet)
            .context("a value was not translated")?;
        let name = format!("{}.channels_last", self.source.node(outlet.node).name);
        let moved = self.target.wire_node(name, AxisOp::Move(1, 3), &[first])?[0];
        self.channels_last.insert(outlet, moved);
        Ok(moved)
    }

    /// Adds a fused graph of the layers of one segment.
    fn fuse(
        &mut self,
        backend: &Backend,
        segment: usize,
        layers: Vec<MatchedLayer>,
        read_outside: &HashSet<OutletId>,
        read_blocked: &HashSet<OutletId>,
    ) -> TractResult<()> {
        let mut builder = GraphBuilder::default();
        let mut outputs = vec![];
        for matched in layers {
            let reads_channels_last =
                matches!(&matched.layer, Layer::Convolution(conv) if conv.reads_channels_last());
            let mut inputs = vec![];
            for (nth, outlet) in matched.inputs.iter().enumerate() {
                let unpacked = nth == 0 && reads_channels_last;
                inputs.push(match builder.steps_of.get(outlet) {
                    Some(step) => Operand::Step(*step),
                    None => self.import(*outlet, unpacked, &mut builder)?,
                });
            }
            let [height, width, channels] = matched.shape;
            let step = builder.steps.len();
            let mut add_output = |format| {
                outputs.push((matched.output, OutputSpec { step, format }));
            };
            if read_outside.contains(&matched.output) {
                add_output(OutputFormat::ChannelsLast(channels));
            }
            if read_blocked.contains(&matched.output) {
                add_output(OutputFormat::Blocked);
            }
            builder.steps_of.insert(matched.output, step);
            builder.steps.push(Step {
                layer: matched.layer,
                inputs,
                layout: Layout::new([height, width], channels),
            });
        }
        let specs = outputs.iter().map(|(_, spec)| *spec).collect();
        let fused = FusedGraph::new(backend.clone(), builder.steps, builder.shapes, specs);
        let outlets = self
            .target
            .wire_node(format!("fused.{segment}"), fused, &builder.tensors)?;
        for ((outlet, spec), wired) in outputs.into_iter().zip(outlets) {
            match spec.format {
                OutputFormat::ChannelsLast(_) => self.channels_last.insert(outlet, wired),
                OutputFormat::Blocked => self.blocked.insert(outlet, wired),
            };
        }
        Ok(())
    }

    /// Makes a value that the fused graph does not compute its input: as the tensor itself where the layer reads it
    /// `unpacked`, else through a step that packs it.
    fn import(
        &mut self,
        outlet: OutletId,
        unpacked: bool,
        builder: &mut GraphBuilder,
    ) -> TractResult<Operand> {
        let shape = map_shape(self.source.outlet_fact(outlet)?)
            .context("a layer reads a value that is no map of floats")?;
        let tensor = match builder.tensors_of.get(&outlet) {
            Some(tensor) => *tensor,
            None => {
                builder.tensors.push(self.channels_last(outlet)?);
                builder.shapes.push(shape);
                builder.tensors_of.insert(outlet, builder.tensors.len() - 1);
                builder.tensors.len() - 1
            }
        };
        if unpacked {
            return Ok(Operand::Tensor(tensor));
        }
        let [height, width, channels] = shape;
        builder.steps.push(Step {
            layer: Layer::Pack,
            inputs: vec![Operand::Tensor(tensor)],
            layout: Layout::new([height, width], channels),
        });
        let step = builder.steps.len() - 1;
        builder.steps_of.insert(outlet, step);
        Ok(Operand::Step(step))
    }
}

/// The parts of a fused graph while it is built.
#[derive(Default)]
struct GraphBuilder {
    steps: Vec<Step>,
    /// The steps that compute the source graph's values.
    steps_of: HashMap<OutletId, usize>,
    /// The target graph's values that the fused graph reads.
    tensors: Vec<OutletId>,
    /// Their shapes.
    shapes: Vec<Shape>,
    /// Their indices, by the source graph's values.
    tensors_of: HashMap<OutletId, usize>,
}
