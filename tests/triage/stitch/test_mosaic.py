from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from triage.adequacy import assess_adequacy
from triage.errors import ImageError
from triage.images import open_picture
from triage.stitch.scan import stitch

CutScans = Callable[..., Any]


def test_mosaic_states_its_scale_and_has_levels(cut_scan: CutScans, tmp_path: Path) -> None:
    out = tmp_path / "m.ome.tif"
    stitching = stitch(cut_scan().paths, out, um_per_px=0.4321)
    with tifffile.TiffFile(out) as file:
        assert file.is_ome and 'PhysicalSizeX="0.4321" PhysicalSizeXUnit="µm"' in (file.ome_metadata or "")
        levels = [level.shape for level in file.series[0].levels]
        assert levels[0] == (*stitching.shape_hw, 3) and levels[1][0] == stitching.shape_hw[0] // 2
        assert file.pages.first.aspage().is_tiled
    with open_picture(out) as picture:
        assert (picture.height, picture.width) == stitching.shape_hw
        assert picture.um_per_px == pytest.approx(0.4321)
        assert picture.remarks == ()


def test_mosaic_without_a_scale_states_none(cut_scan: CutScans, tmp_path: Path) -> None:
    stitch(cut_scan(1, 2).paths, tmp_path / "m.tif")
    with open_picture(tmp_path / "m.tif") as picture:
        assert picture.um_per_px is None


def test_scale_of_the_files_is_taken(cut_scan: CutScans, tmp_path: Path) -> None:
    paths = []
    for path in cut_scan(1, 2).paths:
        with open_picture(path) as picture:
            pixels = picture.read_region(0, 0, picture.width, picture.height)
        paths.append(path.with_suffix(".ome.tif"))
        tifffile.imwrite(
            paths[-1], pixels, photometric="rgb", metadata={"PhysicalSizeX": 0.25, "PhysicalSizeY": 0.25}
        )
    assert stitch(paths, tmp_path / "m.tif").um_per_px == pytest.approx(0.25)


def test_mosaic_shows_the_slide_under_even_light(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan()
    stitching = stitch(scan.paths, tmp_path / "m.tif")
    with open_picture(tmp_path / "m.tif") as picture:
        mosaic = picture.read_region(0, 0, picture.width, picture.height).astype(np.float64)
    corner = scan.middle_xy[0] - np.array([208, 160]) / 2 - (stitching.placed[0].x, stitching.placed[0].y)
    left, top = np.rint(corner).astype(int)
    inner = slice(20, stitching.shape_hw[0] - 20), slice(20, stitching.shape_hw[1] - 20)
    slide = scan.slide[top:, left:][inner]
    shown = mosaic[inner]
    # Where fluid is, the light must be even: the raw fields differ by 40 % from middle to corner.
    fluid = np.median(slide, axis=(0, 1))
    is_fluid = (np.abs(slide - fluid) < 2).all(axis=2) & (shown < 255).any(axis=2)
    level = shown[is_fluid].mean(axis=1)
    assert np.subtract(*np.percentile(level, [97.5, 2.5])) < 0.08 * np.median(level)
    likeness = np.corrcoef(slide.mean(axis=2).ravel(), shown.mean(axis=2).ravel())[0, 1]
    # Fields lie on whole pixels, up to half a pixel from the slide's; a shift of 3 px gives 0.4.
    assert likeness > 0.95


def test_turned_fields_are_drawn_upright(cut_scan: CutScans, tmp_path: Path) -> None:
    turns = [1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0]
    scan = cut_scan(turns_deg=turns)
    stitching = stitch(scan.paths, tmp_path / "m.tif")
    # One of the overlaps shows what both fields show; drawn askew, its objects would not lie on each other.
    assert stitching.residual_px < 0.5
    assert max(abs(one.turn_deg) for one in stitching.placed) > 0.5


def test_place_that_no_field_shows_is_black_and_not_assessed(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(blank=[4])
    stitch(scan.paths, tmp_path / "m.tif")
    with open_picture(tmp_path / "m.tif") as picture:
        middle = picture.read_region(picture.width // 2 - 5, picture.height // 2 - 5, 10, 10)
        adequacy = assess_adequacy(picture, None, None)
    assert (middle == 0).all()
    assert adequacy.light and adequacy.light["burnt_out_fraction"] == 0
    assert adequacy.assessed_fraction < 1


def test_mosaic_that_can_not_be_written_is_said_in_one_sentence(
    cut_scan: CutScans, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scan = cut_scan(1, 2)
    (tmp_path / "m.tif").mkdir()
    with pytest.raises(ImageError, match=r"The mosaic .* can't be written") as caught:
        stitch(scan.paths, tmp_path / "m.tif")
    assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
