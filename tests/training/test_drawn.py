from __future__ import annotations

import importlib
from multiprocessing import active_children
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import torch

from training.drawn import DrawnBatches, draw_slides, prefetch, show_again, to_target
from training.parallel import Share
from training.settings import Settings
from training.supply import Given, open_batches
from training.targets import list_scales
from triage.groups import read_groups

CPU = torch.device("cpu")


def batches_of(draw: Any, n: int, *, seed: int = 1) -> DrawnBatches:
    return DrawnBatches(seed, n_batches=n, n_tiles=4, tile_px=64, device=CPU, draw=draw)


def test_batches_depend_on_the_seed_alone(draw_shapes: Any) -> None:
    some, again = (list(batches_of(draw_shapes, 3, seed=5)) for _ in range(2))
    assert all(torch.equal(a[0], b[0]) for a, b in zip(some, again, strict=True))
    assert not torch.equal(some[0][0], some[1][0])
    assert not torch.equal(some[0][0], batches_of(draw_shapes, 1, seed=6)[0][0])


def test_batches_come_in_order_and_end(draw_shapes: Any) -> None:
    batches = batches_of(draw_shapes, 3)
    assert [torch.equal(got[0], batches[i][0]) for i, got in enumerate(prefetch(batches, 0))] == [True] * 3


def test_shown_again_batches_keep_tiles_with_their_targets(draw_shapes: Any) -> None:
    known = {
        tiles.numpy().tobytes(): target
        for batch in batches_of(draw_shapes, 4)
        for tiles, target in zip(*batch, strict=True)
    }
    sizes = []
    for tiles, targets in show_again(iter(batches_of(draw_shapes, 4)), echoes=3, seed=1):
        sizes.append(len(targets))
        for tile, target in zip(tiles, targets, strict=True):
            assert torch.equal(known[tile.numpy().tobytes()]["boxes"], target["boxes"])
    assert sizes == [12] * 4


def test_batches_of_a_series_are_drawn_at_once_and_are_those_drawn_alone(draw_shapes: Any) -> None:
    drawn = []

    def draw(seed: int, n: int, tile_px: int, device: torch.device, *, first: int = 0) -> Any:
        drawn.append(n)
        return draw_shapes(seed, n, tile_px, device, first=first)

    def batches(share: Share | None = None) -> DrawnBatches:
        return DrawnBatches(
            5, n_batches=5, n_tiles=4, tile_px=64, device=CPU, draw=draw, share=share, together=3
        )

    together = [one for number in range(2) for one in batches().draw_series(number)]
    assert drawn == [12, 8]
    for index, (tiles, targets) in enumerate(together):
        alone = batches()[index]
        assert torch.equal(tiles, alone[0])
        assert torch.equal(targets[0]["boxes"], alone[1][0]["boxes"])
        halves = [batches(Share(rank, 2)).draw_series(index // 3)[index % 3][0] for rank in range(2)]
        assert torch.equal(tiles, torch.cat(halves))


def test_truth_outside_the_tile_is_left_out() -> None:
    truth = SimpleNamespace(
        boxes_xyxy=np.array([[-20.0, 5, 10, 25], [70, 5, 90, 25]]),
        ellipses=np.zeros((2, 5)),
        labels=np.array([0, 1]),
        visible=np.array([0.3, 0.0]),
        um_per_px=0.25,
    )
    target = to_target(truth, 64)
    assert target["boxes"].tolist() == [[0, 5, 10, 25]] and list_scales([target]) == [0.25]


def test_worker_processes_draw_the_same_in_the_same_order_from_within_a_series_on() -> None:
    batches = DrawnBatches(3, n_batches=4, n_tiles=1, tile_px=64, device=CPU, draw=draw_slides, together=3)
    ahead = list(prefetch(batches, 1, start=2))
    assert len(ahead) == 2
    for index, (tiles, targets) in enumerate(ahead, start=2):
        assert torch.equal(tiles, batches[index][0])
        assert torch.equal(targets[0]["boxes"], batches[index][1][0]["boxes"])


PLAIN_TILES = """
import torch
from types import SimpleNamespace

def draw(seed, n, tile_px, device, *, first=0):
    truth = SimpleNamespace(
        boxes_xyxy=[[1, 1, 9, 9]], ellipses=[[5, 5, 8, 8, 0]], labels=[0], visible=[1], um_per_px=0.5
    )
    return torch.zeros(n, 3, tile_px, tile_px, dtype=torch.uint8), [truth] * n
"""


def test_worker_processes_end_quietly_when_nobody_wants_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plain_tiles.py").write_text(PLAIN_TILES)
    monkeypatch.syspath_prepend(str(tmp_path))
    draw = importlib.import_module("plain_tiles").draw
    batches = prefetch(DrawnBatches(1, n_batches=1000, n_tiles=32, tile_px=384, device=CPU, draw=draw), 2)
    assert next(batches)[0].shape == (32, 3, 384, 384)
    batches.close()
    assert capfd.readouterr().err == "" and active_children() == []


def test_drawn_slides_have_labels_of_the_table_and_boxes_in_the_tile() -> None:
    batches = DrawnBatches(8, n_batches=2, n_tiles=2, tile_px=128, device=CPU, draw=draw_slides)
    targets = [target for _, one in prefetch(batches, 0) for target in one]
    boxes = torch.cat([target["boxes"] for target in targets])
    labels = torch.cat([target["labels"] for target in targets])
    assert len(boxes) and boxes.min() >= 0 and boxes.max() <= 128
    assert (boxes[:, 2:] > boxes[:, :2]).all() and labels.max() < len(read_groups())


def test_tiles_are_drawn_where_it_is_asked_for(draw_shapes: Any, tmp_path: Path) -> None:
    asked = []

    def draw(seed: int, n: int, tile_px: int, device: torch.device, *, first: int = 0) -> Any:
        asked.append(str(device))
        return draw_shapes(seed, n, tile_px, CPU, first=first)

    for elsewhere in (None, "cuda:1"):
        settings = Settings(out=tmp_path, steps=1, batch=2, tile_px=64, draw_device=elsewhere)
        list(open_batches(settings, CPU, draw, share=Share(), start=0, given=Given()))
    assert asked == ["cpu", "cuda:1"]
