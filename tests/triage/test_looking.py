from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from triage.images import Picture, open_picture
from triage.looking import Looker
from triage.records import Detections
from triage.tiles import plan_tiles

TILE_PX = 64


@pytest.fixture
def picture(tmp_path: Path) -> Iterator[Picture]:
    rng = np.random.default_rng(8)
    pixels = np.full((400, 500, 3), 200, dtype=np.uint8)
    for x, y in rng.integers(10, 380, (40, 2)):
        pixels[y : y + 12, x : x + 16] = 60
    Image.fromarray(pixels).save(tmp_path / "a.png")
    with open_picture(tmp_path / "a.png") as opened:
        yield opened


@pytest.fixture
def looker(picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Looker]:
    monkeypatch.setattr("triage.looking.BATCH_TILES", 10)
    monkeypatch.setattr("triage.looking._TILES_AT_A_TIME", 4)
    blob_detector.tile_px = blob_detector.large_tile_px = TILE_PX
    with Looker(picture, plan_tiles((400, 500), TILE_PX, 16), TILE_PX, blob_detector) as opened:
        yield opened


def _bytes(found: Detections) -> bytes:
    return b"".join(np.asarray(values).tobytes() for values in vars(found).values())


def test_a_batch_is_the_same_whatever_was_looked_at_before(looker: Looker) -> None:
    in_turn = [_bytes(looker.look(index)) for index in range(4)]
    assert len(set(in_turn)) == 4
    again = {index: _bytes(looker.look(index)) for index in (2, 2, 0, 3)}
    assert [again.get(index, in_turn[index]) for index in range(4)] == in_turn


def test_the_next_tiles_are_looked_at_while_a_batch_is_stored(looker: Looker, blob_detector: Any) -> None:
    looker.look(0)
    looker.settle()
    # Ten tiles of the batch and two that fill its last call, then two calls of four that were under way.
    assert sum(blob_detector.calls) == 12 + 8
    looker.look(1)
    looker.settle()
    assert sum(blob_detector.calls) == 20 + 8


def test_what_comes_after_the_last_batch_is_empty(looker: Looker) -> None:
    assert len(looker.look(50).scores) == 0
    assert len(looker.look(0).scores) > 0
