from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import pytest

from training.export import main
from triage.detector import OnnxEngine, TorchEngine
from triage.scale_code import encode_scales
from triage.weights import CODES_INPUT, GRAPH_FILE, SIDE_AXIS, read_record


def test_export_writes_one_file_that_takes_one_tile_of_bytes_and_its_scale(weights_folder: Path) -> None:
    graph = onnx.load(weights_folder / GRAPH_FILE).graph
    tiles, codes = graph.input
    assert (codes.name, codes.type.tensor_type.elem_type) == (CODES_INPUT, onnx.TensorProto.FLOAT)
    assert (tiles.name, tiles.type.tensor_type.elem_type) == ("tiles", onnx.TensorProto.UINT8)
    shape = [size.dim_param or size.dim_value for size in tiles.type.tensor_type.shape.dim]
    assert shape == [1, SIDE_AXIS, SIDE_AXIS, 3]
    assert [path.name for path in weights_folder.glob("*.onnx*")] == [GRAPH_FILE]


def test_layers_reckon_in_whole_numbers_but_the_last_of_each_branch(weights_folder: Path) -> None:
    nodes = onnx.load(weights_folder / GRAPH_FILE).graph.node
    makers = {name: node for node in nodes for name in node.output}
    layers = [node for node in nodes if node.op_type == "Conv"]
    weights_in_bytes = [node for node in layers if node.input[1] in makers]
    assert len(layers) > 50 and len(layers) - len(weights_in_bytes) == 2
    # The first takes the pixels as they are.
    assert makers[makers[layers[0].input[0]].input[0]].op_type == "Transpose"


@pytest.mark.parametrize("um_per_px", [None, 0.5])
def test_eight_bits_say_what_floating_point_says(weights_folder: Path, um_per_px: float | None) -> None:
    """The maps, read exactly by both, differ by a hundredth of their spread in the mean."""
    record = read_record(weights_folder)
    tiles = np.random.default_rng(7).integers(0, 256, (1, 4, 4, 3), dtype=np.uint8)
    tiles = tiles.repeat(record.tile_px // 4, axis=1).repeat(record.tile_px // 4, axis=2)
    codes = encode_scales([um_per_px])
    (exact,) = TorchEngine(weights_folder, record, "cpu", batch=1).heads(tiles, codes)
    (served,) = OnnxEngine(weights_folder, record, 1).heads(tiles, codes)
    assert np.abs(served - exact).mean() < 0.01 * (exact.max() - exact.min())


def test_export_puts_the_graph_into_the_record(weights_folder: Path) -> None:
    record = read_record(weights_folder)
    assert record.graph_sha256 is not None and record.takes_larger_tiles


def test_export_keeps_no_path_of_this_machine(weights_folder: Path) -> None:
    assert str(Path(__file__).parents[2]).encode() not in (weights_folder / GRAPH_FILE).read_bytes()


def test_export_of_a_folder_without_weights_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--weights", str(tmp_path)]) == 1
    assert "has no record.json" in capsys.readouterr().err
