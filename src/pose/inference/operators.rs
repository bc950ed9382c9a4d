//! Our operators for tract graphs, on data laid out channels last (batch, height, width, channels).
//!
//! In: tensors that tract hands over while it runs a plan. Out: new tensors. Shapes and weights are fixed when an
//! operator is made; the arithmetic is in `kernels`. An operator does not look at the graph around it.

use super::kernels::{self, Clamp, Depthwise, Enlargement, InstructionSet, Product};
use std::mem::MaybeUninit;
use tract_onnx::tract_core::internal::*;

/// What is done to a result before it is written.
#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq)]
pub enum Activation {
    /// Nothing.
    Linear,
    /// Negative values become 0.
    Relu,
    /// Values are kept within 0 and 6.
    Relu6,
}

impl Activation {
    fn clamp(self) -> Clamp {
        let [low, high] = match self {
            Self::Linear => [f32::NEG_INFINITY, f32::INFINITY],
            Self::Relu => [0.0, f32::INFINITY],
            Self::Relu6 => [0.0, 6.0],
        };
        Clamp { low, high }
    }
}

/// Where a convolution's window goes.
#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq)]
pub struct Window {
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Height and width of the output.
    pub output_size: [usize; 2],
    /// Height and width of the kernel.
    pub kernel: [usize; 2],
    /// Steps down and right.
    pub stride: [usize; 2],
    /// Rows above and columns left of the input that count as zero.
    pub padding: [usize; 2],
}

/// How the products of a convolution are formed.
#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq)]
enum Method {
    /// One small kernel a channel.
    Depthwise,
    /// Each pixel's channels times a matrix.
    Pointwise,
    /// The values of each window times a matrix, one row of the output at a time.
    Windowed,
}

/// A convolution with bias, an optional second input that is added, and an activation.
#[derive(Clone, Debug, Hash, PartialEq, Eq)]
pub struct Convolution {
    method: Method,
    set: InstructionSet,
    window: Window,
    channels: [usize; 2],
    activation: Activation,
    weights: Arc<Tensor>,
    bias: Arc<Tensor>,
}

impl Convolution {
    /// Packs the weights (out, in per group, height, width) and the bias for one instruction set. `None` where none
    /// of our methods fits; tract then keeps its own operator.
    pub fn new(
        set: InstructionSet,
        window: Window,
        group: usize,
        weights: &Tensor,
        bias: &Tensor,
        activation: Activation,
    ) -> TractResult<Option<Self>> {
        let &[out, per_group, kernel_height, kernel_width] = weights.shape() else {
            return Ok(None);
        };
        let input = per_group * group;
        let values = weights.try_as_plain_ram()?.as_slice::<f32>()?;
        let taps = kernel_height * kernel_width;
        let square = |k: usize| window.kernel == [k; 2] && window.stride[0] == window.stride[1];
        let (method, packed) = if group == 1 {
            let whole =
                window.kernel == [1, 1] && window.stride == [1, 1] && window.padding == [0, 0];
            let method = if whole {
                Method::Pointwise
            } else {
                Method::Windowed
            };
            // Rows of the matrix follow the order of a window's values: row, column, channel.
            let at = |row: usize, column: usize| {
                let (tap, channel) = (row / input, row % input);
                if column < out {
                    values[(column * input + channel) * taps + tap]
                } else {
                    0.0
                }
            };
            (
                method,
                packed(
                    taps * input,
                    out.next_multiple_of(8),
                    set.panel_widths(),
                    at,
                ),
            )
        } else if group == out && per_group == 1 && out % 8 == 0 && (square(3) || square(5)) {
            let at = |row: usize, column: usize| values[column * taps + row];
            (Method::Depthwise, packed(taps, out, set.lane_widths(), at))
        } else {
            return Ok(None);
        };
        let mut padded_bias = bias.try_as_plain_ram()?.as_slice::<f32>()?.to_vec();
        if padded_bias.len() != out {
            return Ok(None);
        }
        padded_bias.resize(out.next_multiple_of(8), 0.0);
        Ok(Some(Self {
            method,
            set,
            window,
            channels: [input, out],
            activation,
            weights: Arc::new(tensor1(&packed)),
            bias: Arc::new(tensor1(&padded_bias)),
        }))
    }

    /// Whether a second input can be added before the activation.
    pub fn takes_residual(&self) -> bool {
        self.method != Method::Depthwise
    }

