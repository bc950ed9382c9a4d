//! The shipped networks against the outputs of the original models, and with our layers against tract's own operators.
//!
//! The expected numbers come from the original TensorFlow Lite models on their own runtime; see
//! `tests/data/pose_reference/README.md` for their origin.

use super::*;
use crate::cores::CoreBudget;

const DETECTION: &[u8] = include_bytes!("../../../../models/pose_detection.onnx");
const LITE: &[u8] = include_bytes!("../../../../models/pose_landmark_lite.onnx");
const FULL: &[u8] = include_bytes!("../../../../models/pose_landmark_full.onnx");

/// The shipped networks, and the side of the image that each takes.
const NETWORKS: [(&str, &[u8], usize); 3] = [
    ("detection", DETECTION, 224),
    ("lite", LITE, 256),
    ("full", FULL, 256),
];

fn reference(file: &str) -> Vec<u8> {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../../tests/data/pose_reference/"
    );
    std::fs::read(format!("{path}{file}")).unwrap()
}

/// A test image, each byte through `value`.
fn pixels(image: &str, side: usize, value: impl Fn(u8) -> f32) -> Vec<f32> {
    let bytes = if image == "noise" {
        noise(side)
    } else {
        reference(&format!("{image}_{side}.rgb"))
    };
    assert_eq!(bytes.len(), side * side * 3);
    bytes.into_iter().map(value).collect()
}

fn run<'a>(network: &'a mut Network, pixels: &[f32]) -> Outputs<'a> {
    network.run(|input| input.copy_from_slice(pixels)).unwrap()
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
    let differences = a.iter().zip(b).map(|(a, b)| (a - b).abs());
    // Not the larger by `f32::max`, which would pass over what is no number.
    differences.fold(0.0, |largest, d| if d <= largest { largest } else { d })
}

/// Everything this machine can run a network on: tract's operators, then ours with each instruction set.
fn backends() -> Vec<Option<InstructionSet>> {
    std::iter::once(None)
        .chain(InstructionSet::available().into_iter().map(Some))
        .collect()
}

/// A network that runs on one thread.
fn single_threaded(set: InstructionSet) -> Backend {
    multi_threaded(set, 1)
}

/// One that several threads layer on.
fn multi_threaded(set: InstructionSet, threads: usize) -> Backend {
    Backend {
        set,
        pool: Arc::new(WorkerPool::new(threads, &CoreBudget::unlimited())),
    }
}

fn landmark_network(model: &str, set: Option<InstructionSet>) -> Network {
    network_of(model, set.map(single_threaded))
}

fn network_of(model: &str, backend: Option<Backend>) -> Network {
    let onnx = if model == "pose_landmark_lite" {
        LITE
    } else {
        FULL
    };
    Network::load(model, onnx, [256, 256, 3], &["heatmaps"], backend).unwrap()
}

#[test]
fn landmark_networks_agree_with_the_original() {
    let expected: serde_json::Value = serde_json::from_slice(&reference("landmarks.json")).unwrap();
    for model in ["pose_landmark_lite", "pose_landmark_full"] {
        for set in backends() {
            let mut network = landmark_network(model, set);
            for image in ["person", "hitter", "noise"] {
                let input = pixels(image, 256, |b| f32::from(b) / 255.0);
                let outputs = run(&mut network, &input);
                for (output, limit) in [
                    ("landmarks", 0.01),
                    ("pose_presence", 1e-4),
                    ("world_landmarks", 1e-4),
                ] {
                    let wanted: Vec<f32> = expected[image][model][output]
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|v| v.as_f64().unwrap() as f32)
                        .collect();
                    let difference =
                        largest_difference(outputs.get(output, wanted.len()).unwrap(), &wanted);
                    println!("{model} {set:?} {image} {output}: {difference:.1e}");
                    assert!(
                        difference < limit,
                        "{model} {set:?} {image} {output}: {difference}"
                    );
                }
            }
        }
    }
}

