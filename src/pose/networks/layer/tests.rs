//! Each layer, alone in a fused graph, against the plain definition of what it computes, in double precision.
//!
//! The definitions are those of the ONNX operator specification (Conv; Resize with mode linear and half_pixel
//! coordinates).

use super::*;
use crate::fused::{Backend, FusedGraph, OutputFormat, OutputSpec};
use crate::plan::{Operand, Step};
use crate::worker_pool::WorkerPool;
use tract_onnx::tract_core::internal::*;

/// Repeatable values between -1 and 1.
fn values(count: usize, seed: u32) -> Vec<f32> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    (0..count).map(|_| next()).collect()
}

/// Runs one layer on images given as (height, width, channels) and values, channels last.
fn run(
    set: InstructionSet,
    layer: Layer,
    inputs: &[([usize; 3], &[f32])],
    output: [usize; 3],
) -> Vec<f32> {
    let layout = |[height, width, channels]: [usize; 3]| Layout::new([height, width], channels);
    let mut steps: Vec<_> = inputs
        .iter()
        .enumerate()
        .map(|(i, (shape, _))| Step {
            layer: Layer::Pack,
            inputs: vec![Operand::Tensor(i)],
            layout: layout(*shape),
        })
        .collect();
    steps.push(Step {
        layer,
        inputs: (0..inputs.len()).map(Operand::Step).collect(),
        layout: layout(output),
    });
    let shapes = inputs.iter().map(|(shape, _)| *shape).collect();
    let spec = OutputSpec {
        step: inputs.len(),
        format: OutputFormat::ChannelsLast(output[2]),
    };
    let backend = Backend {
        set,
        pool: Arc::new(WorkerPool::new(1, &crate::cores::CoreBudget::unlimited())),
    };
    let fused = FusedGraph::new(backend, steps, shapes, vec![spec]);
    let tensors = inputs
        .iter()
        .map(|([height, width, channels], values)| {
            Tensor::from_shape(&[1, *height, *width, *channels], values)
                .unwrap()
                .into_tvalue()
        })
        .collect();
    let outputs = fused.eval_out_of_plan(tensors).unwrap().unwrap();
    assert_eq!(outputs[0].shape(), [1, output[0], output[1], output[2]]);
    let plain = outputs[0].try_as_plain_ram().unwrap();
    plain.as_slice::<f32>().unwrap().to_vec()
}

fn activated(value: f64, activation: Activation) -> f64 {
    match activation {
        Activation::Linear => value,
        Activation::Relu => value.max(0.0),
        Activation::Relu6 => value.clamp(0.0, 6.0),
    }
}

fn check(what: &str, actual: &[f32], expected: &[f64]) {
    assert_eq!(actual.len(), expected.len(), "{what}");
    for (i, (a, e)) in actual.iter().zip(expected).enumerate() {
        assert!(
            (f64::from(*a) - e).abs() < 1e-5 * e.abs().max(1.0),
            "{what}: value {i} is {a}, not {e}"
        );
    }
}

/// A convolution to try: input height, width and channels; channels out; kernel; stride; padding before and after.
struct Case {
    input: [usize; 3],
    out: usize,
    kernel: usize,
    stride: usize,
    padding: [usize; 2],
    depthwise: bool,
}

impl Case {
    fn output_size(&self) -> [usize; 2] {
        let covered = |n: usize| n + self.padding[0] + self.padding[1];
        [0, 1].map(|i| (covered(self.input[i]) - self.kernel) / self.stride + 1)
    }

    fn window(&self) -> Window {
        Window {
            input_size: [self.input[0], self.input[1]],
            output_size: self.output_size(),
            kernel: [self.kernel; 2],
            stride: [self.stride; 2],
            padding: [self.padding[0]; 2],
        }
    }