    /// Sets what is done to the sum.
    pub fn with_activation(self, activation: Activation) -> Self {
        Self { activation, ..self }
    }

    /// Height and width of the picture that the windows cover together.
    fn covered(&self) -> [usize; 2] {
        let Window {
            output_size,
            kernel,
            stride,
            ..
        } = self.window;
        std::array::from_fn(|i| (output_size[i].max(1) - 1) * stride[i] + kernel[i])
    }

    /// The covered picture: the input with zeros around it where the windows reach beyond it, and cut off where they
    /// do not reach its end.
    fn cover(&self, input: &[f32]) -> Vec<f32> {
        let Window {
            input_size: [height, width],
            padding: [top, left],
            ..
        } = self.window;
        let channels = self.channels[0];
        let [rows, columns] = self.covered();
        let mut covered = vec![0.0; rows * columns * channels];
        let copied = width.min(columns.saturating_sub(left)) * channels;
        for (row, line) in covered.chunks_exact_mut(columns * channels).enumerate() {
            if (top..top + height).contains(&row) {
                line[left * channels..][..copied]
                    .copy_from_slice(&input[(row - top) * width * channels..][..copied]);
            }
        }
        covered
    }

    fn compute(
        &self,
        input: &[f32],
        residual: Option<&[f32]>,
        output: &mut [MaybeUninit<f32>],
    ) -> TractResult<()> {
        let weights = self.weights.try_as_plain_ram()?.as_slice::<f32>()?;
        let bias = self.bias.try_as_plain_ram()?.as_slice::<f32>()?;
        let Window {
            input_size,
            output_size,
            kernel,
            stride,
            padding,
        } = self.window;
        let [depth, columns] = self.channels;
        let clamp = self.activation.clamp();
        match self.method {
            Method::Depthwise => {
                let (channels, stride) = (columns, stride[0]);
                let d = Depthwise {
                    input_size,
                    output_size,
                    channels,
                    stride,
                    padding,
                    input,
                    weights,
                    bias,
                    clamp,
                };
                if kernel[0] == 3 {
                    kernels::depthwise::<3>(self.set, &d, output);
                } else {
                    kernels::depthwise::<5>(self.set, &d, output);
                }
            }
            Method::Pointwise => {
                let rows = output_size[0] * output_size[1];
                let (window, steps) = ([1, depth], [depth, depth]);
                let p = Product {
                    rows,
                    window,
                    steps,
                    columns,
                    input,
                    weights,
                    bias,
                    residual,
                    clamp,
                };
                kernels::product(self.set, &p, output);
            }
            Method::Windowed => {
                let covered = self.cover(input);
                let line = self.covered()[1] * depth;
                let rows = output_size[1];
                for (row, out) in output.chunks_exact_mut(rows * columns).enumerate() {
                    let input = &covered[row * stride[0] * line..];
                    let residual = residual.map(|r| &r[row * rows * columns..][..rows * columns]);
                    let (window, steps) =
                        ([kernel[0], kernel[1] * depth], [stride[1] * depth, line]);
                    let p = Product {
                        rows,
                        window,
                        steps,
                        columns,
                        input,
                        weights,
                        bias,
                        residual,
                        clamp,
                    };
                    kernels::product(self.set, &p, out);
                }
            }
        }
        Ok(())
    }
}

/// A tensor of floats that `fill` makes; `fill` must write every value, as the functions of `kernels` do.
// Clearing the memory first would cost a tenth of a run.
#[allow(unsafe_code)]
fn filled(
    shape: [usize; 4],
    fill: impl FnOnce(&mut [MaybeUninit<f32>]) -> TractResult<()>,
) -> TractResult<Tensor> {
    // SAFETY: the tensor is given out only after `fill` has written all of it.
    let mut tensor = unsafe { Tensor::uninitialized::<f32>(&shape)? };
    let len = tensor.len();
    let start = tensor
        .try_as_plain_ram_mut()?
        .as_ptr_mut::<f32>()?
        .cast::<MaybeUninit<f32>>();
    // SAFETY: the tensor owns `len` floats from `start` on, nothing else looks at them, and they may be uninitialised.
    fill(unsafe { std::slice::from_raw_parts_mut(start, len) })?;
    Ok(tensor)
}

/// A matrix of `rows` by `columns` values in blocks of columns, each block stored row by row.
fn packed(
    rows: usize,
    columns: usize,
    widths: &'static [usize],
    at: impl Fn(usize, usize) -> f32,
) -> Vec<f32> {
    let mut values = Vec::with_capacity(rows * columns);
    for (start, width) in kernels::blocks(columns, widths) {
        for row in 0..rows {
            values.extend((start..start + width).map(|column| at(row, column)));
        }
    }
    values
}

