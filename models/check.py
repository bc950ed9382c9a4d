"""Runs the original models and their ONNX translations on the same pictures and compares every output.

In: model bytes and test pictures. Out: True when every difference is within its limit, and the reference
files that the Rust tests read. The original runs without the default delegate, on the plain kernels.
"""

import io
import json

import numpy as np
import onnxruntime
from ai_edge_litert.interpreter import Interpreter, OpResolverType
from PIL import Image

LANDMARK_SIZE, DETECTION_SIZE = 256, 224

# Largest difference allowed. Landmarks are in crop pixels (visibility and presence in logits), world landmarks
# in metres, boxes in detector pixels, scores and heat maps in logits.
LIMITS = {
    "landmarks": 0.01,
    "pose_presence": 1e-4,
    "world_landmarks": 1e-4,
    "heatmaps": 0.01,
    "boxes": 0.01,
    "scores": 0.01,
}


def noise(size):
    """Repeatable noise that the Rust tests make again: the high byte of a 32-bit linear congruential series."""
    state, values = 1, []
    for _ in range(size * size * 3):
        state = (state * 1664525 + 1013904223) % 2**32
        values.append(state >> 24)
    return np.array(values, np.uint8).reshape(size, size, 3)


def pictures(photograph, fixtures):
    """The test crops by name, each as (256 pixel crop, 224 pixel crop). The person's are made and written here."""
    fixtures.mkdir(parents=True, exist_ok=True)
    original = Image.open(io.BytesIO(photograph)).convert("RGB")
    # The photograph ends below the waist; room is left around it so that the whole body would fit.
    square = Image.new("RGB", (768, 768))
    square.paste(original, (128, 0))
    found = {}
    crops = [np.asarray(square.resize((n, n), Image.Resampling.BILINEAR)) for n in (LANDMARK_SIZE, DETECTION_SIZE)]
    for crop in crops:
        (fixtures / f"person_{len(crop)}.rgb").write_bytes(crop.tobytes())
    found["person"] = crops
    found["hitter"] = [
        np.frombuffer((fixtures / f"hitter_{n}.rgb").read_bytes(), np.uint8).reshape(n, n, 3)
        for n in (LANDMARK_SIZE, DETECTION_SIZE)
    ]
    found["noise"] = [noise(n) for n in (LANDMARK_SIZE, DETECTION_SIZE)]
    return found


def original_outputs(source, image):
    interpreter = Interpreter(
        model_content=source, experimental_op_resolver_type=OpResolverType.BUILTIN_WITHOUT_DEFAULT_DELEGATES
    )
    interpreter.allocate_tensors()
    interpreter.set_tensor(interpreter.get_input_details()[0]["index"], image[None])
    interpreter.invoke()
    return {d["name"]: interpreter.get_tensor(d["index"]) for d in interpreter.get_output_details()}


def compare(pairs, crops, fixtures):
    """Prints one line a model and picture, writes the reference files, returns whether all limits hold."""
    good, reference = True, {}
    for model, (source, converted, outputs) in pairs.items():
        session = onnxruntime.InferenceSession(converted)
        for picture, (crop_256, crop_224) in crops.items():
            if model == "pose_detection":
                image = crop_224.astype(np.float32) / np.float32(127.5) - np.float32(1)
            else:
                image = crop_256.astype(np.float32) / np.float32(255)
            expected = original_outputs(source, image)
            actual = session.run(None, {"image": np.ascontiguousarray(image.transpose(2, 0, 1))[None]})
            kept, report = {}, []
            for (source_name, name, shape), value in zip(outputs, actual):
                wanted = expected[source_name]
                if wanted.ndim == 4:
                    wanted = wanted.transpose(0, 3, 1, 2)
                kept[name] = wanted.reshape(shape)
                difference = float(np.abs(kept[name] - value).max())
                good &= difference < LIMITS[name]
                report.append(f"{name} {difference:.1e}{'' if difference < LIMITS[name] else ' TOO LARGE'}")
            print(f"{model}, {picture}: " + ", ".join(report))
            if model == "pose_detection":
                joined = np.concatenate([kept["boxes"].ravel(), kept["scores"].ravel()]).astype("<f4")
                (fixtures / f"{picture}_detection.f32").write_bytes(joined.tobytes())
            else:
                kept.pop("heatmaps")
                values = {name: [float(f"{v:.7g}") for v in value.ravel()] for name, value in kept.items()}
                reference.setdefault(picture, {})[model] = values
    (fixtures / "landmarks.json").write_text(json.dumps(reference, separators=(",", ":")) + "\n")
    return good