#[test]
fn the_detection_network_agrees_with_the_original() {
    for set in backends() {
        let mut network = Network::load(
            "pose_detection",
            DETECTION,
            [224, 224, 3],
            &[],
            set.map(single_threaded),
        )
        .unwrap();
        for image in ["person", "hitter", "noise"] {
            let expected: Vec<f32> = reference(&format!("{image}_detection.f32"))
                .chunks_exact(4)
                .map(|b| f32::from_le_bytes(b.try_into().unwrap()))
                .collect();
            let (boxes, scores) = expected.split_at(2254 * 12);
            let input = pixels(image, 224, |b| f32::from(b) / 127.5 - 1.0);
            let outputs = run(&mut network, &input);
            let boxes = largest_difference(outputs.get("boxes", 2254 * 12).unwrap(), boxes);
            let scores = largest_difference(outputs.get("scores", 2254).unwrap(), scores);
            println!("pose_detection {set:?} {image}: boxes {boxes:.1e}, scores {scores:.1e}");
            assert!(
                boxes < 0.01 && scores < 0.01,
                "{set:?} {image}: boxes {boxes}, scores {scores}"
            );
        }
    }
}

/// All values of a lazy map.
fn map_of(outputs: &Outputs<'_>) -> Vec<f32> {
    let cells = outputs.map("heatmaps", [64, 64, 39]).unwrap();
    (0..64 * 64 * 39)
        .map(|i| cells.get(i / 39 / 64, i / 39 % 64, i % 39))
        .collect()
}

#[test]
fn our_layers_compute_what_tracts_operators_compute() {
    // A thousandth of a pixel, of a logit, or of a meter.
    const LIMIT: f32 = 1e-3;
    for model in ["pose_landmark_lite", "pose_landmark_full"] {
        let mut plain = landmark_network(model, None);
        for set in InstructionSet::available() {
            let mut network = landmark_network(model, Some(set));
            for image in ["person", "hitter", "noise"] {
                let input = pixels(image, 256, |b| f32::from(b) / 255.0);
                let (plain, ours) = (run(&mut plain, &input), run(&mut network, &input));
                for (output, len) in [("landmarks", 195), ("world_landmarks", 117)] {
                    let per_point = len / 39;
                    // On the hitter all of them; on the others what is read: not the depth in crop pixels, and not points 35
                    // to 38.
                    let counts = |i: usize| {
                        image == "hitter"
                            || (i < 35 * per_point && (len != 195 || i % per_point != 2))
                    };
                    let read = |outputs: &Outputs<'_>| -> Vec<f32> {
                        let values = outputs.get(output, len).unwrap().iter().enumerate();
                        values
                            .filter(|(i, _)| counts(*i))
                            .map(|(_, value)| *value)
                            .collect()
                    };
                    let difference = largest_difference(&read(&ours), &read(&plain));
                    println!("{model} {set:?} {image} {output}: {difference:.1e}");
                    assert!(difference < LIMIT, "{model} {set:?} {image} {output}");
                }
                let difference = largest_difference(&map_of(&ours), &map_of(&plain));
                println!("{model} {set:?} {image} heatmaps: {difference:.1e}");
                assert!(difference < LIMIT, "{model} {set:?} {image} heatmaps");
            }
        }
    }
    let detection = |set: Option<_>| {
        Network::load(
            "pose_detection",
            DETECTION,
            [224, 224, 3],
            &[],
            set.map(single_threaded),
        )
        .unwrap()
    };
    let mut plain = detection(None);
    for set in InstructionSet::available() {
        let mut network = detection(Some(set));
        for image in ["person", "hitter", "noise"] {
            let input = pixels(image, 224, |b| f32::from(b) / 127.5 - 1.0);
            let (plain, ours) = (run(&mut plain, &input), run(&mut network, &input));
            // Only boxes that may be a person are read.
            let scores = plain.get("scores", 2254).unwrap();
            let read = |outputs: &Outputs<'_>| -> Vec<f32> {
                let boxes = outputs.get("boxes", 2254 * 12).unwrap();
                let likely = boxes
                    .chunks_exact(12)
                    .zip(scores)
                    .filter(|(_, s)| **s >= 0.0);
                likely.flat_map(|(values, _)| values.to_vec()).collect()
            };
            let boxes = largest_difference(&read(&ours), &read(&plain));
            let chance = |logits: &[f32]| -> Vec<f32> {
                logits.iter().map(|l| 1.0 / (1.0 + (-l).exp())).collect()
            };
            let ours = ours.get("scores", 2254).unwrap();
            let scores = largest_difference(&chance(ours), &chance(scores));
            println!("pose_detection {set:?} {image}: boxes {boxes:.1e}, scores {scores:.1e}");
            assert!(
                boxes < LIMIT && scores < LIMIT,
                "pose_detection {set:?} {image}"
            );
        }
    }
}

