//! A network, loaded from an ONNX file and run on one image at a time.

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
    /// The bytes are not a network that can be loaded.
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

/// A loaded network, with the memory that its runs reuse. One thread at a time runs it.
pub struct Network {
    name: String,
    /// Filled again for each run.
    input: Arc<Tensor>,
    output_names: Vec<String>,
    /// The convolutions left to [`OutputMap`], by the index of their output.
    lazy: HashMap<usize, LazyConv>,
    state: TypedSimpleState,
}

/// The outputs of one run.
pub struct Outputs<'a> {
    network: &'a str,
    names: &'a [String],
    lazy: &'a HashMap<usize, LazyConv>,
    values: TVec<TValue>,
}

impl Network {
    /// Loads an ONNX file's bytes for images of one shape (height, width, channels); `name` is for messages. The outputs
    /// named in `lazy_outputs` are read with [`Outputs::map`], the others with [`Outputs::get`].
    ///
    /// # Errors
    /// Where the bytes are not an ONNX network whose input is one such image, channels first.
    pub fn from_bytes(
        name: &str,
        onnx: &[u8],
        image: [usize; 3],
        lazy_outputs: &[&str],
        pool: &Arc<WorkerPool>,
    ) -> Result<Self, InferenceError> {
        let backend = InstructionSet::preferred().map(|set| Backend {
            set,
            pool: Arc::clone(pool),
        });
        Self::load(name, onnx, image, lazy_outputs, backend)
    }

    /// Loads a network; without a backend, all operators are tract's own.
    fn load(
        name: &str,
        onnx: &[u8],
        image: [usize; 3],
        lazy_outputs: &[&str],
        backend: Option<Backend>,
    ) -> Result<Self, InferenceError> {
        let load = || -> TractResult<Self> {
            let mut bytes = onnx;
            let model = tract_onnx::onnx().model_for_read(&mut bytes)?;
            let [height, width, channels] = image;
            let fact = f32::fact([1, channels, height, width]);
            let model = model.with_input_fact(0, fact.into())?;
            let output_names = output_names(&model);
            let lazy_indices = lazy_outputs
                .iter()
                .filter_map(|lazy| output_names.iter().position(|name| name == lazy))
                .collect::<Vec<_>>();
            let (model, lazy) =
                rewrite::rewrite(model.into_typed()?, backend.as_ref(), &lazy_indices)?;
            let plan = model
                .into_decluttered()?
                .into_optimized()?
                .into_runnable()?;
            let input = Tensor::zero::<f32>(&[1, height, width, channels])?;
            Ok(Self {
                name: name.to_owned(),
                input: input.into_arc_tensor(),
                output_names,
                lazy,
                state: plan.spawn()?,
            })
        };
        load().map_err(|e| InferenceError::Load {
            network: name.to_owned(),
            reason: format!("{e:#}"),
        })
    }

    /// Runs the network on one image, which `fill` writes: row by row, channels last.
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
            lazy: &self.lazy,
            values,
        })
    }

    fn try_run(&mut self, fill: impl FnOnce(&mut [f32])) -> TractResult<TVec<TValue>> {
        if Arc::get_mut(&mut self.input).is_none() {
            // A run that failed may still hold it.
            self.input = Tensor::zero::<f32>(self.input.shape())?.into_arc_tensor();
        }
        let input = Arc::get_mut(&mut self.input).context("a new tensor is shared")?;
        fill(input.try_as_plain_ram_mut()?.as_slice_mut::<f32>()?);
        let input = TValue::from_const(Arc::clone(&self.input));
        self.state.run(tvec!(input))
    }
}

impl Outputs<'_> {
    /// The values of an output that is not lazy, a map's with its channels last; `len` is how many are expected.
    ///
    /// # Errors
    /// Where there is no such output of that length.
    pub fn get(&self, output: &str, len: usize) -> Result<&[f32], InferenceError> {
        self.find(output)
            .filter(|(index, values)| !self.lazy.contains_key(index) && values.len() == len)
            .map(|(_, values)| values)
            .ok_or_else(|| self.missing(output, len))
    }

    /// An output of which single values are read, a map of this height, width and channels.
    ///
    /// # Errors
    /// Where there is no output of that name and shape.
    pub fn map(&self, output: &str, shape: [usize; 3]) -> Result<OutputMap<'_>, InferenceError> {
        let map = self
            .find(output)
            .and_then(|(index, values)| match self.lazy.get(&index) {
                Some(conv) => OutputMap::lazy(values, conv, shape),
                None => OutputMap::dense(values, shape),
            });
        map.ok_or_else(|| self.missing(output, shape.iter().product()))
    }

    /// The index of an output and its floats.
    fn find(&self, output: &str) -> Option<(usize, &[f32])> {
        let index = self.names.iter().position(|name| name == output)?;
        let value = self.values[index].as_plain_ram()?;
        Some((index, value.as_slice::<f32>().ok()?))
    }

    fn missing(&self, output: &str, wanted: usize) -> InferenceError {
        InferenceError::Output {
            network: self.network.to_owned(),
            output: output.to_owned(),
            wanted,
        }
    }
}

/// The names of the outputs, in the order in which a run returns them.
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
