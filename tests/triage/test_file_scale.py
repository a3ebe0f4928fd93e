from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from triage.file_scale import read_file_scale
from triage.images import open_picture

GREY = np.zeros((32, 40), dtype=np.uint8)


@pytest.mark.parametrize(("pixels_per_unit", "unit"), [(20_000, "CENTIMETER"), (50_800, "INCH")])
def test_read_file_scale_from_resolution_tags(tmp_path: Path, pixels_per_unit: float, unit: str) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(pixels_per_unit, pixels_per_unit), resolutionunit=unit)
    assert read_file_scale(path) == pytest.approx(0.5)


def test_read_file_scale_from_ome(tmp_path: Path) -> None:
    path = tmp_path / "a.ome.tif"
    metadata = {"axes": "YX", "PhysicalSizeX": 250, "PhysicalSizeXUnit": "nm", "PhysicalSizeY": 0.25}
    tifffile.imwrite(path, GREY, ome=True, metadata=metadata)
    assert read_file_scale(path) == pytest.approx(0.25)


def test_read_file_scale_from_unit_note(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, imagej=True, resolution=(4.0, 4.0), metadata={"unit": "um"})
    assert read_file_scale(path) == pytest.approx(0.25)


@pytest.mark.parametrize("dots_per_inch", [72, 96, 300, 1200])
def test_read_file_scale_takes_printer_resolution_as_not_stated(tmp_path: Path, dots_per_inch: int) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(dots_per_inch, dots_per_inch), resolutionunit="INCH")
    assert read_file_scale(path) is None


def test_read_file_scale_takes_oblong_pixels_as_not_stated(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(20_000, 15_000), resolutionunit="CENTIMETER")
    assert read_file_scale(path) is None


def test_read_file_scale_without_tags(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    Image.fromarray(GREY).save(path)
    assert read_file_scale(path) is None


def test_open_picture_ignores_the_resolution_of_a_jpeg(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(GREY).save(path, dpi=(50_800, 50_800))
    with open_picture(path) as picture:
        assert picture.um_per_px is None


def test_open_picture_carries_the_scale_of_a_tiff(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(20_000, 20_000), resolutionunit="CENTIMETER")
    with open_picture(path) as picture:
        assert picture.um_per_px == pytest.approx(0.5)