#[test]
fn threads_change_no_digit() {
    let images =
        ["person", "hitter", "noise"].map(|name| pixels(name, 256, |b| f32::from(b) / 255.0));
    for model in ["pose_landmark_lite", "pose_landmark_full"] {
        for set in InstructionSet::available() {
            let mut one = landmark_network(model, Some(set));
            for threads in [2, 3] {
                let mut many = network_of(model, Some(multi_threaded(set, threads)));
                // Which thread does what differs from run to run.
                for image in images.iter().chain(&images) {
                    let (one, many) = (run(&mut one, image), run(&mut many, image));
                    for output in ["landmarks", "pose_presence", "world_landmarks", "heatmaps"] {
                        let values =
                            |outputs: &Outputs<'_>| outputs.find(output).unwrap().1.to_vec();
                        assert!(
                            values(&one) == values(&many),
                            "{model} {set:?} {threads} {output}"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn the_plans_of_the_shipped_networks_compute_every_map_rightly() {
    for (name, onnx, side) in NETWORKS {
        for set in InstructionSet::available() {
            for threads in [1, 2, 4] {
                let backend = Some(multi_threaded(set, threads));
                let network =
                    Network::load(name, onnx, [side, side, 3], &["heatmaps"], backend).unwrap();
                let nodes = network.state.model().nodes();
                for fused in nodes
                    .iter()
                    .filter_map(|node| node.op_as::<crate::fused::FusedGraph>())
                {
                    fused.verify_plan().unwrap();
                }
            }
        }
    }
}

#[test]
fn a_second_run_knows_nothing_of_the_first() {
    for set in InstructionSet::available() {
        let [hitter, noise] =
            ["hitter", "noise"].map(|image| pixels(image, 256, |b| f32::from(b) / 255.0));
        let mut network = landmark_network("pose_landmark_lite", Some(set));
        let landmarks = |outputs: Outputs<'_>| outputs.get("landmarks", 195).unwrap().to_vec();
        let first = landmarks(run(&mut network, &hitter));
        run(&mut network, &noise);
        assert_eq!(first, landmarks(run(&mut network, &hitter)), "{set:?}");
    }
}

#[test]
fn outputs_that_are_dropped_are_reused() {
    let image = pixels("hitter", 256, |b| f32::from(b) / 255.0);
    let mut network = landmark_network("pose_landmark_lite", Some(InstructionSet::available()[0]));
    let mut address = || {
        let outputs = run(&mut network, &image);
        outputs.find("heatmaps").unwrap().1.as_ptr()
    };
    assert_eq!(address(), address());
}

#[test]
fn outputs_that_are_kept_are_not_overwritten() {
    let [hitter, noise] =
        ["hitter", "noise"].map(|image| pixels(image, 256, |b| f32::from(b) / 255.0));
    let mut network = Network::from_bytes(
        "lite",
        LITE,
        [256, 256, 3],
        &["heatmaps"],
        &Arc::new(WorkerPool::new(2, &CoreBudget::unlimited())),
    )
    .unwrap();
    let kept = run(&mut network, &hitter).values;
    let before: Vec<_> = kept.iter().map(|value| Tensor::clone(value)).collect();
    run(&mut network, &noise);
    for (kept, before) in kept.iter().zip(&before) {
        assert_eq!(**kept, *before);
    }
}

#[test]
fn every_convolution_of_the_shipped_networks_runs_in_a_fused_graph() {
    for (name, onnx, side) in NETWORKS {
        let mut bytes = onnx;
        let model = tract_onnx::onnx().model_for_read(&mut bytes).unwrap();
        let model = model
            .with_input_fact(0, f32::fact([1, 3, side, side]).into())
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
            let network =
                Network::load(name, onnx, [side, side, 3], &[], Some(single_threaded(set)))
                    .unwrap();
            let model = network.state.model();
            let fused_graphs: Vec<_> = model
                .nodes()
                .iter()
                .filter_map(|node| node.op_as::<crate::fused::FusedGraph>())
                .collect();
            let layers = |wanted: fn(&crate::layer::Layer) -> bool| {
                let all = fused_graphs.iter().flat_map(|fused| fused.layers());
                all.filter(|layer| wanted(layer)).count()
            };
            assert_eq!(
                layers(|layer| matches!(layer, crate::layer::Layer::Convolution(_))),
                convolutions,
                "{name}"
            );
            assert_eq!(
                layers(|layer| matches!(layer, crate::layer::Layer::Upsample(..))),
                if side == 224 { 2 } else { 3 },
                "{name}"
            );
            if side == 256 {
                assert_eq!(fused_graphs.len(), 1, "{name} is not one fused graph");
            }
            for left in ["Conv", "DepthWiseConv", "OptMatMul", "Resize"] {
                assert_eq!(count(model, left), 0, "{name} still has {left}");
            }
        }
    }
}

/// The networks of the project's own making, too, are computed by its own layers, in one piece.
#[test]
fn the_networks_of_bat_and_trunk_run_in_one_fused_graph() {
    let bat = include_bytes!("../../../../models/bat.onnx").as_slice();
    let trunk = include_bytes!("../../../../models/trunk.onnx").as_slice();
    for (name, onnx, image, upsamplings) in [
        ("bat", bat, [192, 192, 5], 3),
        ("trunk", trunk, [160, 160, 4], 2),
    ] {
        for set in InstructionSet::available() {
            let network = Network::load(name, onnx, image, &[], Some(single_threaded(set)));
            let network = network.unwrap();
            let nodes = network.state.model().nodes();
            let fused: Vec<_> = nodes
                .iter()
                .filter_map(|node| node.op_as::<crate::fused::FusedGraph>())
                .collect();
            let [fused] = fused[..] else {
                panic!("{name} is {} fused graphs", fused.len());
            };
            let layers = fused.layers();
            let is_upsampling = |l: &&_| matches!(l, crate::layer::Layer::Upsample(..));
            assert_eq!(layers.filter(is_upsampling).count(), upsamplings, "{name}");
            for node in nodes {
                let left = ["Conv", "DepthWiseConv"].contains(&&*node.op().name());
                assert!(!left, "{name} still has {node}");
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
    let pool = Arc::new(WorkerPool::new(1, &CoreBudget::unlimited()));
    let Err(error) = Network::from_bytes("broken", b"not a network", [4, 4, 3], &[], &pool) else {
        panic!("a broken file was loaded");
    };
    assert!(
        error
            .to_string()
            .starts_with("network broken: cannot be prepared: "),
        "{error}"
    );
    let mut network =
        Network::from_bytes("lite", LITE, [256, 256, 3], &["heatmaps"], &pool).unwrap();
    let outputs = run(&mut network, &vec![0.0; 3 * 256 * 256]);
    assert!(outputs.get("landmarks", 195).is_ok());
    assert!(outputs.map("heatmaps", [64, 64, 39]).is_ok());
    assert!(outputs.map("heatmaps", [64, 64, 38]).is_err());
    assert!(outputs.get("heatmaps", 64 * 64 * 39).is_err());
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
