//! Runs the pose networks: an ONNX file in, named float outputs out.
//!
//! In: the file's bytes once, then one float tensor a run. Out: the network's outputs by name. tract reads and
//! optimises the graph; the convolutions run in our own operators, because tract's are several times slower on
//! these networks (see `channels_last`). One [`Network`] belongs to one thread; it starts none itself and does not
//! know what the numbers mean.

mod channels_last;
mod kernels;
mod operators;

use kernels::InstructionSet;
use tract_onnx::prelude::*;

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
    /// The input has the wrong number of values.
    #[error("network {network}: wants {wanted} input values, got {got}")]
    Input {
        /// Name of the network.
        network: String,
        /// Values it wants.
        wanted: usize,
        /// Values it was given.
        got: usize,
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
    input_shape: [usize; 4],
    output_names: Vec<String>,
    state: TypedSimpleState,
}

/// What one run gave.
pub struct Outputs<'a> {
    network: &'a str,
    names: &'a [String],
    values: TVec<TValue>,
}

impl Network {
    /// Loads an ONNX file's bytes for inputs of one shape (batch, channels, height, width); `name` is for messages.
    ///
    /// # Errors
    /// Where the bytes are not an ONNX network with one input of that shape.
    pub fn from_bytes(
        name: &str,
        onnx: &[u8],
        input_shape: [usize; 4],
    ) -> Result<Self, InferenceError> {
        Self::prepare(name, onnx, input_shape, InstructionSet::preferred())
    }

    /// Loads a network; without an instruction set, tract's own operators are used throughout.
    fn prepare(
        name: &str,
        onnx: &[u8],
        input_shape: [usize; 4],
        set: Option<InstructionSet>,
    ) -> Result<Self, InferenceError> {
        let prepare = || -> TractResult<Self> {
            let mut bytes = onnx;
            let model = tract_onnx::onnx().model_for_read(&mut bytes)?;
            let model = model.with_input_fact(0, f32::fact(input_shape).into())?;
            let output_names = output_names(&model);
            let mut model = model.into_typed()?;
            if let Some(set) = set {
                model = channels_last::channels_last(model, set)?;
            }
            let plan = model
                .into_decluttered()?
                .into_optimized()?
                .into_runnable()?;
            Ok(Self {
                name: name.to_owned(),
                input_shape,
                output_names,
                state: plan.spawn()?,
            })
        };
        prepare().map_err(|e| InferenceError::Load {
            network: name.to_owned(),
            reason: format!("{e:#}"),
        })
    }

    /// Runs the network on one input in the order of its shape.
    ///
    /// # Errors
    /// Where the input has another size, or the network fails.
    pub fn run(&mut self, input: &[f32]) -> Result<Outputs<'_>, InferenceError> {
        let wanted = self.input_shape.iter().product();
        if input.len() != wanted {
            return Err(InferenceError::Input {
                network: self.name.clone(),
                wanted,
                got: input.len(),
            });
        }
        let values = Tensor::from_shape(&self.input_shape, input)
            .and_then(|tensor| self.state.run(tvec!(tensor.into_tvalue())))
            .map_err(|e| InferenceError::Run {
                network: self.name.clone(),
                reason: format!("{e:#}"),
            })?;
        Ok(Outputs {
            network: &self.name,
            names: &self.output_names,
            values,
        })
    }
}

impl Outputs<'_> {
    /// The values of one output, in the order of its shape; `len` is how many are expected.
    ///
    /// # Errors
    /// Where there is no output of that name and size.
    pub fn get(&self, output: &str, len: usize) -> Result<&[f32], InferenceError> {
        let missing = || InferenceError::Output {
            network: self.network.to_owned(),
            output: output.to_owned(),
            wanted: len,
        };
        let at = self
            .names
            .iter()
            .position(|name| name == output)
            .ok_or_else(missing)?;
        let value = self.values[at].as_plain_ram().ok_or_else(missing)?;
        value
            .as_slice::<f32>()
            .ok()
            .filter(|values| values.len() == len)
            .ok_or_else(missing)
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
