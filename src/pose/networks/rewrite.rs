//! Rebuilds a tract graph so that our works are done in it by our own operator.
//!
//! In: a typed graph as tract reads it from an ONNX file (channels first, shapes known, weights constant). Out: an
//! equal graph, except that pictures go in and come out with their channels last. Program that hang together (see
//! `matching`) become one [`FusedGraph`].
//!
//! Why at all: tract 0.23 has no fast depthwise kernel for x86-64, packs the input of every pointwise convolution anew,
//! and gives every picture new memory. What is not found is copied unchanged, with a move of the channel axis before
//! and behind it, so a graph of another make runs slower but not wrongly.

use super::fused::{Backend, FusedGraph, OutputSpec, Shape};
use super::kernels::Layout;
use super::layer::Layer;
use super::lazy_conv::LazyConv;
use super::matching::{self as find, MatchedLayer, picture};
use super::plan::{Operand, Step};
use std::collections::{HashMap, HashSet};
use tract_onnx::tract_core::internal::*;
use tract_onnx::tract_core::ops::identity::Identity;
use tract_onnx::tract_core::ops::nn::Resize;
use tract_onnx::tract_core::ops::source::TypedSource;

/// Rebuilds `source` for some backend; without them, all operators stay tract's. Of the outputs in `asked` only
/// single values are wanted: where the convolution that makes one can be left out, that output gives the features that
/// the convolution reads instead, and the convolution is returned with the output's place.
///
/// # Errors
/// Where tract refuses a node, which would be a mistake in this pass.
pub(super) fn rebuild(
    mut source: TypedModel,
    backend: Option<&Backend>,
    asked: &[usize],
) -> TractResult<(TypedModel, HashMap<usize, LazyConv>)> {
    lower_resizes(&mut source)?;
    skip_identities(&mut source)?;
    let source = &source;
    let (mut drafts, done) = match backend {
        Some(backend) => find::drafts(source, backend.set)?,
        None => Default::default(),
    };
    let mut heads = HashMap::new();
    let mut latent = HashMap::new();
    for output in asked {
        let outlet = source.output_outlets()?[*output];
        let Some(at) = drafts.iter().position(|draft| draft.output == outlet) else {
            continue;
        };
        let features = drafts[at].inputs[0];
        let Some(maker) = drafts.iter().find(|draft| draft.output == features) else {
            continue;
        };
        let [height, width, channels] = maker.shape;
        let layout = Layout::new([height, width], channels);
        if let Some(head) = find::head(source, &drafts[at], layout)? {
            heads.insert(*output, head);
            latent.insert(*output, features);
            drafts.remove(at);
        }
    }
    let levels = Levels::new(source, &drafts, &done)?;
    let wanted = wanted(source, &drafts, &done, &levels)?;
    let mut pass = Pass {
        source,
        target: TypedModel::default(),
        first: HashMap::new(),
        last: HashMap::new(),
        blocks: HashMap::new(),
    };
    let in_blocks = latent.values().copied().collect();
    let order = source.eval_order()?;
    let mut by_level: Vec<Vec<MatchedLayer>> = (0..=levels.highest()).map(|_| vec![]).collect();
    for (draft, level) in drafts.into_iter().zip(&levels.drafts) {
        by_level[*level].push(draft);
    }
    for (level, drafts) in by_level.into_iter().enumerate() {
        for id in &order {
            if levels.nodes.get(id) == Some(&level) {
                pass.copy(*id)?;
            }
        }
        if let Some(backend) = backend.filter(|_| !drafts.is_empty()) {
            pass.chain(backend, level, drafts, &wanted, &in_blocks)?;
        }
    }
    let mut outputs = vec![];
    for (output, outlet) in source.output_outlets()?.iter().enumerate() {
        outputs.push(if let Some(features) = latent.get(&output) {
            *pass.blocks.get(features).context("features are missing")?
        } else if picture(source.outlet_fact(*outlet)?).is_some() {
            pass.channels_last(*outlet)?
        } else {
            pass.channels_first(*outlet)?
        });
    }
    pass.target.select_output_outlets(&outputs)?;
    pass.target.symbols = source.symbols.clone();
    Ok((pass.target, heads))
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

/// Has the outputs come from the operators that make them, not from identities behind these.
fn skip_identities(model: &mut TypedModel) -> TractResult<()> {
    let mut outputs = model.output_outlets()?.to_vec();
    for outlet in &mut outputs {
        while model.node(outlet.node).op_is::<Identity>() {
            *outlet = model.node(outlet.node).inputs[0];
        }
    }
    model.select_output_outlets(&outputs)
}

/// Which chain each draft belongs to. A value counts the chains that were left on the way to it, so that drafts of one
/// level never wait for a node that waits for another of them.
struct Levels {
    drafts: Vec<usize>,
    /// Levels of the nodes that are copied.
    nodes: HashMap<usize, usize>,
}

impl Levels {
    fn new(
        source: &TypedModel,
        drafts: &[MatchedLayer],
        done: &HashSet<usize>,
    ) -> TractResult<Self> {
        let heads: HashMap<_, _> = drafts
            .iter()
            .enumerate()
            .map(|(i, d)| (d.head, i))
            .collect();
        let mut made = HashMap::new();
        let mut levels = Self {
            drafts: vec![0; drafts.len()],
            nodes: HashMap::new(),
        };
        for id in source.eval_order()? {
            if let Some(&draft) = heads.get(&id) {
                let level = |outlet: &OutletId| {
                    let here = made.get(outlet).or_else(|| levels.nodes.get(&outlet.node));
                    here.copied().unwrap_or(0)
                };
                let level = drafts[draft].inputs.iter().map(level).max().unwrap_or(0);
                levels.drafts[draft] = level;
                made.insert(drafts[draft].output, level);
            } else if !done.contains(&id) {
                let level = |outlet: &OutletId| match made.get(outlet) {
                    Some(level) => level + 1,
                    None => levels.nodes.get(&outlet.node).copied().unwrap_or(0),
                };
                let level = source.node(id).inputs.iter().map(level).max().unwrap_or(0);
                levels.nodes.insert(id, level);
            }
        }
        Ok(levels)
    }

    fn highest(&self) -> usize {
        let all = self.drafts.iter().chain(self.nodes.values());
        all.copied().max().unwrap_or(0)
    }
}

/// Values that are read outside the chain that makes them.
fn wanted(
    source: &TypedModel,
    drafts: &[MatchedLayer],
    done: &HashSet<usize>,
    levels: &Levels,
) -> TractResult<HashSet<OutletId>> {
    let mut wanted: HashSet<_> = source.output_outlets()?.iter().copied().collect();
    for id in source.eval_order()? {
        if !done.contains(&id) {
            wanted.extend(source.node(id).inputs.iter().copied());
        }
    }
    let made: HashMap<_, _> = drafts
        .iter()
        .zip(&levels.drafts)
        .map(|(draft, level)| (draft.output, level))
        .collect();
    for (draft, level) in drafts.iter().zip(&levels.drafts) {
        let outside = |input: &&OutletId| made.get(input).is_some_and(|made| *made != level);
        wanted.extend(draft.inputs.iter().filter(outside).copied());
    }
    Ok(wanted)
}

struct Pass<'a> {
    source: &'a TypedModel,
    target: TypedModel,
    /// Values of the source graph in its own layout.
    first: HashMap<OutletId, OutletId>,
    /// Pictures of the source graph with their channels last.
    last: HashMap<OutletId, OutletId>,
    /// Pictures of the source graph in blocks.
    blocks: HashMap<OutletId, OutletId>,
}

