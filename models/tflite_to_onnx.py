"""Translates one float TensorFlow Lite graph into ONNX opset 13, operator by operator.

In: the bytes of a .tflite file, the graph outputs to keep. Out: an onnx.ModelProto whose values are NCHW.
Only the operators that the three pose models use are known; any other one, or an option that is not
handled, stops the conversion, because a silent approximation would show up as a wrong joint years later.

What is changed on the way, all of it exact or exact up to float rounding:
- operators that only feed a dropped output are left out;
- PAD before an unpadded convolution becomes the padding of that convolution;
- block-sparse weights are written out in full;
- float16 weights stay float16 in the file and are widened by a Cast;
- a 1x1 convolution that follows a bilinear enlargement is moved before it: both are linear, and the
  weights of the enlargement sum to one, so the order does not matter, but the work is a quarter.
"""

import numpy as np
import onnx
import tflite
from onnx import TensorProto, helper, numpy_helper

OPSET = 13
# ONNX Runtime of the same year as the operator set; the file uses nothing newer.
IR_VERSION = 8

_OPERATOR_NAMES = {v: k for k, v in vars(tflite.BuiltinOperator).items() if isinstance(v, int)}
_NUMPY_TYPES = {
    tflite.TensorType.FLOAT32: np.float32,
    tflite.TensorType.FLOAT16: np.float16,
    tflite.TensorType.INT32: np.int32,
}
_OPTIONS = {
    "CONV_2D": tflite.Conv2DOptions,
    "DEPTHWISE_CONV_2D": tflite.DepthwiseConv2DOptions,
    "ADD": tflite.AddOptions,
    "MAX_POOL_2D": tflite.Pool2DOptions,
    "RESIZE_BILINEAR": tflite.ResizeBilinearOptions,
    "CONCATENATION": tflite.ConcatenationOptions,
    "DEPTH_TO_SPACE": tflite.DepthToSpaceOptions,
}
_SPARSE_INDEX_VECTORS = {
    tflite.SparseIndexVector.Int32Vector: tflite.Int32Vector,
    tflite.SparseIndexVector.Uint16Vector: tflite.Uint16Vector,
    tflite.SparseIndexVector.Uint8Vector: tflite.Uint8Vector,
}


class Operator:
    """One operator of the source graph with its decoded options."""

    def __init__(self, model, graph, index):
        raw = graph.Operators(index)
        code = model.OperatorCodes(raw.OpcodeIndex())
        # Old files keep the code in the deprecated 8-bit field; the larger of the two is the true one.
        self.kind = _OPERATOR_NAMES[max(code.BuiltinCode(), code.DeprecatedBuiltinCode())]
        self.index = index
        self.inputs = [int(i) for i in raw.InputsAsNumpy()]
        self.outputs = [int(i) for i in raw.OutputsAsNumpy()]
        self.options = None
        if self.kind in _OPTIONS:
            table = raw.BuiltinOptions()
            self.options = _OPTIONS[self.kind]()
            self.options.Init(table.Bytes, table.Pos)


def _int_vector(kind, table):
    vector = _SPARSE_INDEX_VECTORS[kind]()
    vector.Init(table.Bytes, table.Pos)
    return [int(v) for v in vector.ValuesAsNumpy()]


def densify(values, shape, sparsity):
    """Writes a sparse tensor out in full, following the format notes of the TensorFlow Lite schema.

    The tensor has len(shape) outer dimensions and some block dimensions that refine one outer dimension
    each; they are walked in traversal order, and each is either dense or a list of the filled indices.
    """
    order = [int(v) for v in sparsity.TraversalOrderAsNumpy()]
    block_map = [int(v) for v in sparsity.BlockMapAsNumpy()] if sparsity.BlockMapLength() else []
    rank = len(shape)
    levels = []
    for level in range(sparsity.DimMetadataLength()):
        meta = sparsity.DimMetadata(level)
        if meta.Format() == tflite.DimensionType.DENSE:
            levels.append((meta.DenseSize(), None, None))
        else:
            segments = _int_vector(meta.ArraySegmentsType(), meta.ArraySegments())
            indices = _int_vector(meta.ArrayIndicesType(), meta.ArrayIndices())
            levels.append((None, segments, indices))
    block_size = {}
    for level, dim in enumerate(order):
        if dim >= rank:
            block_size[block_map[dim - rank]] = levels[level][0]
    full = np.zeros(shape, values.dtype)
    place = [0] * (rank + len(block_map))
    used = 0

    def walk(level, parent):
        nonlocal used
        if level == len(levels):
            at = list(place[:rank])
            for block, dim in enumerate(block_map):
                at[dim] = at[dim] * block_size[dim] + place[rank + block]
            full[tuple(at)] = values[used]
            used += 1
            return
        size, segments, indices = levels[level]
        if size is not None:
            for i in range(size):
                place[order[level]] = i
                walk(level + 1, parent * size + i)
        else:
            for i in range(segments[parent], segments[parent + 1]):
                place[order[level]] = indices[i]
                walk(level + 1, i)

    walk(0, 0)
    if used != len(values):
        raise ValueError(f"sparse tensor: {used} of {len(values)} values were placed")
    return full


