"""Write the graph that ONNX Runtime serves on CPUs beside a detector's weights.

    python -m training.export --weights DIR

writes `detector.onnx` to DIR and puts its SHA-256 into `record.json`. The graph reckons in whole numbers of
eight bits, whose ranges are taken from a few drawn tiles; `training.eight_bit` says how. The same weights
give the same bytes on one machine with as many threads.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import io
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import onnx
import torch

from training.eight_bit import Shown, draw_calibration_tiles, round_weights, write_eight_bit
from triage.errors import TriageError
from triage.network import ServedNetwork, fold_norms
from triage.network_file import read_network
from triage.scale_code import KNOTS_UM_PER_PX
from triage.weights import (
    CELLS_AXIS,
    CODES_INPUT,
    GRAPH_FILE,
    SIDE_AXIS,
    WeightsRecord,
    read_record,
    write_record,
)


def export(folder: Path, *, draw: Callable[[int], Shown] = draw_calibration_tiles) -> WeightsRecord:
    """Write the graph of the weights in `folder`; returns the record with the graph's hash.

    Parameters
    ----------
    folder : Path
    draw : callable, optional
        Takes the side of a tile and gives tiles that show what the detector will see.

    Raises
    ------
    WeightsError
        If the folder's files are missing or damaged.
    """
    record = read_record(folder)
    network = read_network(folder, record)
    shown = draw(record.tile_px)
    fold_norms(network)
    round_weights(network, shown)
    graph = to_graph(ServedNetwork(network).eval(), tile_px=record.tile_px)
    write_eight_bit(graph, folder / GRAPH_FILE, shown)
    return write_record(folder, dataclasses.replace(record, takes_larger_tiles=True))


def to_graph(network: ServedNetwork, *, tile_px: int) -> onnx.ModelProto:
    """The graph of one tile in floating point: `tiles` (1, side, side, 3) uint8 in, `head` out.

    That of a network that knows scales takes `codes` (1, K) as well.
    It is traced with tiles of `tile_px`; any side that is a multiple of 32 may be asked of it.
    """
    given: dict[str, torch.Tensor] = {"tiles": torch.zeros(1, tile_px, tile_px, 3, dtype=torch.uint8)}
    if network.network.knows_scale:
        given[CODES_INPUT] = torch.zeros(1, len(KNOTS_UM_PER_PX))
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")  # the exporter warns about its own internals
        program = torch.onnx.export(
            network,
            tuple(given.values()),
            dynamo=True,
            input_names=list(given),
            output_names=["head"],
            verbose=False,
        )
    assert program is not None
    model = program.model_proto
    forget_origin(model)
    leave_sides_open(model.graph)
    return model


def forget_origin(model: onnx.ModelProto) -> None:
    """Take the exporter's notes out of a graph: they quote the source and the folders of this machine."""
    graph = model.graph
    noted = (model, graph, *graph.node, *graph.input, *graph.output, *graph.value_info, *graph.initializer)
    for part in noted:
        part.ClearField("metadata_props")
        part.ClearField("doc_string")


def leave_sides_open(graph: onnx.GraphProto) -> None:
    """Name the sides of tiles and map instead of fixing them: no layer of the network depends on them."""
    _name_axes(graph.input[0], (1, 2), SIDE_AXIS)
    _name_axes(graph.output[0], (2, 3), CELLS_AXIS)
    graph.ClearField("value_info")


def _name_axes(value: onnx.ValueInfoProto, axes: tuple[int, int], name: str) -> None:
    for axis in axes:
        value.type.tensor_type.shape.dim[axis].dim_param = name


def main(arguments: list[str] | None = None) -> int:
    """Export as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(prog="python -m training.export", description=__doc__)
    parser.add_argument("--weights", type=Path, required=True, help="folder that training.train wrote")
    try:
        record = export(parser.parse_args(arguments).weights)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print(f"{GRAPH_FILE} {record.graph_sha256}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