    /// The convolution by its definition, channels last.
    fn expected(&self, input: &[f32], weights: &[f32], bias: &[f32]) -> Vec<f64> {
        let [height, width, channels] = self.input;
        let [rows, columns] = self.output_size();
        let (k, per_group) = (self.kernel, if self.depthwise { 1 } else { channels });
        let mut output = vec![];
        for (row, column, out) in (0..rows)
            .flat_map(|r| (0..columns).map(move |c| (r, c)))
            .flat_map(|(r, c)| (0..self.out).map(move |o| (r, c, o)))
        {
            let mut sum = f64::from(bias[out]);
            for (ky, kx) in (0..k).flat_map(|y| (0..k).map(move |x| (y, x))) {
                let (Some(y), Some(x)) = (
                    (row * self.stride + ky)
                        .checked_sub(self.padding[0])
                        .filter(|y| *y < height),
                    (column * self.stride + kx)
                        .checked_sub(self.padding[0])
                        .filter(|x| *x < width),
                ) else {
                    continue;
                };
                for i in 0..per_group {
                    let channel = if self.depthwise { out } else { i };
                    let value = f64::from(input[(y * width + x) * channels + channel]);
                    sum += value * f64::from(weights[((out * per_group + i) * k + ky) * k + kx]);
                }
            }
            output.push(sum);
        }
        output
    }

    fn run(&self, activation: Activation, with_residual: bool) {
        let [height, width, channels] = self.input;
        let [rows, columns] = self.output_size();
        let (group, per_group) = if self.depthwise {
            (channels, 1)
        } else {
            (1, channels)
        };
        let weight_shape = [self.out, per_group, self.kernel, self.kernel];
        let input = values(height * width * channels, 1);
        let weights = values(weight_shape.iter().product(), 2);
        let bias: Vec<f32> = values(self.out, 3).iter().map(|b| 3.0 * b).collect();
        let residual = values(rows * columns * self.out, 4);
        let mut expected = self.expected(&input, &weights, &bias);
        for (value, r) in expected.iter_mut().zip(&residual) {
            *value = activated(
                *value + if with_residual { f64::from(*r) } else { 0.0 },
                activation,
            );
        }
        for set in InstructionSet::available() {
            let conv_weights = ConvWeights {
                shape: weight_shape,
                group,
                weights: &weights,
                bias: &bias,
            };
            let layer = Convolution::new(set, self.window(), &conv_weights, activation).unwrap();
            let what = format!(
                "{set:?} {:?} to {} kernel {} stride {}",
                self.input, self.out, self.kernel, self.stride
            );
            let mut inputs = vec![(self.input, &input[..])];
            let output = [rows, columns, self.out];
            if with_residual {
                inputs.push((output, &residual));
            }
            let actual = run(set, Layer::Convolution(layer), &inputs, output);
            check(&what, &actual, &expected);
        }
    }
}

#[test]
fn depthwise_convolution_follows_its_definition() {
    // Kernel, stride and padding as the networks use them, with the odd pixel at either end or none, on maps that
    // are wider and narrower than the kernel and on channel counts that do and do not fill the widest register.
    for (kernel, stride, padding) in [
        (3, 1, [1, 1]),
        (3, 2, [1, 1]),
        (3, 2, [0, 1]),
        (3, 2, [1, 0]),
        (5, 1, [2, 2]),
        (5, 2, [2, 2]),
        (5, 2, [1, 2]),
        (3, 1, [0, 0]),
    ] {
        for input in [
            [16, 16, 24],
            [14, 14, 40],
            [7, 7, 16],
            [4, 4, 8],
            [5, 23, 48],
            [3, 3, 8],
        ] {
            if input[0] + padding[0] + padding[1] >= kernel {
                Case {
                    input,
                    out: input[2],
                    kernel,
                    stride,
                    padding,
                    depthwise: true,
                }
                .run(Activation::Relu6, false);
            }
        }
    }
    let small = Case {
        input: [2, 2, 192],
        out: 192,
        kernel: 3,
        stride: 1,
        padding: [1, 1],
        depthwise: true,
    };
    small.run(Activation::Linear, false);
    small.run(Activation::Relu, false);
}

#[test]
fn pointwise_convolution_follows_its_definition() {
    // Row counts unpack every possible remainder of the tiles, columns every kind of last panel.
    for size in [[1, 1], [1, 5], [7, 7], [2, 6], [16, 16]] {
        for (depth, out) in [
            (8, 8),
            (24, 16),
            (96, 24),
            (40, 39),
            (16, 88),
            (24, 2),
            (33, 1),
        ] {
            let case = Case {
                input: [size[0], size[1], depth],
                out,
                kernel: 1,
                stride: 1,
                padding: [0, 0],
                depthwise: false,
            };
            case.run(Activation::Relu6, false);
            case.run(Activation::Linear, true);
            case.run(Activation::Relu, true);
        }
    }
}

