from __future__ import annotations

import dataclasses
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import onnx
import pytest
import torch
from torch import nn

from training.export import to_graph
from triage.detector import GPU_BATCH, LARGEST_TILE_PX, Detector, TorchEngine, load_detector
from triage.errors import WeightsError
from triage.groups import read_groups
from triage.network import CentrePointNetwork, ServedNetwork
from triage.network_file import read_network, write_network
from triage.records import Detections
from triage.weights import (
    GRAPH_FILE,
    WEIGHTS_FILE,
    WeightsRecord,
    read_record,
    shipped_folder,
    write_record,
)

KNOWN = ("giardia_cyst", "ascarid_egg", "pollen")
TILE_PX = 128


def talkative_network() -> CentrePointNetwork:
    """An untrained network that proposes something in most places."""
    torch.manual_seed(11)
    network = CentrePointNetwork(len(KNOWN), 16, knows_scale=True)
    what, where = network.what[-1], network.where[-1]
    assert isinstance(what, nn.Conv2d) and isinstance(where, nn.Conv2d) and what.bias is not None
    nn.init.normal_(what.weight, std=1.0)
    nn.init.normal_(where.weight, std=0.3)
    assert network.scale is not None
    nn.init.normal_(network.scale.weight, std=0.5)
    with torch.no_grad():
        what.bias[0] = 0.0
    return network


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("weights")
    write_network(talkative_network(), path)
    record = WeightsRecord(
        name="talkative",
        groups=KNOWN,
        um_per_px=0.5,
        tile_px=TILE_PX,
        default_cut=0.3,
        network={"n_channels": 16, "knows_scale": True},
        recipe={},
    )
    # In floating point, as graphs were once, and as both engines can be held to each other closely.
    network = ServedNetwork(read_network(path, record))
    onnx.save(to_graph(network.eval(), tile_px=TILE_PX), path / GRAPH_FILE)
    write_record(path, dataclasses.replace(record, takes_larger_tiles=True))
    return path


@pytest.fixture(scope="module")
def tiles() -> np.ndarray:
    random = np.random.default_rng(2)
    coarse = random.integers(0, 256, (5, 16, 16, 3), dtype=np.uint8)
    return coarse.repeat(8, axis=1).repeat(8, axis=2)


def assert_same(some: list[Detections], others: list[Detections], *, atol: float) -> None:
    assert len(some) == len(others)
    for one, other in zip(some, others, strict=True):
        for name in ("boxes_xyxy", "scores", "group_scores", "ellipses"):
            np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=atol)


def test_detector_finds_something_in_every_tile(folder: Path, tiles: np.ndarray) -> None:
    assert all(len(found.scores) > 3 for found in load_detector(folder, device="cpu").detect(tiles))


def test_both_engines_give_the_same_boxes(folder: Path, tiles: np.ndarray) -> None:
    with_torch = Detector(read_record(folder), TorchEngine(folder, read_record(folder), "cpu", batch=4))
    with_onnx = load_detector(folder, device="cpu")
    for scales in (None, [0.5, None, 0.25, 0.7, 30.0]):
        assert_same(with_onnx.detect(tiles, scales), with_torch.detect(tiles, scales), atol=2e-3)


def test_a_tiles_scale_changes_what_is_found_in_it_alone(folder: Path, tiles: np.ndarray) -> None:
    detector = load_detector(folder, device="cpu")
    unknown = detector.detect(tiles)
    told = detector.detect(tiles, [None, 0.5, None, None, None])
    assert_same([told[0], *told[2:]], [unknown[0], *unknown[2:]], atol=0.0)
    assert len(told[1].scores) != len(unknown[1].scores) or not np.allclose(told[1].scores, unknown[1].scores)


def test_a_network_that_knows_no_scales_is_exported_and_runs_as_before(tmp_path: Path) -> None:
    torch.manual_seed(3)
    network = ServedNetwork(CentrePointNetwork(2, 8)).eval()
    graph = to_graph(network, tile_px=64)
    assert [one.name for one in graph.graph.input] == ["tiles"]
    onnx.save(graph, tmp_path / GRAPH_FILE)
    write_network(network.network, tmp_path)
    record = WeightsRecord("plain", KNOWN[:2], 0.5, 64, 0.3, network={"n_channels": 8}, recipe={})
    write_record(tmp_path, record)
    tile = np.zeros((1, 64, 64, 3), dtype=np.uint8)
    (found,) = load_detector(tmp_path, device="cpu").detect(tile, [0.5])
    (same,) = load_detector(tmp_path, device="cpu").detect(tile)
    assert_same([found], [same], atol=0.0)


