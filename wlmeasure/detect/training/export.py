"""The network as an ONNX file of a fixed operator set, written node by node so that no exporter's version changes it.

Operators: Conv, ConvTranspose, Relu, MaxPool, Concat, Add, GlobalAveragePool. Normalisations are folded into their
convolutions. `cv2.dnn` of OpenCV 4.10 and 5.0 both run it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

__all__ = ["INPUT", "OPSET", "OUTPUTS", "onnx_of"]

OPSET, IR_VERSION = 13, 8
INPUT, OUTPUTS = "film", ("maps", "whole")
SHAPE = (448, 320)
"""Rows and columns that the file names: OpenCV 4.10 reads no file that leaves them open. Other multiples of 32 do as well."""
EPSILON = 1e-5
"""That of the normalisations."""

Float32 = NDArray[np.float32]


class _Graph:
    def __init__(self, weights: Mapping[str, Float32]) -> None:
        self.weights = weights
        self.nodes: list[onnx.NodeProto] = []
        self.constants: list[onnx.TensorProto] = []

    def node(self, kind: str, inputs: list[str], name: str, **attributes: object) -> str:
        self.nodes.append(helper.make_node(kind, inputs, [name], name=f"n_{name}", **attributes))
        return name

    def constant(self, name: str, value: Float32) -> str:
        self.constants.append(numpy_helper.from_array(np.ascontiguousarray(value, np.float32), name))
        return name

    def convolution(self, x: str, name: str, norm: str | None, pads: int) -> str:
        """A convolution, its normalisation folded in."""
        weight = self.weights[f"{name}.weight"]
        if norm is None:
            bias = self.weights[f"{name}.bias"]
        else:
            mean, variance, gain, shift = (
                self.weights[f"{norm}.{part}"] for part in ("running_mean", "running_var", "weight", "bias")
            )
            factor = gain / np.sqrt(variance + EPSILON)
            weight, bias = weight * factor[:, None, None, None], shift - mean * factor
        inputs = [x, self.constant(f"{name}.w", weight), self.constant(f"{name}.b", bias)]
        size = weight.shape[2:]
        return self.node("Conv", inputs, name, kernel_shape=list(size), pads=[pads] * 4, strides=[1, 1])

    def block(self, x: str, name: str) -> str:
        first = self.convolution(x, f"{name}.first", f"{name}.first_norm", 1)
        first = self.node("Relu", [first], f"{name}.first.r")
        second = self.convolution(first, f"{name}.second", f"{name}.second_norm", 1)
        return self.node("Relu", [self.node("Add", [first, second], f"{name}.sum")], f"{name}.r")

    def widened(self, x: str, name: str) -> str:
        weight = self.constant(f"{name}.w", self.weights[f"{name}.weight"])
        bias = self.constant(f"{name}.b", self.weights[f"{name}.bias"])
        return self.node(
            "ConvTranspose", [x, weight, bias], name, kernel_shape=[2, 2], strides=[2, 2], pads=[0] * 4, dilations=[1, 1],
            group=1,
        )  # fmt: skip


def onnx_of(weights: Mapping[str, Float32]) -> bytes:
    """The ONNX file of the network of `training.network.Look` with these weights (its state, as arrays)."""
    graph = _Graph(weights)
    levels = len({name.split(".")[1] for name in weights if name.startswith("down.")})
    x, kept = INPUT, []
    for level in range(levels):
        if level:
            x = graph.node("MaxPool", [x], f"pool.{level}", kernel_shape=[2, 2], strides=[2, 2], pads=[0] * 4)
        x = graph.block(x, f"down.{level}")
        kept.append(x)
    whole = graph.node("Relu", [graph.convolution(x, "film_first", None, 0)], "film_first.r")
    whole = graph.node("GlobalAveragePool", [whole], "film_mean")
    for level in reversed(range(levels - 1)):
        joined = graph.node("Concat", [graph.widened(x, f"widen.{level}"), kept[level]], f"joined.{level}", axis=1)
        x = graph.block(joined, f"up.{level}")
    graph.convolution(x, "maps", None, 0)
    graph.nodes[-1].output[0] = OUTPUTS[0]
    graph.convolution(whole, "film", None, 0)
    graph.nodes[-1].output[0] = OUTPUTS[1]
    given = helper.make_tensor_value_info(INPUT, TensorProto.FLOAT, [1, 1, *SHAPE])
    maps = helper.make_tensor_value_info(
        OUTPUTS[0], TensorProto.FLOAT, [1, int(weights["maps.weight"].shape[0]), *SHAPE]
    )
    said = helper.make_tensor_value_info(OUTPUTS[1], TensorProto.FLOAT, [1, int(weights["film.weight"].shape[0]), 1, 1])
    made = helper.make_graph(graph.nodes, "look", [given], [maps, said], graph.constants)
    model = helper.make_model(made, opset_imports=[helper.make_opsetid("", OPSET)], producer_name="wlmeasure")
    model.ir_version = IR_VERSION
    onnx.checker.check_model(model)
    data: bytes = model.SerializeToString()
    return data
