from __future__ import annotations

from pathlib import Path

import onnx
import pytest

from training.export import main
from triage.weights import GRAPH_FILE, SIDE_AXIS, read_record


def test_export_writes_one_file_that_takes_one_tile_of_bytes(weights_folder: Path) -> None:
    graph = onnx.load(weights_folder / GRAPH_FILE).graph
    (tiles,) = graph.input
    assert (tiles.name, tiles.type.tensor_type.elem_type) == ("tiles", onnx.TensorProto.UINT8)
    shape = [size.dim_param or size.dim_value for size in tiles.type.tensor_type.shape.dim]
    assert shape == [1, SIDE_AXIS, SIDE_AXIS, 3]
    assert [path.name for path in weights_folder.glob("*.onnx*")] == [GRAPH_FILE]


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