@pytest.mark.parametrize("um_per_px", [None, 0.5])
def test_eight_bits_find_the_shipped_detectors_boxes(um_per_px: float | None) -> None:
    """To 3 px, 0.08 of the score and a tenth of the ellipse's sides."""
    tile = draw_shells()[None]
    folder = shipped_folder()
    record = read_record(folder)
    in_full = Detector(record, TorchEngine(folder, record, "cpu", batch=1))
    (exact,) = in_full.detect(tile, [um_per_px])
    (served,) = load_detector(folder, device="cpu").detect(tile, [um_per_px])
    for row in np.flatnonzero(exact.scores > 0.08):
        same = np.abs(served.boxes_xyxy - exact.boxes_xyxy[row]).max(axis=1).argmin()
        np.testing.assert_allclose(served.boxes_xyxy[same], exact.boxes_xyxy[row], atol=3.0)
        np.testing.assert_allclose(served.scores[same], exact.scores[row], atol=0.08)
        np.testing.assert_allclose(served.ellipses[same, 2:4], exact.ellipses[row, 2:4], rtol=0.1)
    assert (exact.scores > 0.08).sum() >= 3


def draw_shells() -> np.ndarray:
    """A tile with five dark-walled ellipses on bright glass."""
    tile = np.full((512, 512, 3), (196, 201, 190), dtype=np.uint8)
    for number, centre in enumerate([(100, 110), (330, 120), (120, 370), (380, 380), (250, 250)]):
        axes = (75, 62) if number % 2 else (60, 36)
        cv2.ellipse(tile, centre, axes, 25 * number, 0, 360, (120, 110, 80), -1, cv2.LINE_AA)
        cv2.ellipse(tile, centre, axes, 25 * number, 0, 360, (60, 50, 40), 5, cv2.LINE_AA)
    grain = np.random.default_rng(5).normal(0, 2, tile.shape)
    return np.clip(cv2.GaussianBlur(tile, (0, 0), 1.5) + grain, 0, 255).astype(np.uint8)


