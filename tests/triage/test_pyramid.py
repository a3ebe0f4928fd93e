from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from triage.errors import ImageError, StorageError
from triage.images import Picture
from triage.pyramid import cut_crop, cut_viewer_tile, read_zoom_levels, write_pyramid

Open = Callable[[NDArray[np.uint8]], Picture]


def gradient(height: int, width: int) -> NDArray[np.uint8]:
    y, x = np.mgrid[0:height, 0:width]
    return np.stack([x * 255 // width, y * 255 // height, np.full_like(x, 128)], axis=-1).astype(np.uint8)


def decode(data: bytes | None) -> NDArray[np.int16]:
    assert data is not None
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(np.int16)


@pytest.fixture
def pyramid(tmp_path: Path, open_array: Open) -> Path:
    with open_array(gradient(700, 1000)) as picture:
        write_pyramid(picture, tmp_path / "view.tif")
    return tmp_path / "view.tif"


@pytest.mark.parametrize(
    ("shape_hw", "levels"), [((1, 1), 1), ((256, 256), 1), ((257, 10), 2), ((700, 1000), 3)]
)
def test_write_pyramid_counts_levels(
    tmp_path: Path, open_array: Open, shape_hw: tuple[int, int], levels: int
) -> None:
    with open_array(gradient(*shape_hw)) as picture:
        assert write_pyramid(picture, tmp_path / "view.tif") == levels


def test_read_zoom_levels_sees_a_pyramid_that_was_written_again(tmp_path: Path, open_array: Open) -> None:
    for shape_hw, levels in (((100, 100), 1), ((700, 1000), 3)):
        with open_array(gradient(*shape_hw)) as picture:
            write_pyramid(picture, tmp_path / "view.tif")
        assert read_zoom_levels(tmp_path / "view.tif") == levels


def test_cut_viewer_tile_of_the_largest_level_is_the_picture(pyramid: Path) -> None:
    expected = gradient(700, 1000)[256:512, 512:768]
    assert np.abs(decode(cut_viewer_tile(pyramid, 2, 2, 1)) - expected).max() < 20


def test_cut_viewer_tile_cuts_edge_tiles(pyramid: Path) -> None:
    assert decode(cut_viewer_tile(pyramid, 2, 3, 2)).shape == (700 - 512, 1000 - 768, 3)
    assert decode(cut_viewer_tile(pyramid, 0, 0, 0)).shape == (175, 250, 3)


@pytest.mark.parametrize("zxy", [(-1, 0, 0), (3, 0, 0), (2, 4, 0), (2, 0, 3), (2, -1, 0), (0, 1, 0)])
def test_cut_viewer_tile_has_none_outside(pyramid: Path, zxy: tuple[int, int, int]) -> None:
    assert cut_viewer_tile(pyramid, *zxy) is None


@pytest.mark.parametrize("side_px", [1, 64, 200])
def test_cut_crop_has_the_asked_side_and_the_right_place(pyramid: Path, side_px: int) -> None:
    crop = decode(cut_crop(pyramid, (400, 300, 100, 60), side_px))
    assert crop.shape == (side_px, side_px, 3)
    centre = crop[side_px // 2, side_px // 2]
    assert abs(centre[0] - 450 * 255 / 1000) < 6 and abs(centre[1] - 330 * 255 / 700) < 6


def test_cut_crop_at_the_border_stays_inside(pyramid: Path) -> None:
    crop = decode(cut_crop(pyramid, (960, 660, 40, 40), 64))
    assert crop.shape == (64, 64, 3)
    assert crop[-1, -1, 0] > 245 and crop[-1, -1, 1] > 245


@pytest.mark.parametrize("shade", [0, 128, 255])
def test_cut_crop_draws_a_box_that_is_not_in_its_middle(tmp_path: Path, open_array: Open, shade: int) -> None:
    with open_array(np.full((700, 1000, 3), shade, np.uint8)) as picture:
        write_pyramid(picture, tmp_path / "view.tif")
    # The crop is the picture's upper left corner, 320 px wide: the box ends at 100 and 200 of it.
    crop = decode(cut_crop(tmp_path / "view.tif", (0, 0, 100, 200), 320)).astype(int)
    beside = crop[:200, 96:106].max(axis=(1, 2)) - crop[:200, 96:106].min(axis=(1, 2))
    below = crop[196:206, :100].max(axis=(0, 2)) - crop[196:206, :100].min(axis=(0, 2))
    assert min(beside.min(), below.min()) > 100
    assert np.ptp(crop[10:190, 10:90]) < 12 and np.ptp(crop[215:, 115:]) < 12


def test_cut_crop_leaves_what_is_in_its_middle_alone(tmp_path: Path, open_array: Open) -> None:
    with open_array(np.full((700, 1000, 3), 128, np.uint8)) as picture:
        write_pyramid(picture, tmp_path / "view.tif")
    assert np.ptp(decode(cut_crop(tmp_path / "view.tif", (400, 300, 100, 200), 320)).astype(int)) < 12


def test_cut_crop_of_a_flat_picture(tmp_path: Path, open_array: Open) -> None:
    with open_array(gradient(3, 900)) as picture:
        write_pyramid(picture, tmp_path / "view.tif")
    assert decode(cut_crop(tmp_path / "view.tif", (100, 0, 50, 3), 160)).shape[1] == 160


@pytest.mark.parametrize("side_px", [0, 2049])
def test_cut_crop_refuses_impossible_side(pyramid: Path, side_px: int) -> None:
    with pytest.raises(ValueError, match=f"from 1 to 2048, received {side_px}"):
        cut_crop(pyramid, (0, 0, 10, 10), side_px)


def test_cut_viewer_tile_of_a_missing_pyramid(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"view\.tif can't be read"):
        cut_viewer_tile(tmp_path / "view.tif", 0, 0, 0)


def test_full_disk_is_told_and_leaves_no_pyramid(
    tmp_path: Path, open_array: Open, largest_file: Callable[[int], Any]
) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (900, 900, 3), dtype=np.uint8)
    with (
        open_array(noise) as picture,
        largest_file(300_000),
        pytest.raises(StorageError, match=r"no room on the service's disk for the viewer's copy[^/]*\.$"),
    ):
        write_pyramid(picture, tmp_path / "view.tif")
    assert not (tmp_path / "view.tif").exists()
