//! The shipped networks against the outputs of the original models, and on our operators against tract's own.
//!
//! The expected numbers come from the original TensorFlow Lite models on their own runtime; see
//! `tests/data/pose_reference/README.md` for their origin.

use super::*;

const DETECTION: &[u8] = include_bytes!("../../../models/pose_detection.onnx");
const LITE: &[u8] = include_bytes!("../../../models/pose_landmark_lite.onnx");
const FULL: &[u8] = include_bytes!("../../../models/pose_landmark_full.onnx");

fn reference(file: &str) -> Vec<u8> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/pose_reference/");
    std::fs::read(format!("{path}{file}")).unwrap()
}

/// A test picture with its rows turned into three planes, each byte through `value`.
fn planes(picture: &str, side: usize, value: impl Fn(u8) -> f32) -> Vec<f32> {
    let bytes = if picture == "noise" {
        noise(side)
    } else {
        reference(&format!("{picture}_{side}.rgb"))
    };
    assert_eq!(bytes.len(), side * side * 3);
    (0..3)
        .flat_map(|c| {
            bytes
                .iter()
                .skip(c)
                .step_by(3)
                .map(|b| value(*b))
                .collect::<Vec<_>>()
        })
        .collect()
}

fn noise(side: usize) -> Vec<u8> {
    let mut state = 1u32;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    };
    (0..side * side * 3).map(|_| next()).collect()
}

fn largest_difference(a: &[f32], b: &[f32]) -> f32 {
    assert_eq!(a.len(), b.len());
    a.iter()
        .zip(b)
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f32::max)
}

/// Every way in which this machine can run a network: tract's operators, then ours on each instruction set.
fn ways() -> Vec<Option<InstructionSet>> {
    std::iter::once(None)
        .chain(InstructionSet::available().into_iter().map(Some))
        .collect()
}

fn landmark_network(model: &str, set: Option<InstructionSet>) -> Network {
    let onnx = if model == "pose_landmark_lite" {
        LITE
    } else {
        FULL
    };
    Network::prepare(model, onnx, [1, 3, 256, 256], set).unwrap()
}

#[test]
fn landmark_networks_agree_with_the_original() {
    let expected: serde_json::Value = serde_json::from_slice(&reference("landmarks.json")).unwrap();
    for model in ["pose_landmark_lite", "pose_landmark_full"] {
        for way in ways() {
            let mut network = landmark_network(model, way);
            for picture in ["person", "hitter", "noise"] {
                let outputs = network
                    .run(&planes(picture, 256, |b| f32::from(b) / 255.0))
                    .unwrap();
                for (output, limit) in [
                    ("landmarks", 0.01),
                    ("pose_presence", 1e-4),
                    ("world_landmarks", 1e-4),
                ] {
                    let wanted: Vec<f32> = expected[picture][model][output]
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|v| v.as_f64().unwrap() as f32)
                        .collect();
                    let difference =
                        largest_difference(outputs.get(output, wanted.len()).unwrap(), &wanted);
                    println!("{model} {way:?} {picture} {output}: {difference:.1e}");
                    assert!(
                        difference < limit,
                        "{model} {way:?} {picture} {output}: {difference}"
                    );
                }
            }
        }
    }
}

#[test]
fn the_detection_network_agrees_with_the_original() {
    for way in ways() {
        let mut network =
            Network::prepare("pose_detection", DETECTION, [1, 3, 224, 224], way).unwrap();
        for picture in ["person", "hitter", "noise"] {
            let expected: Vec<f32> = reference(&format!("{picture}_detection.f32"))
                .chunks_exact(4)
                .map(|b| f32::from_le_bytes(b.try_into().unwrap()))
                .collect();
            let (boxes, scores) = expected.split_at(2254 * 12);
            let outputs = network
                .run(&planes(picture, 224, |b| f32::from(b) / 127.5 - 1.0))
                .unwrap();
            let boxes = largest_difference(outputs.get("boxes", 2254 * 12).unwrap(), boxes);
            let scores = largest_difference(outputs.get("scores", 2254).unwrap(), scores);
            println!("pose_detection {way:?} {picture}: boxes {boxes:.1e}, scores {scores:.1e}");
            assert!(
                boxes < 0.01 && scores < 0.01,
                "{way:?} {picture}: boxes {boxes}, scores {scores}"
            );
        }
    }
}

