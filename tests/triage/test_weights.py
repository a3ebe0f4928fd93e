from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from triage.errors import WeightsError
from triage.weights import GRAPH_FILE, RECORD_FILE, WEIGHTS_FILE, WeightsRecord, read_record, write_record

RECORD = WeightsRecord(
    name="a detector",
    groups=("ascarid_egg", "pollen"),
    um_per_px=0.5,
    tile_px=128,
    default_cut=0.3,
    network={"n_channels": 16},
    recipe={"command": "python -m training.train", "seed": 1},
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / WEIGHTS_FILE).write_bytes(b"weights")
    (tmp_path / GRAPH_FILE).write_bytes(b"graph")
    write_record(tmp_path, RECORD)
    return tmp_path


def change(folder: Path, **values: Any) -> None:
    path = folder / RECORD_FILE
    path.write_text(json.dumps({**json.loads(path.read_text()), **values}))


def test_record_comes_back_as_written(folder: Path) -> None:
    record = read_record(folder)
    assert dataclasses.replace(record, weights_sha256="", graph_sha256=None) == RECORD
    # SHA-256 of the bytes "weights", from coreutils' sha256sum.
    assert record.weights_sha256.startswith("9a129038")


def test_record_without_graph_can_be_read(tmp_path: Path) -> None:
    (tmp_path / WEIGHTS_FILE).write_bytes(b"weights")
    write_record(tmp_path, RECORD)
    assert read_record(tmp_path).graph_sha256 is None


@pytest.mark.parametrize("name", [WEIGHTS_FILE, GRAPH_FILE])
def test_a_changed_file_is_refused(folder: Path, name: str) -> None:
    (folder / name).write_bytes(b"something else")
    with pytest.raises(WeightsError, match=f"{name} has SHA-256 .* damaged"):
        read_record(folder)


@pytest.mark.parametrize("name", [WEIGHTS_FILE, GRAPH_FILE])
def test_a_missing_file_is_refused(folder: Path, name: str) -> None:
    (folder / name).unlink()
    with pytest.raises(WeightsError, match=f"{name} is missing"):
        read_record(folder)


def test_a_folder_without_record_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WeightsError, match=r"has no record\.json"):
        read_record(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"groups": 1}', '"text"', "\ufeff{"])
def test_an_unreadable_record_is_refused(folder: Path, text: str) -> None:
    (folder / RECORD_FILE).write_text(text)
    with pytest.raises(WeightsError, match="can't be read as the record of a detector"):
        read_record(folder)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"um_per_px": 0}, r"gives 0\.0 µm per pixel; it must be above 0"),
        ({"um_per_px": float("nan")}, "gives nan µm per pixel"),
        ({"tile_px": 100}, "tiles of 100 px; it must be a multiple of 32"),
        ({"tile_px": 0}, "tiles of 0 px"),
        ({"default_cut": 1.5}, r"default cut of 1\.5; it must be from 0 to 1"),
        ({"groups": []}, "names the groups"),
        ({"groups": ["ascarid_egg", "unheard_of"]}, r"names the groups \['unheard_of'\]"),
        ({"surprise": 1}, "can't be read as the record"),
    ],
)
def test_impossible_values_are_refused(folder: Path, values: dict[str, Any], message: str) -> None:
    change(folder, **values)
    with pytest.raises(WeightsError, match=message):
        read_record(folder)
