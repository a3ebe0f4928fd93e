"""`coverslip stitch`: fields in, mosaic on disk, JSON on stdout, one sentence where it can't be done."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from service.cli import app
from triage.images import open_picture


@pytest.fixture
def fields(tmp_path: Path) -> Path:
    """Four fields of 120 x 100 px cut from one slide, 30 px of each seen by the next."""
    rng = np.random.default_rng(12)
    coarse = Image.fromarray(rng.integers(120, 230, (43, 53, 3), dtype=np.uint8))
    slide = np.asarray(coarse.resize((212, 172), Image.Resampling.BICUBIC))
    folder = tmp_path / "scan"
    folder.mkdir()
    for number, (x, y) in enumerate([(0, 0), (90, 1), (92, 70), (1, 72)], start=8):
        Image.fromarray(slide[y : y + 100, x : x + 120]).save(folder / f"f{number}.png")
    return folder


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, ["stitch", *(str(argument) for argument in arguments)])


@pytest.mark.parametrize("order", ["as-taken", "unknown"])
def test_stitch_prints_places_and_writes_the_mosaic(fields: Path, tmp_path: Path, order: str) -> None:
    out = tmp_path / "mosaic.ome.tif"
    result = run(fields, "--out", out, "--um-per-px", "0.5", "--order", order)
    assert (result.exit_code, result.stderr) == (0, "")
    value = json.loads(result.stdout)
    assert value["mosaic"] == {"width": 212, "height": 172, "um_per_px": 0.5}
    assert [one["field"] for one in value["placed"]] == ["f8.png", "f9.png", "f10.png", "f11.png"]
    places = np.array([(one["x"], one["y"]) for one in value["placed"]])
    assert places == pytest.approx(np.array([(0, 0), (90, 1), (92, 70), (1, 72)]), abs=0.2)
    assert value["left_out"] == []
    # 212 x 172 px of 0.5 µm less three narrow corners.
    assert value["coverage"]["imaged"]["mm2"] == pytest.approx(212 * 172 * 0.25e-6, rel=0.02)
    assert value["coverage"]["passes"] == 2 and value["coverage"]["gaps"] == []
    with open_picture(out) as picture:
        assert (picture.width, picture.height, picture.um_per_px) == (212, 172, pytest.approx(0.5))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--coverslip-mm", "0"), "The coverslip's side is 0.0 mm; it must be above 0"),
        (("--um-per-px", "0"), "Calibration gives 0.0 µm per pixel"),
        (("--by-regularity",), "the order is unknown. Give --order as-taken"),
        (("--out", "mosaic.jpg"), "it is written as OME-TIFF"),
        (("--out", "/no/such/folder/m.tif"), "does not exist"),
    ],
)
def test_stitch_refuses_bad_options_with_one_line(
    fields: Path, tmp_path: Path, options: tuple[str, ...], message: str
) -> None:
    result = run(fields, "--out", tmp_path / "m.tif", *options)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr and result.stderr.count("\n") == 1
    assert not (tmp_path / "m.tif").exists()


def test_stitch_refuses_what_is_no_picture_by_its_name(fields: Path, tmp_path: Path) -> None:
    (fields / "f9.png").write_text("none")
    result = run(fields, "--out", tmp_path / "m.tif")
    assert result.exit_code == 1
    assert (
        result.stderr.startswith("f9.png is no picture that can be read") and result.stderr.count("\n") == 1
    )


def test_stitch_refuses_an_empty_folder_and_one_field(fields: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for given, count in ((tmp_path / "empty", 0), (fields / "f8.png", 1)):
        result = run(given, "--out", tmp_path / "m.tif")
        assert result.exit_code == 1
        assert f"{count} picture was given; stitching needs 2 or more" in result.stderr


@pytest.mark.parametrize("arguments", [(), ("f.png",), ("f.png", "--out", "m.tif", "--order", "spiral")])
def test_wrong_usage_exits_with_2(arguments: tuple[str, ...]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2 and "Usage:" in result.stderr
