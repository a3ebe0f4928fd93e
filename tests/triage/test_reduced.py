from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from triage import reduced
from triage.images import Limits, open_picture
from triage.reduced import ReducedCopy

SIDES = (301, 470)


@pytest.fixture
def pixels(monkeypatch: pytest.MonkeyPatch) -> NDArray[np.uint8]:
    monkeypatch.setattr(reduced, "_LEAST_PX", 64)
    monkeypatch.setattr(reduced, "_PIECE_PX", 50)
    return np.random.default_rng(5).integers(0, 256, (*SIDES, 3), dtype=np.uint8)


def _mean_of_squares(pixels: NDArray[np.uint8], side: int) -> NDArray[np.float64]:
    beyond = [(0, -length % side) for length in pixels.shape[:2]]
    whole = np.pad(pixels, (*beyond, (0, 0)), mode="edge").astype(np.float64)
    rows, columns = whole.shape[0] // side, whole.shape[1] // side
    return whole.reshape(rows, side, columns, side, 3).mean(axis=(1, 3))


def test_cells_are_means_of_squares_whatever_was_read_before(pixels: NDArray[np.uint8]) -> None:
    copies = []
    for places in ([], [(0, 0), (150, 201), (370, 201)], [(3, 5), (100, 101), (1, 2)]):
        copy = ReducedCopy(SIDES)
        for x, y in places:
            copy.add(x, y, pixels[y : y + 100, x : x + 100])
        copy.complete(lambda x, y, width, height: pixels[y : y + height, x : x + width])
        copies.append(copy._cells)
    assert copy.cell_px == 7
    np.testing.assert_allclose(copies[0], _mean_of_squares(pixels, 7), atol=0.5001)
    assert np.array_equal(copies[0], copies[1]) and np.array_equal(copies[0], copies[2])


def test_what_was_read_is_not_read_again(pixels: NDArray[np.uint8]) -> None:
    copy, asked = ReducedCopy(SIDES), []

    def read(x: int, y: int, width: int, height: int) -> NDArray[np.uint8]:
        asked.append((x, y))
        return pixels[y : y + height, x : x + width]

    copy.add(0, 0, pixels[:200])
    copy.complete(read)
    assert asked and min(y for _, y in asked) == 196
    del asked[:]
    copy.complete(read)
    assert not asked


def test_overview_of_a_large_picture_is_like_that_of_libvips(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, columns = np.mgrid[0:601, 0:947]
    smooth = 128 + 100 * np.sin(rows / 40) * np.cos(columns / 60)
    image = pyvips.Image.new_from_array(np.repeat(smooth[:, :, None], 3, axis=2).astype(np.uint8))
    image.tiffsave(str(tmp_path / "a.tif"), tile=True)
    with open_picture(tmp_path / "a.tif") as picture:
        theirs = picture.read_overview(100).astype(float)
    monkeypatch.setattr(reduced, "_LEAST_PX", 200)
    with open_picture(tmp_path / "a.tif", limits=Limits(max_memory_pixels=100)) as picture:
        picture.read_region(200, 100, 500, 400)
        ours = picture.read_overview(100)
        assert picture._reduced is not None
    assert ours.shape == theirs.shape
    # The steepest place rises by 24 in a pixel of the overview, and its last cells reach beyond the picture.
    assert np.abs(ours - theirs).max() <= 24 / 4 and abs((ours - theirs).mean()) < 0.6