impl Op for Convolution {
    fn name(&self) -> StaticName {
        "ChannelsLastConvolution".into()
    }

    fn info(&self) -> TractResult<Vec<String>> {
        Ok(vec![format!(
            "{:?} {:?} {:?} {:?}",
            self.method, self.set, self.window, self.activation
        )])
    }

    fn validation(&self) -> Validation {
        Validation::Rounding
    }

    op_as_typed_op!();
}

impl EvalOp for Convolution {
    op_out_of_plan!();

    fn eval(&self, _ctx: &EvalContext, inputs: TVec<TValue>) -> TractResult<TVec<TValue>> {
        let [height, width] = self.window.output_size;
        let residual = inputs
            .get(1)
            .map(|r| r.try_as_plain_ram()?.as_slice::<f32>())
            .transpose()?;
        let input = inputs[0].try_as_plain_ram()?;
        let input = input.as_slice::<f32>()?;
        let output = filled([1, height, width, self.channels[1]], |output| {
            self.compute(input, residual, output)
        })?;
        Ok(tvec!(output.into_tvalue()))
    }
}

impl TypedOp for Convolution {
    fn output_facts(&self, inputs: &[&TypedFact]) -> TractResult<TVec<TypedFact>> {
        let Window {
            input_size,
            output_size,
            ..
        } = self.window;
        expect_shape(
            inputs.first(),
            [1, input_size[0], input_size[1], self.channels[0]],
        )?;
        let shape = [1, output_size[0], output_size[1], self.channels[1]];
        if inputs.len() > 1 {
            ensure!(
                self.takes_residual(),
                "a depthwise convolution adds nothing"
            );
            expect_shape(inputs.get(1), shape)?;
        }
        Ok(tvec!(f32::fact(shape)))
    }

    as_op!();
}

/// A bilinear enlargement by two, with an activation and then an optional second input that is added.
#[derive(Clone, Debug, Hash, PartialEq, Eq)]
pub struct Enlarge {
    /// The compiled loops to use.
    pub set: InstructionSet,
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Channels.
    pub channels: usize,
    /// What is done to the enlarged value.
    pub activation: Activation,
}

impl Enlarge {
    fn output_shape(&self) -> [usize; 4] {
        [
            1,
            2 * self.input_size[0],
            2 * self.input_size[1],
            self.channels,
        ]
    }
}

impl Op for Enlarge {
    fn name(&self) -> StaticName {
        "ChannelsLastEnlarge".into()
    }

    fn validation(&self) -> Validation {
        Validation::Rounding
    }

    op_as_typed_op!();
}

impl EvalOp for Enlarge {
    op_out_of_plan!();

    fn eval(&self, _ctx: &EvalContext, inputs: TVec<TValue>) -> TractResult<TVec<TValue>> {
        let residual = inputs
            .get(1)
            .map(|r| r.try_as_plain_ram()?.as_slice::<f32>())
            .transpose()?;
        let input = inputs[0].try_as_plain_ram()?;
        let e = Enlargement {
            input_size: self.input_size,
            channels: self.channels,
            input: input.as_slice::<f32>()?,
            clamp: self.activation.clamp(),
            residual,
        };
        let output = filled(self.output_shape(), |output| {
            kernels::enlarge(self.set, &e, output);
            Ok(())
        })?;
        Ok(tvec!(output.into_tvalue()))
    }
}

impl TypedOp for Enlarge {
    fn output_facts(&self, inputs: &[&TypedFact]) -> TractResult<TVec<TypedFact>> {
        expect_shape(
            inputs.first(),
            [1, self.input_size[0], self.input_size[1], self.channels],
        )?;
        if inputs.len() > 1 {
            expect_shape(inputs.get(1), self.output_shape())?;
        }
        Ok(tvec!(f32::fact(self.output_shape())))
    }

    as_op!();
}

fn expect_shape(fact: Option<&&TypedFact>, shape: [usize; 4]) -> TractResult<()> {
    let fact = fact.context("an input is missing")?;
    ensure!(
        fact.datum_type == f32::datum_type() && fact.shape.as_concrete() == Some(&shape[..]),
        "input is {fact:?}, not {shape:?} of f32"
    );
    Ok(())
}

#[cfg(test)]
mod tests;