#[test]
fn convolution_over_windows_follows_its_definition() {
    let first = Case {
        input: [20, 16, 3],
        out: 24,
        kernel: 3,
        stride: 2,
        padding: [1, 1],
        depthwise: false,
    };
    first.run(Activation::Relu6, false);
    let odd_end = Case {
        input: [16, 16, 3],
        out: 24,
        kernel: 3,
        stride: 2,
        padding: [0, 1],
        depthwise: false,
    };
    odd_end.run(Activation::Relu6, true);
    let head = Case {
        input: [2, 2, 64],
        out: 195,
        kernel: 2,
        stride: 1,
        padding: [0, 0],
        depthwise: false,
    };
    head.run(Activation::Linear, false);
    let skips = Case {
        input: [9, 9, 4],
        out: 8,
        kernel: 1,
        stride: 2,
        padding: [0, 0],
        depthwise: false,
    };
    skips.run(Activation::Linear, true);
}

#[test]
fn what_no_algorithm_fits_is_left_to_tract() {
    let window = Window {
        input_size: [9, 9],
        output_size: [3, 3],
        kernel: [7, 7],
        stride: [1, 1],
        padding: [0, 0],
    };
    let set = InstructionSet::available()[0];
    let (weights, bias) = (values(8 * 49, 1), values(8, 2));
    let conv_weights = ConvWeights {
        shape: [8, 1, 7, 7],
        group: 8,
        weights: &weights,
        bias: &bias,
    };
    assert!(Convolution::new(set, window, &conv_weights, Activation::Linear).is_none());
    let window = Window {
        kernel: [3, 3],
        output_size: [7, 7],
        ..window
    };
    let weights = values(8 * 2 * 9, 1);
    let conv_weights = ConvWeights {
        shape: [8, 2, 3, 3],
        group: 4,
        weights: &weights,
        bias: &bias,
    };
    assert!(Convolution::new(set, window, &conv_weights, Activation::Linear).is_none());
}

#[test]
fn upsampling_follows_its_definition() {
    use Enlarging::{Bilinear, Nearest};
    for ([height, width], channels, enlarging) in [
        ([7, 7], 192, Bilinear),
        ([1, 1], 8, Bilinear),
        ([4, 9], 24, Bilinear),
        ([2, 3], 16, Bilinear),
        ([4, 9], 24, Nearest),
        ([1, 2], 8, Nearest),
    ] {
        let input = values(height * width * channels, 5);
        let residual = values(4 * height * width * channels, 6);
        // The two input pixels around the center of an output pixel, and how far it is from the first.
        let around = |position: usize, size: usize| match enlarging {
            Enlarging::Nearest => (position / 2, position / 2, 0.0),
            Enlarging::Bilinear => {
                let at = ((position as f64 + 0.5) / 2.0 - 0.5).clamp(0.0, size as f64 - 1.0);
                (at.floor() as usize, at.ceil() as usize, at - at.floor())
            }
        };
        let mut expected = vec![];
        for (y, x) in (0..2 * height).flat_map(|y| (0..2 * width).map(move |x| (y, x))) {
            let (top, bottom, down) = around(y, height);
            let (left, right, across) = around(x, width);
            for c in 0..channels {
                let value = |y: usize, x: usize| f64::from(input[(y * width + x) * channels + c]);
                let upper = value(top, left) * (1.0 - across) + value(top, right) * across;
                let lower = value(bottom, left) * (1.0 - across) + value(bottom, right) * across;
                expected.push(upper * (1.0 - down) + lower * down);
            }
        }
        for set in InstructionSet::available() {
            for (activation, with_residual) in
                [(Activation::Linear, false), (Activation::Relu6, true)]
            {
                let output = [2 * height, 2 * width, channels];
                let mut inputs = vec![([height, width, channels], &input[..])];
                let mut expected: Vec<f64> = expected
                    .iter()
                    .map(|value| activated(*value, activation))
                    .collect();
                if with_residual {
                    inputs.push((output, &residual));
                    expected
                        .iter_mut()
                        .zip(&residual)
                        .for_each(|(value, r)| *value += f64::from(*r));
                }
                let actual = run(set, Layer::Upsample(enlarging, activation), &inputs, output);
                let what = format!("{enlarging:?} {set:?} {height} x {width} x {channels}");
                check(&what, &actual, &expected);
            }
        }
    }
}
