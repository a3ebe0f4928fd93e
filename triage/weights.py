"""A detector's files: weights, the graph that CPUs run, and the record that says what they are.

A weights folder holds `detector.safetensors` (read by torch), `detector.onnx` (read by ONNX Runtime) and
`record.json`. Both formats are plain data: reading them never runs code that came with them.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from triage.digests import file_sha256
from triage.errors import WeightsError
from triage.groups import read_groups
from triage.score_calibration import read_score_calibration

WEIGHTS_FILE = "detector.safetensors"
GRAPH_FILE = "detector.onnx"
RECORD_FILE = "record.json"
SIDE_AXIS, CELLS_AXIS = "side", "cells"
"""Names that a graph gives to sides that are left open, of its tiles and of its map."""
CODES_INPUT = "codes"
"""What a graph calls the scales that it is told, where it knows any."""


@dataclass(frozen=True)
class WeightsRecord:
    """What a detector is: how it was made, what it knows and how well it did.

    Attributes
    ----------
    name : str
        Name and version, as quoted with every candidate.
    groups : tuple of str
        Names of the groups it tells apart, look-alikes included, in the order of its outputs.
    um_per_px : float
        Pixel size, in µm, that pictures of known scale are resampled to.
    tile_px : int
        Side of the tiles it is run on, in pixels.
    default_cut : float
        Calibrated score below which candidates are put aside at first; they stay reachable.
    network : dict
        Arguments that build the network.
    recipe : dict
        Command line, seed, settings, start weights and their licence: enough to make it again.
    scores : dict
        What was measured, by name.
    score_calibration : dict
        Maps from raw scores to shares that hold, as `triage.score_calibration` reads them; empty: none.
    packages : dict
        Versions that it was made with.
    weights_sha256 : str
        Of `detector.safetensors`.
    graph_sha256 : str or None
        Of `detector.onnx`; None until it has been exported.
    takes_larger_tiles : bool
        Whether that graph leaves the sides of its tiles open; older ones don't.
    """

    name: str
    groups: tuple[str, ...]
    um_per_px: float
    tile_px: int
    default_cut: float
    network: dict[str, Any]
    recipe: dict[str, Any]
    scores: dict[str, Any] = field(default_factory=dict)
    score_calibration: dict[str, Any] = field(default_factory=dict)
    packages: dict[str, str] = field(default_factory=dict)
    weights_sha256: str = ""
    graph_sha256: str | None = None
    takes_larger_tiles: bool = False


def shipped_folder() -> Path:
    """Folder of the detector that comes with the package."""
    return Path(str(resources.files("triage").joinpath("data/detector")))


def read_record(folder: Path) -> WeightsRecord:
    """The record of a weights folder, after its values and the file hashes were checked.

    Raises
    ------
    WeightsError
        If a file is missing or unreadable, a value is impossible, a hash differs, or the record names a
        group that the table doesn't have.
    """
    path = folder / RECORD_FILE
    if not path.is_file():
        raise WeightsError(
            f"The weights folder {folder} has no {RECORD_FILE}. Name a folder that training.train wrote."
        )
    try:
        record = _to_record(json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, TypeError, KeyError, AttributeError) as err:
        raise WeightsError(
            f"{path} can't be read as the record of a detector ({err}). Export it again."
        ) from err
    _check_values(record, path)
    _check_hash(folder / WEIGHTS_FILE, record.weights_sha256)
    if record.graph_sha256 is not None:
        _check_hash(folder / GRAPH_FILE, record.graph_sha256)
    return record


def write_record(folder: Path, record: WeightsRecord) -> WeightsRecord:
    """Write `record.json` with the hashes of the files beside it; returns the record as written."""
    graph = folder / GRAPH_FILE
    written = dataclasses.replace(
        record,
        weights_sha256=file_sha256(folder / WEIGHTS_FILE),
        graph_sha256=file_sha256(graph) if graph.is_file() else None,
    )
    text = json.dumps(dataclasses.asdict(written), indent=1, ensure_ascii=False)
    (folder / RECORD_FILE).write_text(text + "\n", encoding="utf-8")
    return written


def _to_record(values: dict[str, Any]) -> WeightsRecord:
    record = WeightsRecord(**{**values, "groups": tuple(values["groups"])})
    return dataclasses.replace(
        record,
        um_per_px=float(record.um_per_px),
        tile_px=int(record.tile_px),
        default_cut=float(record.default_cut),
    )


def _check_values(record: WeightsRecord, path: Path) -> None:
    known = {group.name for group in read_groups()}
    unknown = [name for name in record.groups if name not in known]
    if unknown or not record.groups:
        raise WeightsError(
            f"{path} names the groups {unknown}, which the group table doesn't have. "
            "Add them to the table, or train the detector again."
        )
    if not record.um_per_px > 0:
        raise WeightsError(f"{path} gives {record.um_per_px} µm per pixel; it must be above 0.")
    if record.tile_px <= 0 or record.tile_px % 32:
        raise WeightsError(f"{path} gives tiles of {record.tile_px} px; it must be a multiple of 32 above 0.")
    if not 0 <= record.default_cut <= 1:
        raise WeightsError(f"{path} gives a default cut of {record.default_cut}; it must be from 0 to 1.")
    for is_scale_known in (True, False):
        read_score_calibration(record.score_calibration, is_scale_known=is_scale_known)


def _check_hash(path: Path, expected: str) -> None:
    if not path.is_file():
        raise WeightsError(f"The weights file {path} is missing. Copy the whole folder again.")
    found = file_sha256(path)
    if found != expected:
        raise WeightsError(
            f"{path} has SHA-256 {found[:12]}…, but its record says {expected[:12]}…: it is damaged "
            "or belongs to another detector. Copy the whole folder again."
        )
