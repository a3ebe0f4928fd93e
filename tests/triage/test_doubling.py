from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
from PIL import Image

from triage.doubling import double_pixels
from triage.images import open_picture


@pytest.mark.parametrize("shape_hw", [(1, 1), (2, 3), (7, 9), (64, 50)])
@pytest.mark.parametrize("levels", [2, 256])
def test_doubling_gives_the_bytes_that_libvips_gives(shape_hw: tuple[int, int], levels: int) -> None:
    draws = np.random.default_rng(levels).integers(0, levels, (*shape_hw, 3))
    pixels = (draws * (255 // (levels - 1))).astype(np.uint8)
    # Checked against libvips itself, which all other resampling is done with.
    wanted = pyvips.Image.new_from_array(pixels).copy(interpretation="srgb").resize(2.0, kernel="cubic")
    assert np.array_equal(double_pixels(pixels), wanted.numpy())


@pytest.mark.parametrize(
    ("x", "y", "width", "height"),
    [
        (0, 0, 40, 30),
        (0, 0, 1, 1),
        (39, 29, 1, 1),
        (3, 4, 9, 11),
        (4, 3, 10, 8),
        (31, 22, 9, 8),
        (0, 7, 40, 2),
    ],
)
def test_a_part_of_a_doubled_picture_is_a_part_of_the_whole(
    tmp_path: Path, x: int, y: int, width: int, height: int
) -> None:
    pixels = np.random.default_rng(3).integers(0, 256, (15, 20, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(tmp_path / "grain.png")
    with open_picture(tmp_path / "grain.png") as picture:
        part = picture.read_region(x, y, width, height, scaled_to_hw=(30, 40))
    assert np.array_equal(part, double_pixels(pixels)[y : y + height, x : x + width])
