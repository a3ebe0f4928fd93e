from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from triage.file_scale import FileScale, find_file_scale, read_file_scale
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


@pytest.mark.parametrize(
    ("name", "options", "found"),
    [
        ("a.tif", {"resolution": (20_000, 20_000), "resolutionunit": "CENTIMETER"}, "resolution of the TIFF"),
        ("a.tif", {"imagej": True, "resolution": (2.0, 2.0), "metadata": {"unit": "um"}}, "unit note"),
        (
            "a.ome.tif",
            {"ome": True, "metadata": {"PhysicalSizeX": 0.5, "PhysicalSizeY": 0.5}},
            "OME metadata",
        ),
    ],
)
def test_find_file_scale_says_where_a_tiff_states_it(
    tmp_path: Path, name: str, options: dict[str, Any], found: str
) -> None:
    tifffile.imwrite(tmp_path / name, GREY, **options)
    scale = find_file_scale(tmp_path / name)
    assert scale is not None and scale.um_per_px == pytest.approx(0.5)
    assert found in scale.source


@pytest.mark.parametrize("name", ["a.jpg", "a.png"])
@pytest.mark.parametrize(("unit", "per_unit"), [(2, 50_800), (3, 20_000)])
def test_find_file_scale_reads_the_exif_block(tmp_path: Path, name: str, unit: int, per_unit: int) -> None:
    exif = Image.Exif()
    exif[282] = exif[283] = per_unit
    exif[296] = unit
    Image.fromarray(GREY).save(tmp_path / name, exif=exif)
    assert find_file_scale(tmp_path / name) == FileScale(0.5, "resolution in the EXIF block")


@pytest.mark.parametrize(
    "block", [{}, {282: 72, 283: 72, 296: 2}, {282: 0, 283: 0, 296: 2}, {282: 9, 296: 7}]
)
def test_find_file_scale_in_an_exif_block_without_a_usable_one(tmp_path: Path, block: dict[int, int]) -> None:
    exif = Image.Exif()
    exif.update(block)
    Image.fromarray(GREY).save(tmp_path / "a.jpg", exif=exif)
    assert find_file_scale(tmp_path / "a.jpg") is None


@pytest.mark.parametrize(
    "content", [b"", b"words", b"\xff\xd8\xff\xe1\x00\x08Exif\0\0", b"II*\0\xff\xff\xff\xff"]
)
def test_find_file_scale_in_what_is_no_picture(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a").write_bytes(content)
    assert find_file_scale(tmp_path / "a") is None