#[test]
fn our_operators_give_what_tracts_own_give() {
    for model in ["pose_landmark_lite", "pose_landmark_full"] {
        let picture = planes("hitter", 256, |b| f32::from(b) / 255.0);
        let mut plain = landmark_network(model, None);
        let plain = plain.run(&picture).unwrap();
        for set in InstructionSet::available() {
            let mut network = landmark_network(model, Some(set));
            let outputs = network.run(&picture).unwrap();
            for (output, len) in [
                ("landmarks", 195),
                ("world_landmarks", 117),
                ("heatmaps", 39 * 64 * 64),
            ] {
                let difference = largest_difference(
                    outputs.get(output, len).unwrap(),
                    plain.get(output, len).unwrap(),
                );
                println!("{model} {set:?} {output}: {difference:.1e}");
                assert!(difference < 1e-3, "{model} {set:?} {output}: {difference}");
            }
        }
    }
}

#[test]
fn every_convolution_of_the_shipped_networks_runs_in_our_operators() {
    for (name, onnx, side) in [
        ("detection", DETECTION, 224),
        ("lite", LITE, 256),
        ("full", FULL, 256),
    ] {
        let input_shape = [1, 3, side, side];
        let mut bytes = onnx;
        let model = tract_onnx::onnx().model_for_read(&mut bytes).unwrap();
        let model = model
            .with_input_fact(0, f32::fact(input_shape).into())
            .unwrap()
            .into_typed()
            .unwrap();
        let count = |model: &TypedModel, op: &str| {
            model
                .nodes()
                .iter()
                .filter(|node| node.op().name() == op)
                .count()
        };
        let convolutions = count(&model, "Conv");
        assert!(
            convolutions > 50,
            "{name} has only {convolutions} convolutions"
        );
        for set in InstructionSet::available() {
            let network = Network::prepare(name, onnx, input_shape, Some(set)).unwrap();
            let model = network.state.model();
            assert_eq!(
                count(model, "ChannelsLastConvolution"),
                convolutions,
                "{name}"
            );
            assert_eq!(
                count(model, "ChannelsLastEnlarge"),
                if side == 224 { 2 } else { 3 },
                "{name}"
            );
            for left in ["Conv", "DepthWiseConv", "OptMatMul", "Resize"] {
                assert_eq!(count(model, left), 0, "{name} still has {left}");
            }
        }
    }
}

#[test]
fn a_network_can_move_to_its_thread() {
    fn movable<T: Send>() {}
    movable::<Network>();
}

#[test]
fn mistakes_are_named() {
    let Err(error) = Network::from_bytes("broken", b"not a network", [1, 3, 4, 4]) else {
        panic!("rubbish was loaded");
    };
    assert!(
        error
            .to_string()
            .starts_with("network broken: cannot be prepared: "),
        "{error}"
    );
    let mut network = Network::from_bytes("lite", LITE, [1, 3, 256, 256]).unwrap();
    let Err(error) = network.run(&[0.0; 7]) else {
        panic!("seven values were enough")
    };
    assert_eq!(
        error.to_string(),
        "network lite: wants 196608 input values, got 7"
    );
    let outputs = network.run(&vec![0.0; 3 * 256 * 256]).unwrap();
    assert!(outputs.get("landmarks", 195).is_ok());
    for (output, len) in [("landmarks", 194), ("elbows", 195)] {
        let error = outputs.get(output, len).unwrap_err().to_string();
        assert!(
            error.starts_with(&format!(
                "network lite: has no output {output} of {len} values"
            )),
            "{error}"
        );
    }
}
