//! Runs the pose networks: an ONNX file in, named float outputs out.
//!
//! In: the file's bytes once, then one picture a run. Out: the network's outputs by name. Pictures have the channels of
//! a pixel side by side, on both ends. tract reads the graph, works out its shapes and constants and runs what is
//! left; the convolutions run in our own operator, because tract's are several times slower on these networks (see
//! `rewrite`). One [`Network`] belongs to one thread, and a [`WorkerPool`] may help it; it does not know what the numbers mean.

use crate::fused::Backend;
use crate::kernels::InstructionSet;
use crate::lazy_conv::{LazyConv, OutputMap};
use crate::rewrite;
use crate::worker_pool::WorkerPool;
use std::collections::HashMap;
use tract_onnx::prelude::*;
use tract_onnx::tract_core::internal::*;

/// Why a network could not be loaded or run.
#[derive(Debug, thiserror::Error)]
pub enum InferenceError {
    /// The bytes are not a network that can be prepared.
    #[error(
        "network {network}: cannot be prepared: {reason}; the file is damaged or of another version"
    )]
    Load {
        /// Name of the network.
        network: String,
        /// What was wrong.
        reason: String,
    },
    /// The network failed on an input.
    #[error("network {network}: run failed: {reason}")]
    Run {
        /// Name of the network.
        network: String,
        /// What was wrong.
        reason: String,
    },
    /// An output is missing or has another size.
    #[error(
        "network {network}: has no output {output} of {wanted} values; the file is of another version"
    )]
    Output {
        /// Name of the network.
        network: String,
        /// Name of the output.
        output: String,
        /// Values expected in it.
        wanted: usize,
    },
}

/// A loaded network with the memory that its runs reuse.
pub struct Network {
    name: String,
    /// Filled anew for each run.
    input: Arc<Tensor>,
    output_names: Vec<String>,
    /// Convolutions that are left to whoever asks for their values, by the place of their output.
    heads: HashMap<usize, LazyConv>,
    state: TypedSimpleState,
}

/// What one run gave.
pub struct Outputs<'a> {
    network: &'a str,
    names: &'a [String],
    heads: &'a HashMap<usize, LazyConv>,
    values: TVec<TValue>,
}

impl Network {
    /// Loads an ONNX file's bytes for pictures of one size (height, width, channels); `name` is for messages. Of the
    /// outputs named in `asked`, maps, single values are read with [`Outputs::cells`]; the others with
    /// [`Outputs::get`].
    ///
    /// # Errors
    /// Where the bytes are not an ONNX network whose input is one such picture, channels first.
    pub fn from_bytes(
        name: &str,
        onnx: &[u8],
        picture: [usize; 3],
        asked: &[&str],
        pool: &Arc<WorkerPool>,
    ) -> Result<Self, InferenceError> {
        let backend = InstructionSet::preferred().map(|set| Backend {
            set,
            pool: Arc::clone(pool),
        });
        Self::prepare(name, onnx, picture, asked, backend)
    }

    /// Loads a network; without backend, tract's own operators are used throughout.
    fn prepare(
        name: &str,
        onnx: &[u8],
        picture: [usize; 3],
        asked: &[&str],
        backend: Option<Backend>,
    ) -> Result<Self, InferenceError> {
        let prepare = || -> TractResult<Self> {
            let mut bytes = onnx;
            let model = tract_onnx::onnx().model_for_read(&mut bytes)?;
            let [height, width, channels] = picture;
            let fact = f32::fact([1, channels, height, width]);
            let model = model.with_input_fact(0, fact.into())?;
            let output_names = output_names(&model);
            let places = asked
                .iter()
                .filter_map(|asked| output_names.iter().position(|name| name == asked))
                .collect::<Vec<_>>();
            let (model, heads) = rewrite::rebuild(model.into_typed()?, backend.as_ref(), &places)?;
            let plan = model
                .into_decluttered()?
                .into_optimized()?
                .into_runnable()?;
            let input = Tensor::zero::<f32>(&[1, height, width, channels])?;
            Ok(Self {
                name: name.to_owned(),
                input: input.into_arc_tensor(),
                output_names,
                heads,
                state: plan.spawn()?,
            })
        };
        prepare().map_err(|e| InferenceError::Load {
            network: name.to_owned(),
            reason: format!("{e:#}"),
        })
    }

    /// Runs the network on one picture, which `fill` writes: row by row, the channels of a pixel side by side.
    ///
    /// # Errors
    /// Where the network fails.
    pub fn run(&mut self, fill: impl FnOnce(&mut [f32])) -> Result<Outputs<'_>, InferenceError> {
        let values = self.try_run(fill).map_err(|e| InferenceError::Run {
            network: self.name.clone(),
            reason: format!("{e:#}"),
        })?;
        Ok(Outputs {
            network: &self.name,
            names: &self.output_names,
            heads: &self.heads,
            values,
        })
    }

    fn try_run(&mut self, fill: impl FnOnce(&mut [f32])) -> TractResult<TVec<TValue>> {
        if Arc::get_mut(&mut self.input).is_none() {
            // A run that failed may have kept it.
            self.input = Tensor::zero::<f32>(self.input.shape())?.into_arc_tensor();
        }
        let input = Arc::get_mut(&mut self.input).context("a new tensor is shared")?;
        fill(input.try_as_plain_ram_mut()?.as_slice_mut::<f32>()?);
        let input = TValue::from_const(Arc::clone(&self.input));
        self.state.run(tvec!(input))
    }
}

impl Outputs<'_> {
    /// The values of one output, in the order of its shape, a picture's with the channels of a pixel side by side; `len`
    /// is how many are expected.
    ///
    /// # Errors
    /// Where there is no output of that name and size.
    pub fn get(&self, output: &str, len: usize) -> Result<&[f32], InferenceError> {
        self.find(output)
            .filter(|(at, values)| !self.heads.contains_key(at) && values.len() == len)
            .map(|(_, values)| values)
            .ok_or_else(|| self.missing(output, len))
    }

    /// One output, a map of some height, width and channels, to ask for single values.
    ///
    /// # Errors
    /// Where there is no output of that name and size.
    pub fn cells(&self, output: &str, shape: [usize; 3]) -> Result<OutputMap<'_>, InferenceError> {
        let map = self
            .find(output)
            .and_then(|(at, values)| match self.heads.get(&at) {
                Some(conv) => OutputMap::lazy(values, conv, shape),
                None => OutputMap::dense(values, shape),
            });
        map.ok_or_else(|| self.missing(output, shape.iter().product()))
    }

    /// The place of an output and its floats.
    fn find(&self, output: &str) -> Option<(usize, &[f32])> {
        let at = self.names.iter().position(|name| name == output)?;
        let value = self.values[at].as_plain_ram()?;
        Some((at, value.as_slice::<f32>().ok()?))
    }

    fn missing(&self, output: &str, wanted: usize) -> InferenceError {
        InferenceError::Output {
            network: self.network.to_owned(),
            output: output.to_owned(),
            wanted,
        }
    }
}

/// Names of the outputs in the order in which a run gives them.
fn output_names(model: &InferenceModel) -> Vec<String> {
    let label = |outlet: &OutletId| {
        model
            .outlet_label(*outlet)
            .map_or_else(|| model.node(outlet.node).name.clone(), str::to_owned)
    };
    model
        .output_outlets()
        .map(|outlets| outlets.iter().map(label).collect())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests;