impl Pass<'_> {
    /// Copies a node; a picture that is an input of the graph gets its channels last.
    fn copy(&mut self, id: usize) -> TractResult<()> {
        let node = self.source.node(id);
        let fact = &node.outputs[0].fact;
        if node.op_is::<TypedSource>()
            && let Some([height, width, channels]) = picture(fact)
        {
            let fact = f32::fact([1, height, width, channels]);
            let outlet = self.target.add_source(&node.name, fact)?;
            self.last.insert(id.into(), outlet);
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
            self.first.insert(OutletId::new(id, slot), outlet);
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

    /// The value, which must be a picture, with its channels last.
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

    /// Wires a chain of all the drafts of one level.
    fn chain(
        &mut self,
        backend: &Backend,
        level: usize,
        drafts: Vec<MatchedLayer>,
        wanted: &HashSet<OutletId>,
        in_blocks: &HashSet<OutletId>,
    ) -> TractResult<()> {
        let mut links = Links::default();
        let mut outputs = vec![];
        for draft in drafts {
            let pixels = matches!(&draft.layer, Layer::Convolution(c) if c.reads_pixels());
            let mut inputs = vec![];
            for (nth, outlet) in draft.inputs.iter().enumerate() {
                inputs.push(match links.steps_of.get(outlet) {
                    Some(step) => Operand::Step(*step),
                    None => self.enter(*outlet, nth == 0 && pixels, &mut links)?,
                });
            }
            let [height, width, channels] = draft.shape;
            let layout = Layout::new([height, width], channels);
            let step = links.steps.len();
            let mut give = |channels| outputs.push((draft.output, OutputSpec { step, channels }));
            if wanted.contains(&draft.output) {
                give(Some(channels));
            }
            if in_blocks.contains(&draft.output) {
                give(None);
            }
            links.steps_of.insert(draft.output, step);
            links.steps.push(Step {
                layer: draft.layer,
                inputs,
                layout,
            });
        }
        let given = outputs.iter().map(|(_, given)| *given).collect();
        let chain = FusedGraph::new(backend.clone(), links.steps, links.shapes, given);
        let outlets = self
            .target
            .wire_node(format!("chain.{level}"), chain, &links.tensors)?;
        for ((outlet, given), wired) in outputs.into_iter().zip(outlets) {
            match given.channels {
                Some(_) => self.last.insert(outlet, wired),
                None => self.blocks.insert(outlet, wired),
            };
        }
        Ok(())
    }

    /// What a layer reads of a value that its chain does not make: the tensor itself, or a picture made of it.
    fn enter(&mut self, outlet: OutletId, pixels: bool, links: &mut Links) -> TractResult<Operand> {
        let shape = picture(self.source.outlet_fact(outlet)?)
            .context("a layer reads pictures of floats")?;
        let tensor = match links.tensors_of.get(&outlet) {
            Some(tensor) => *tensor,
            None => {
                links.tensors.push(self.channels_last(outlet)?);
                links.shapes.push(shape);
                links.tensors_of.insert(outlet, links.tensors.len() - 1);
                links.tensors.len() - 1
            }
        };
        if pixels {
            return Ok(Operand::Tensor(tensor));
        }
        let [height, width, channels] = shape;
        links.steps.push(Step {
            layer: Layer::Pack,
            inputs: vec![Operand::Tensor(tensor)],
            layout: Layout::new([height, width], channels),
        });
        let step = links.steps.len() - 1;
        links.steps_of.insert(outlet, step);
        Ok(Operand::Step(step))
    }
}

/// A chain while it is put together.
#[derive(Default)]
struct Links {
    steps: Vec<Step>,
    /// The steps that make pictures of the source graph's values.
    steps_of: HashMap<OutletId, usize>,
    /// Values of the target graph that go into the chain, and their shapes.
    tensors: Vec<OutletId>,
    shapes: Vec<Shape>,
    /// Their places, by the source graph's values.
    tensors_of: HashMap<OutletId, usize>,
}