def test_both_engines_take_larger_tiles(
    folder: Path, tiles: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.detector.LARGE_TILE_PX", 2 * TILE_PX)
    monkeypatch.setattr("triage.detector.MOST_DETECTIONS", 10)
    large = tiles[:4].reshape(2, 2, TILE_PX, TILE_PX, 3).swapaxes(1, 2).reshape(1, *2 * [2 * TILE_PX], 3)
    record = read_record(folder)
    with_torch = Detector(record, TorchEngine(folder, record, "cpu", batch=4))
    with_onnx = load_detector(folder, device="cpu")
    assert with_onnx.large_tile_px == 2 * TILE_PX and with_onnx.largest_tile_px == LARGEST_TILE_PX
    found = with_onnx.detect(large)
    assert_same(found, with_torch.detect(large), atol=2e-3)
    # As many as four tiles may have, from all over the tile.
    assert len(found[0].scores) == 40 and (found[0].boxes_xyxy.max(axis=0) > TILE_PX).all()
    assert max(len(one.scores) for one in with_onnx.detect(tiles)) == 10


def test_a_detector_of_fixed_tiles_takes_no_larger_ones(
    tmp_path: Path, folder: Path, tiles: np.ndarray
) -> None:
    graph = onnx.load(folder / GRAPH_FILE)
    for value, axes, side in ((graph.graph.input[0], (1, 2), TILE_PX), (graph.graph.output[0], (2, 3), 16)):
        for axis in axes:
            value.type.tensor_type.shape.dim[axis].dim_value = side
    onnx.save(graph, tmp_path / GRAPH_FILE)
    (tmp_path / WEIGHTS_FILE).write_bytes((folder / WEIGHTS_FILE).read_bytes())
    write_record(tmp_path, dataclasses.replace(read_record(folder), takes_larger_tiles=False))
    fixed = load_detector(tmp_path, device="cpu")
    assert fixed.large_tile_px == fixed.largest_tile_px == TILE_PX
    assert_same(fixed.detect(tiles[:2]), load_detector(folder, device="cpu").detect(tiles[:2]), atol=0.0)


@pytest.mark.parametrize("device", ["onnx", "torch"])
def test_detections_do_not_depend_on_the_batch(folder: Path, tiles: np.ndarray, device: str) -> None:
    record = read_record(folder)
    detector = (
        load_detector(folder, device="cpu")
        if device == "onnx"
        else Detector(record, TorchEngine(folder, record, "cpu", batch=2))
    )
    together = detector.detect(tiles)
    alone = [detector.detect(tile[None])[0] for tile in tiles]
    assert_same(together, alone, atol=0.0)


def test_torch_is_launched_from_one_thread_whoever_asks(
    folder: Path, tiles: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    launched_from: list[int] = []
    run = ServedNetwork.forward

    def note_thread(network: ServedNetwork, *given: torch.Tensor) -> torch.Tensor:
        launched_from.append(threading.get_ident())
        return run(network, *given)

    monkeypatch.setattr(ServedNetwork, "forward", note_thread)
    record = read_record(folder)
    detector = Detector(record, TorchEngine(folder, record, "cpu", batch=1))
    some = tiles[:2]
    alone = detector.detect(some)
    for _ in range(2):  # each time other threads, several of them at once
        with ThreadPoolExecutor(3) as pool:
            for found in pool.map(detector.detect, [some] * 3):
                assert_same(found, alone, atol=0.0)
    assert len(launched_from) == 7 * len(some)
    assert len(set(launched_from)) == 1 and threading.get_ident() not in launched_from


def test_detect_takes_zero_tiles(folder: Path, tiles: np.ndarray) -> None:
    assert load_detector(folder, device="cpu").detect(tiles[:0]) == []
    record = read_record(folder)
    assert Detector(record, TorchEngine(folder, record, "cpu")).detect(tiles[:0]) == []


def test_group_scores_follow_the_table(folder: Path, tiles: np.ndarray) -> None:
    found = load_detector(folder, device="cpu").detect(tiles[:1])[0]
    names = [group.name for group in read_groups()]
    unknown = [names.index(name) for name in names if name not in KNOWN]
    assert found.group_scores.shape[1] == len(names)
    assert (found.group_scores[:, unknown] == 0).all()
    np.testing.assert_allclose(found.group_scores.sum(axis=1), 1.0)


def test_detect_refuses_tiles_of_another_size(folder: Path) -> None:
    with pytest.raises(
        ValueError, match=r"shape \(N, 128, 128, 3\), received uint8 of shape \(1, 64, 64, 3\)"
    ):
        load_detector(folder, device="cpu").detect(np.zeros((1, 64, 64, 3), dtype=np.uint8))


def test_detect_refuses_floats(folder: Path) -> None:
    with pytest.raises(ValueError, match="received float64"):
        load_detector(folder, device="cpu").detect(np.zeros((1, TILE_PX, TILE_PX, 3)))


def test_detector_tells_what_it_is(folder: Path) -> None:
    detector = load_detector(folder, device="cpu")
    assert (detector.name, detector.um_per_px, detector.tile_px) == ("talkative", 0.5, TILE_PX)
    assert detector.weights_sha256 == detector.record.weights_sha256


def test_a_graph_that_was_never_exported_is_missed(tmp_path: Path, folder: Path) -> None:
    (tmp_path / WEIGHTS_FILE).write_bytes((folder / WEIGHTS_FILE).read_bytes())
    write_record(tmp_path, read_record(folder))
    with pytest.raises(WeightsError, match=r"has no detector\.onnx.*python -m training\.export"):
        load_detector(tmp_path, device="cpu")


def test_a_damaged_graph_is_refused_even_if_its_hash_is_right(tmp_path: Path, folder: Path) -> None:
    (tmp_path / WEIGHTS_FILE).write_bytes((folder / WEIGHTS_FILE).read_bytes())
    (tmp_path / GRAPH_FILE).write_bytes(b"no graph")
    write_record(tmp_path, read_record(folder))
    with pytest.raises(WeightsError, match="can't be run"):
        load_detector(tmp_path, device="cpu")


def test_serving_on_a_cpu_imports_no_torch(folder: Path) -> None:
    program = (
        "import sys, pathlib, numpy as np; from triage.detector import load_detector; "
        f"d = load_detector(pathlib.Path({str(folder)!r}), device='cpu'); "
        f"d.detect(np.zeros((1, {TILE_PX}, {TILE_PX}, 3), np.uint8)); print('torch' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a GPU")
def test_gpu_and_cpu_give_the_same_boxes(folder: Path, tiles: np.ndarray) -> None:
    assert_same(
        load_detector(folder, device="cpu").detect(tiles),
        load_detector(folder, device="cuda").detect(tiles),
        atol=0.05,
    )
    assert len(tiles) % GPU_BATCH