class Translator:
    """Holds the source graph and the ONNX nodes made so far."""

    def __init__(self, source):
        self.model = tflite.Model.GetRootAsModel(source, 0)
        self.graph = self.model.Subgraphs(0)
        operators = [Operator(self.model, self.graph, i) for i in range(self.graph.OperatorsLength())]
        self.producer = {out: op for op in operators for out in op.outputs}
        self.operators = operators
        self.moved = self.moved_resizes()
        self.nodes = []
        self.initializers = {}
        # Source tensor index -> name of the ONNX value that holds it in NCHW.
        self.value = {}

    def shape(self, tensor):
        return [int(v) for v in self.graph.Tensors(tensor).ShapeAsNumpy()]

    def constant(self, tensor):
        """The value of a constant tensor in its own layout and stored type, or None if it is computed."""
        op = self.producer.get(tensor)
        if op is not None:
            return self.constant(op.inputs[0]) if op.kind in ("DEQUANTIZE", "DENSIFY") else None
        raw = self.graph.Tensors(tensor)
        data = self.model.Buffers(raw.Buffer())
        if not data.DataLength():
            return None
        values = np.frombuffer(data.DataAsNumpy().tobytes(), _NUMPY_TYPES[raw.Type()])
        if raw.Sparsity():
            return densify(values, self.shape(tensor), raw.Sparsity())
        return values.reshape(self.shape(tensor))

    def name(self, tensor, suffix=""):
        return f"t{tensor}{suffix}"

    def add_initializer(self, name, array):
        if name not in self.initializers:
            self.initializers[name] = numpy_helper.from_array(np.ascontiguousarray(array), name)
        return name

    def add_weight(self, name, array):
        """Stores a weight; float16 stays as it is and is widened in the graph."""
        if array.dtype != np.float16:
            return self.add_initializer(name, array)
        if name not in self.value:
            self.add_initializer(name + "_f16", array)
            self.add_node("Cast", [name + "_f16"], name, to=TensorProto.FLOAT)
            self.value[name] = name
        return name

    def add_node(self, kind, inputs, output, **attributes):
        self.nodes.append(helper.make_node(kind, inputs, [output], name=f"{kind}_{output}", **attributes))
        return output

    def activated(self, kind, inputs, output, activation, **attributes):
        """Adds a node and the activation that the source fuses into it."""
        if activation == tflite.ActivationFunctionType.NONE:
            return self.add_node(kind, inputs, output, **attributes)
        before = self.add_node(kind, inputs, output + "_linear", **attributes)
        if activation == tflite.ActivationFunctionType.RELU:
            return self.add_node("Relu", [before], output)
        if activation == tflite.ActivationFunctionType.RELU6:
            low = self.add_initializer("zero", np.float32(0))
            high = self.add_initializer("six", np.float32(6))
            return self.add_node("Clip", [before, low, high], output)
        raise ValueError(f"activation {activation} is not handled")

    def same_or_valid_pads(self, padding, size, kernel, stride):
        """ONNX pads (top, left, bottom, right) of a SAME or VALID window; SAME puts the odd one at the end."""
        if padding == tflite.Padding.VALID:
            return [0, 0, 0, 0]
        begin, end = [], []
        for n, k, s in zip(size, kernel, stride):
            total = max((-(-n // s) - 1) * s + k - n, 0)
            begin.append(total // 2)
            end.append(total - total // 2)
        return begin + end

    def convolution(self, op):
        options = op.options
        if options.DilationHFactor() != 1 or options.DilationWFactor() != 1:
            raise ValueError(f"operator {op.index}: dilation is not handled")
        weight, bias = self.constant(op.inputs[1]), self.constant(op.inputs[2])
        depthwise = op.kind == "DEPTHWISE_CONV_2D"
        # Source: out, height, width, in (depthwise: 1, height, width, out). ONNX: out, in per group, height, width.
        weight = weight.transpose(3, 0, 1, 2) if depthwise else weight.transpose(0, 3, 1, 2)
        kernel, stride = list(weight.shape[2:]), [options.StrideH(), options.StrideW()]
        source = op.inputs[0]
        padded_by = self.producer.get(source)
        if padded_by is not None and padded_by.kind == "PAD":
            if options.Padding() != tflite.Padding.VALID:
                raise ValueError(f"operator {op.index}: two paddings in a row are not handled")
            amounts = self.constant(padded_by.inputs[1])
            if amounts[0].any() or amounts[3].any():
                raise ValueError(f"operator {padded_by.index}: only height and width may be padded")
            pads = [int(v) for v in (amounts[1][0], amounts[2][0], amounts[1][1], amounts[2][1])]
            source = padded_by.inputs[0]
        else:
            pads = self.same_or_valid_pads(options.Padding(), self.shape(source)[1:3], kernel, stride)
        if depthwise and options.DepthMultiplier() != 1:
            raise ValueError(f"operator {op.index}: a depth multiplier is not handled")
        output = self.name(op.outputs[0])
        enlarged_by = self.producer.get(source)
        if enlarged_by is None or enlarged_by.index not in self.moved:
            enlarged_by = None
        inputs = [
            self.value[source if enlarged_by is None else enlarged_by.inputs[0]],
            self.add_weight(self.name(op.inputs[1]) + "_weight", weight),
            self.add_weight(self.name(op.inputs[2]) + "_bias", bias),
        ]
        attributes = dict(kernel_shape=kernel, strides=stride, pads=pads, group=weight.shape[0] if depthwise else 1)
        if enlarged_by is not None:
            small = self.add_node("Conv", inputs, output + "_small", **attributes)
            self.resize(enlarged_by, small, output, options.FusedActivationFunction())
        else:
            self.activated("Conv", inputs, output, options.FusedActivationFunction(), **attributes)
        self.value[op.outputs[0]] = output

    def resize(self, op, source, output, activation):
        """Bilinear enlargement by a whole factor, in half-pixel coordinates."""
        if op.options.AlignCorners() or not op.options.HalfPixelCenters():
            raise ValueError(f"operator {op.index}: only half-pixel coordinates are handled")
        before, after = self.shape(op.inputs[0])[1:3], self.shape(op.outputs[0])[1:3]
        factor = np.array([1, 1, after[0] / before[0], after[1] / before[1]], np.float32)
        scales = self.add_initializer("scales_" + "_".join(f"{v:g}" for v in factor[2:]), factor)
        return self.activated(
            "Resize", [source, "", scales], output, activation,
            mode="linear", coordinate_transformation_mode="half_pixel",
        )

    def reshape(self, op):
        """Source reshapes read NHWC order, so a value with height and width is turned back first."""
        source, output = self.value[op.inputs[0]], self.name(op.outputs[0])
        shape = self.shape(op.outputs[0])
        if len(self.shape(op.inputs[0])) == 4 and self.shape(op.inputs[0])[1:3] != [1, 1]:
            source = self.add_node("Transpose", [source], output + "_nhwc", perm=[0, 2, 3, 1])
        target = self.add_initializer("shape_" + "_".join(map(str, shape)), np.array(shape, np.int64))
        self.value[op.outputs[0]] = self.add_node("Reshape", [source, target], output)

    def translate(self, op):
        output = self.name(op.outputs[0])
        if op.kind in ("CONV_2D", "DEPTHWISE_CONV_2D"):
            self.convolution(op)
        elif op.kind == "ADD":
            inputs = [self.value[i] for i in op.inputs]
            self.value[op.outputs[0]] = self.activated("Add", inputs, output, op.options.FusedActivationFunction())
        elif op.kind == "MAX_POOL_2D":
            options = op.options
            kernel = [options.FilterHeight(), options.FilterWidth()]
            stride = [options.StrideH(), options.StrideW()]
            pads = self.same_or_valid_pads(options.Padding(), self.shape(op.inputs[0])[1:3], kernel, stride)
            self.value[op.outputs[0]] = self.activated(
                "MaxPool", [self.value[op.inputs[0]]], output, options.FusedActivationFunction(),
                kernel_shape=kernel, strides=stride, pads=pads,
            )
        elif op.kind == "RESIZE_BILINEAR":
            source = self.value[op.inputs[0]]
            self.value[op.outputs[0]] = self.resize(op, source, output, tflite.ActivationFunctionType.NONE)
        elif op.kind == "DEPTH_TO_SPACE":
            self.value[op.outputs[0]] = self.add_node(
                "DepthToSpace", [self.value[op.inputs[0]]], output, blocksize=op.options.BlockSize(), mode="DCR"
            )
        elif op.kind == "LOGISTIC":
            self.value[op.outputs[0]] = self.add_node("Sigmoid", [self.value[op.inputs[0]]], output)
        elif op.kind == "RESHAPE":
            self.reshape(op)
        elif op.kind == "CONCATENATION":
            if len(self.shape(op.outputs[0])) != 3:
                raise ValueError(f"operator {op.index}: only reshaped values may be joined")
            inputs = [self.value[i] for i in op.inputs]
            self.value[op.outputs[0]] = self.add_node("Concat", inputs, output, axis=op.options.Axis())
        else:
            raise ValueError(f"operator {op.index}: {op.kind} is not handled")

    def needed(self, outputs):
        """Indices of the operators that the kept outputs depend on."""
        wanted, open_tensors = set(), list(outputs)
        while open_tensors:
            op = self.producer.get(open_tensors.pop())
            if op is not None and op.index not in wanted:
                wanted.add(op.index)
                open_tensors.extend(op.inputs)
        return wanted

    def moved_resizes(self):
        """Enlargements whose every reader is a 1x1 convolution: these are placed after the convolution."""
        moved = set()
        for op in self.operators:
            if op.kind != "RESIZE_BILINEAR":
                continue
            readers = [r for r in self.operators if op.outputs[0] in r.inputs]
            pointwise = [r.kind == "CONV_2D" and self.shape(r.inputs[1])[1:3] == [1, 1] for r in readers]
            if readers and all(pointwise):
                moved.add(op.index)
        return moved


def convert(source, input_name, outputs, description):
    """Translates a model. `outputs`: list of (name in the source, new name, new shape in NCHW)."""
    t = Translator(source)
    by_name = {}
    for i in t.graph.OutputsAsNumpy():
        by_name[t.graph.Tensors(int(i)).Name().decode()] = int(i)
    source_input = int(t.graph.InputsAsNumpy()[0])
    _, height, width, channels = t.shape(source_input)
    t.value[source_input] = input_name
    wanted = t.needed([by_name[name] for name, _, _ in outputs])
    for op in t.operators:
        if op.index in wanted and op.index not in t.moved and op.kind not in ("DEQUANTIZE", "DENSIFY", "PAD"):
            t.translate(op)
    graph_outputs = []
    for name, new_name, shape in outputs:
        value, natural = t.value[by_name[name]], t.shape(by_name[name])
        if len(natural) == 4:
            natural = [natural[0], natural[3], natural[1], natural[2]]
        if shape == natural:
            t.add_node("Identity", [value], new_name)
        else:
            target = t.add_initializer("shape_" + new_name, np.array(shape, np.int64))
            t.add_node("Reshape", [value, target], new_name)
        graph_outputs.append(helper.make_tensor_value_info(new_name, TensorProto.FLOAT, shape))
    graph_inputs = [helper.make_tensor_value_info(input_name, TensorProto.FLOAT, [1, channels, height, width])]
    graph = helper.make_graph(t.nodes, "pose", graph_inputs, graph_outputs, list(t.initializers.values()))
    model = helper.make_model(
        graph, opset_imports=[helper.make_opsetid("", OPSET)], producer_name="models/convert.py", doc_string=description
    )
    model.ir_version = IR_VERSION
    onnx.checker.check_model(model, full_check=True)
    return model
