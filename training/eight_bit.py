"""Turn a detector's graph into one that reckons in whole numbers of eight bits, in two thirds of the time.

Weights take eight bits (seven where a processor adds pairs of products in sixteen bits, which eight could
overflow), maps eight, and pixels go in as they are; what a network adds for the scale of a tile is worked out
in floating point. Weights are rounded one after the other, those that are
left making up for the error so far as what the layer sees of drawn tiles allows; what is left of it in the
mean is put into the biases. The last layer of each branch stays in floating point. Every processor adds whole
numbers alike, whatever order it takes.

References
----------
Jacob et al. 2018, "Quantization and Training of Neural Networks for Efficient Integer-Arithmetic-Only
Inference" (CVPR). Weights: Frantar et al. 2022, "GPTQ: Accurate Post-Training Quantization for Generative
Pre-trained Transformers" (arXiv 2210.17323), section 3. Biases: Nagel et al. 2019, "Data-Free Quantization
Through Weight Equalization and Bias Correction" (ICCV), section 4.2, with means taken from pictures.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional

from training.synthesize.stream import draw_batch
from triage.network import IMAGE_MEAN, IMAGE_SCALE, CentrePointNetwork, SameConv, ServedNetwork
from triage.scale_code import encode_scales
from triage.weights import CODES_INPUT

CALIBRATION_TILES = 16
_SEED = 90217
_DENSE_TOP, _DEPTHWISE_TOP = 64, 127
"""The largest whole number of a weight."""
_DAMPING = 0.01
"""Of the mean variance; the share that Frantar et al. take."""


@dataclass(frozen=True)
class Shown:
    """What the ranges of maps are taken from.

    Attributes
    ----------
    tiles : ndarray of shape (N, side, side, 3), uint8
    codes : ndarray of shape (N, K), float32
        Their scales, as `triage.scale_code` writes them.
    """

    tiles: NDArray[np.uint8]
    codes: NDArray[np.float32]

    def __iter__(self) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.float32]]]:
        """One tile (1, side, side, 3) with its code (1, K) after the other."""
        return ((self.tiles[at : at + 1], self.codes[at : at + 1]) for at in range(len(self.tiles)))


def draw_calibration_tiles(tile_px: int) -> Shown:
    """Drawn tiles of `tile_px`, always the same; the scale of every second one is told."""
    tiles, truths = draw_batch(_SEED, n=CALIBRATION_TILES, tile_px=tile_px)
    told = [one.um_per_px if number % 2 else None for number, one in enumerate(truths)]
    return Shown(tiles.permute(0, 2, 3, 1).contiguous().numpy(), encode_scales(told))


def round_weights(network: CentrePointNetwork, shown: Shown) -> None:
    """Put the weights on their grids, in place, and mend the biases; norms must have been folded.

    The last layers of the two branches stay as they are.
    """
    layers = [layer for layer in network.modules() if isinstance(layer, nn.Conv2d)]
    rounded = [layer for layer in layers if layer not in (network.what[-1], network.where[-1])]
    seen = _watch(network, rounded, shown)
    with torch.no_grad():
        for layer in rounded:
            _round_layer(layer, seen[layer])


class _Seen:
    """Mean and covariance of what the weights of a layer are multiplied with, for each group of channels."""

    def __init__(self) -> None:
        self._n, self._sum, self._products = 0, torch.zeros(()), torch.zeros(())

    def add(self, layer: nn.Conv2d, maps: Tensor) -> None:
        """Take one map (1, C, H, W) that the layer is given."""
        if isinstance(layer, SameConv):
            maps = layer.pad_edges(maps)
        squares = _unfold(layer, maps)
        factors = squares[0].view(layer.groups, -1, squares.shape[2])
        self._n += factors.shape[2]
        self._sum = self._sum + factors.sum(dim=2, dtype=torch.float64)
        self._products = self._products + (factors @ factors.mT).double()

    @property
    def mean(self) -> Tensor:
        """Of shape (groups, K)."""
        return self._sum / self._n

    @property
    def covariance(self) -> Tensor:
        """Of shape (groups, K, K)."""
        return self._products / self._n - self.mean[:, :, None] * self.mean[:, None, :]


def _unfold(layer: nn.Conv2d, maps: Tensor) -> Tensor:
    """What the weights of each place are multiplied with, (1, C x height x width of a filter, places)."""
    if layer.kernel_size == (1, 1):
        return maps.flatten(2)
    padding, stride = cast(tuple[int, int], layer.padding), cast(tuple[int, int], layer.stride)
    return functional.unfold(maps, layer.kernel_size, padding=padding, stride=stride)


def _watch(network: CentrePointNetwork, layers: list[nn.Conv2d], shown: Shown) -> dict[nn.Conv2d, _Seen]:
    seen = {layer: _Seen() for layer in layers}

    def note(layer: nn.Module, given: tuple[Tensor, ...]) -> None:
        assert isinstance(layer, nn.Conv2d)
        seen[layer].add(layer, given[0])

    hooks = [layer.register_forward_pre_hook(note) for layer in layers]
    served = ServedNetwork(network).eval()
    with torch.inference_mode():
        for tile, code in shown:
            served(torch.from_numpy(tile), torch.from_numpy(code))
    for hook in hooks:
        hook.remove()
    return seen


def _round_layer(layer: nn.Conv2d, seen: _Seen) -> None:
    mean = seen.mean
    weights = layer.weight.double().view(layer.groups, -1, mean.shape[1])
    top = _find_top(layer.groups)
    steps = weights.abs().amax(dim=2).clamp(min=1e-12) / top
    share = _share_errors(seen.covariance)
    # The largest sets the steps, which are read from the rounded weights again later.
    is_fixed = weights.abs() > (top - 0.01) * steps[:, :, None]
    left, rounded = weights.clone(), torch.zeros_like(weights)
    for at in range(mean.shape[1]):
        nearest = (left[:, :, at] / steps).round().clamp(-top, top) * steps
        rounded[:, :, at] = torch.where(is_fixed[:, :, at], weights[:, :, at], nearest)
        error = (left[:, :, at] - rounded[:, :, at]) / share[:, at, at, None]
        left[:, :, at:] -= error[:, :, None] * share[:, None, at, at:]
    assert layer.bias is not None
    layer.bias += ((weights - rounded) * mean[:, None, :]).sum(dim=2).flatten().to(layer.bias.dtype)
    layer.weight.copy_(rounded.view(layer.weight.shape))


def _share_errors(covariance: Tensor) -> Tensor:
    """How an error of each weight is best made up for by those after it (the upper factor of the inverse)."""
    size = covariance.shape[1]
    damping = _DAMPING * covariance.diagonal(dim1=1, dim2=2).mean(dim=1) + 1e-9
    damped = covariance + damping[:, None, None] * torch.eye(size, dtype=covariance.dtype)
    inverse = torch.cholesky_inverse(torch.linalg.cholesky(damped))
    factor: Tensor = torch.linalg.cholesky(inverse, upper=True)
    return factor


def _find_top(groups: int) -> int:
    """Filters within a channel are added in 32 bits everywhere, so that they may take all eight."""
    return _DEPTHWISE_TOP if groups > 1 else _DENSE_TOP


def write_eight_bit(graph: onnx.ModelProto, path: Path, shown: Shown) -> None:
    """Write the eight-bit form of a graph whose weights `round_weights` rounded.

    Parameters
    ----------
    graph : ModelProto
        Of one tile, in floating point.
    path : Path
    shown : Shown
        The range of each map is what it makes of it.
    """
    from onnxruntime.quantization import QuantFormat, QuantType, quantize_static

    pixels = _first_layer(graph).input[0]
    with _say_no_advice():
        quantize_static(
            graph,
            path,
            _ShownReader(shown, [one.name for one in graph.graph.input]),
            quant_format=QuantFormat.QDQ,
            per_channel=True,
            reduce_range=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            nodes_to_exclude=_in_floating_point(graph),
            extra_options={"TensorQuantOverrides": _pixel_steps(pixels) | _depthwise_steps(graph)},
        )
    written = onnx.load(path)
    _take_pixels_as_they_are(written.graph, pixels)
    path.write_bytes(written.SerializeToString(deterministic=True))


class _ShownReader:
    """Gives one tile after the other to the calibration, with its scale where the graph takes it."""

    def __init__(self, shown: Shown, inputs: list[str]) -> None:
        self._inputs, self._shown = inputs, iter(shown)

    def get_next(self) -> dict[str, NDArray[Any]] | None:
        given = next(self._shown, None)
        return None if given is None else dict(zip(self._inputs, given, strict=False))


@contextmanager
def _say_no_advice() -> Iterator[None]:
    """The package advises by the root logger what its own options settle."""
    before = logging.root.manager.disable
    logging.disable(logging.WARNING)
    try:
        yield
    finally:
        logging.disable(before)


def _first_layer(model: onnx.ModelProto) -> onnx.NodeProto:
    return next(node for node in model.graph.node if node.op_type == "Conv")


def _in_floating_point(model: onnx.ModelProto) -> list[str]:
    """What puts pixels into range, what scales add, the last layer of each branch, and what joins the two."""
    nodes = list(model.graph.node)
    makers = {name: node for node in nodes for name in node.output}
    joining = makers[model.graph.output[0].name]
    before = nodes[: nodes.index(_first_layer(model))]
    last = [makers[name] for name in joining.input]
    return [node.name for node in (*before, *_made_of_codes(model), joining, *last)]


def _made_of_codes(model: onnx.ModelProto) -> list[onnx.NodeProto]:
    """What is worked out of the scale alone."""
    known = {CODES_INPUT}
    constants = {value.name for value in model.graph.initializer}
    made = []
    for node in model.graph.node:
        asked = set(node.input) - constants - {""}
        if asked and asked <= known:
            made.append(node)
            known.update(node.output)
    return made


def _pixel_steps(pixels: str) -> dict[str, Any]:
    """The steps of the pixels themselves."""
    step, zero = np.array(1 / IMAGE_SCALE, dtype=np.float32), np.array(IMAGE_MEAN, dtype=np.uint8)
    return {pixels: [{"scale": step, "zero_point": zero}]}


def _depthwise_steps(model: onnx.ModelProto) -> dict[str, Any]:
    layers = [node for node in model.graph.node if node.op_type == "Conv"]
    depthwise = [node for node in layers if any(one.name == "group" and one.i > 1 for one in node.attribute)]
    return {node.input[1]: [{"axis": 0, "reduce_range": False}] for node in depthwise}


def _take_pixels_as_they_are(graph: onnx.GraphProto, pixels: str) -> None:
    """Leave out that pixels are put into range and then back into bytes, which are the same bytes."""
    makers = {name: node for node in graph.node for name in node.output}
    (into_bytes,) = [
        node for node in graph.node if node.op_type == "QuantizeLinear" and node.input[0] == pixels
    ]
    left_out, node = [], into_bytes
    while node.op_type != "Transpose":
        left_out.append(node)
        node = makers[node.input[0]]
    for reader in graph.node:
        for index, name in enumerate(reader.input):
            if name == into_bytes.output[0]:
                reader.input[index] = node.output[0]
    for one in left_out:
        graph.node.remove(one)
    read = {name for reader in graph.node for name in reader.input}
    for value in [value for value in graph.initializer if value.name not in read]:
        graph.initializer.remove(value)
