from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import onnx
import pytest
import pyvips

from training import measure_bench
from training.known_pictures import KnownObject, draw_plain_known, name_focus, signed_depths
from training.measure_bench import (
    Measured,
    describe,
    describe_others,
    draw_mask,
    find_known,
    fit_factors,
    main,
    measure_known,
    measure_outlines,
)
from triage.images import Picture
from triage.records import Ellipse
from triage.rim import RIM_GRAPH

SIDES = [(90.0, 60.0), (70.0, 50.0), (110.0, 80.0), (60.0, 44.0)]


def draw_discs() -> tuple[Picture, list[KnownObject]]:
    """Dark ellipses of known size, one in each quarter, in a little grain."""
    scale = 8
    big = np.full((320 * scale, 320 * scale), 210, dtype=np.uint8)
    known = []
    for index, (length, width) in enumerate(SIDES):
        x, y = 80 + 160 * (index % 2), 80 + 160 * (index // 2)
        box = ((x * scale - 0.5, y * scale - 0.5), (length * scale, width * scale), 25.0)
        cv2.ellipse(big, box, 90, -1)
        known.append(KnownObject(Ellipse(x, y, length, width, 25.0), "oocyst", "sharp"))
    grey = cv2.GaussianBlur(cv2.resize(big, (320, 320), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    noisy = grey[..., None] + np.random.default_rng(0).normal(0, 2, (320, 320, 3))
    pixels = np.clip(noisy, 0, 255).astype(np.uint8)
    return Picture(pyvips.Image.new_from_array(pixels), file_name="discs", sha256=""), known


@pytest.fixture(scope="module")
def measured() -> list[Measured]:
    return measure_known(iter([draw_discs(), draw_discs()]), 7, seed=3)


def test_discs_are_measured_without_bias(measured: list[Measured]) -> None:
    figures = describe(measured)
    assert figures["n"] == 7 and figures["no_outline"] == 0.0
    for side in ("length", "width"):
        assert abs(figures[f"{side}_bias"] or 0) < 0.01
        assert figures[f"{side}_coverage_95"] == 1.0 and figures[f"{side}_within_8_percent"] == 1.0


def test_describe_counts_what_was_not_found() -> None:
    known = KnownObject(Ellipse(0, 0, 10, 8, 0), "oocyst", "soft")
    assert describe([Measured(known, None, None)]) == {"n": 1, "no_outline": 1.0}


def test_others_measure_the_same_areas(measured: list[Measured]) -> None:
    figures = describe_others(measured)["cv2.fitEllipse"]
    assert abs(figures["length_bias"]) < 0.015 and abs(figures["width_bias"]) < 0.015


def test_mask_has_the_area_of_the_outline() -> None:
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    points = np.stack([30 * np.cos(angle) + 50, 20 * np.sin(angle) + 50], axis=1)
    assert draw_mask(points).sum() / 16 == pytest.approx(np.pi * 30 * 20, rel=0.02)


def test_fitted_factors_grow_with_the_errors(measured: list[Measured]) -> None:
    near, far = (
        fit_factors([Measured(_grow(one.known, factor), one.outline, one.size) for one in measured])
        for factor in (1.0, 1.2)
    )
    assert far["LENGTH_SD_FACTOR"] > 2 * near["LENGTH_SD_FACTOR"]
    assert far["WIDTH_SD_FACTOR"] > 2 * near["WIDTH_SD_FACTOR"]


def _grow(known: KnownObject, factor: float) -> KnownObject:
    truth = known.truth
    grown = Ellipse(truth.cx, truth.cy, truth.length_px * factor, truth.width_px * factor, truth.angle_deg)
    return KnownObject(grown, known.group, known.focus)


def test_focus_is_told_by_side() -> None:
    truth = SimpleNamespace(focus_depths=np.array([0.5, 2.0]), focus_um=np.array([3.0, -9.0]))
    assert [signed_depths(truth, row) for row in (0, 1)] == [0.5, -2.0]


@pytest.mark.parametrize(
    ("depths", "name"),
    [
        (0.0, "sharp"),
        (0.3, "soft, above"),
        (-0.3, "sharp"),
        (-0.99, "soft, below"),
        (5.0, "blurred, above"),
        (-5.0, "blurred, below"),
    ],
)
def test_focus_strata(depths: float, name: str) -> None:
    assert name_focus(depths) == name


def test_labelled_set_is_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture, known = draw_discs()
    (tmp_path / "images").mkdir()
    picture.as_vips().pngsave(str(tmp_path / "images" / "a.png"))
    ellipses = [
        {
            "cx": one.truth.cx,
            "cy": one.truth.cy,
            "major_px": one.truth.length_px,
            "minor_px": one.truth.width_px,
            "angle_deg": one.truth.angle_deg,
        }
        for one in known
    ]
    coco = {
        "images": [{"id": 1, "file_name": "a.png"}],
        "categories": [{"id": 3, "name": "oocyst"}],
        "annotations": [{"image_id": 1, "category_id": 3, "ellipse": one} for one in [*ellipses, None]],
    }
    (tmp_path / "annotations.json").write_text(json.dumps(coco), encoding="utf-8")
    assert main(["--data", str(tmp_path), "--fit"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert next(line for line in lines if line.startswith("oocyst")).split()[1:3] == ["4", "0.0"]
    assert any(line.startswith("LENGTH_SD_FACTOR") for line in lines)


def test_plain_forms_are_drawn_with_their_sides() -> None:
    shown = 0
    for picture, (known,) in draw_plain_known(3):
        if known.group == "disc 24 x 20" or known.group == "disc 90 x 60":
            grey = picture.read_region(0, 0, 240, 240).astype(float).mean(axis=2)
            area = (215 - grey).sum() / (215 - 90)
            assert area == pytest.approx(np.pi / 4 * known.truth.length_px * known.truth.width_px, rel=0.01)
            shown += 1
    assert shown == 6


def test_seeds_are_measured_side_by_side_and_saved(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("training.synthesize.processes.open_processes", ThreadPoolExecutor)
    monkeypatch.setattr(measure_bench, "draw_known", lambda seed: iter([draw_discs()] * 2))
    asked = ["--seed", "1", "2", "--workers", "2", "--n", "5", "--save", str(tmp_path)]
    assert main(asked) == 0
    assert ["all", "10"] in [line.split()[:2] for line in capsys.readouterr().out.splitlines()]
    with (tmp_path / "sizes_0.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["seed"] for row in rows] == ["1"] * 5 + ["2"] * 5 and rows[0] != rows[5]
    for row in rows:
        assert float(row["length_px"]) == pytest.approx(float(row["true_length_px"]), rel=0.02)
        assert 0 < float(row["length_relative_sd"]) < 0.05


def test_another_network_reads_the_rims(tmp_path: Path) -> None:
    model = onnx.load(RIM_GRAPH)
    (bias,) = (each for each in model.graph.initializer if each.name == "delta.bias")
    bias.CopyFrom(onnx.numpy_helper.from_array(onnx.numpy_helper.to_array(bias) + 2, "delta.bias"))
    (tmp_path / "larger.onnx").write_bytes(model.SerializeToString())
    (one,) = measure_outlines(find_known(iter([draw_discs()]), 1, 3), tmp_path / "larger.onnx")
    assert one.size is not None
    assert one.size.ellipse.length_px > 1.05 * one.known.truth.length_px


def test_folder_without_a_set_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--data", str(tmp_path)]) == 1
    assert "has no annotations.json" in capsys.readouterr().err
