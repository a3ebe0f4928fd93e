from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import onnx
import pytest
import pyvips

from training import measure_bench
from training.known_pictures import (
    KnownObject,
    _known_objects,
    draw_plain_known,
    match_outlines,
    name_focus,
    signed_depths,
)
from training.measure_bench import (
    describe_others,
    draw_mask,
    find_known,
    main,
    measure_known,
    measure_outlines,
)
from training.measure_tables import (
    Measured,
    describe,
    find_margin,
    judge_interval,
    print_table,
)
from training.synthesize.kinds import KINDS, flukes
from training.synthesize.stock import draw_stock
from triage.groups import read_groups
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
        known.append(KnownObject(Ellipse(x, y, length, width, 25.0), "oocyst", "sharp", f"{x}/{y}"))
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


def test_bounds_are_met_missed_or_open_by_the_whole_interval() -> None:
    wanted = (0.93, 0.97)
    assert judge_interval((0.935, 0.969), wanted) == "met"
    assert judge_interval((0.80, 0.92), wanted) == judge_interval((0.98, 1.0), wanted) == "missed"
    assert judge_interval((0.92, 0.96), wanted) == judge_interval((0.94, 1.0), wanted) == "open"


def test_objects_of_one_picture_count_as_one_where_they_err_together() -> None:
    rng = np.random.default_rng(1)
    apart = rng.normal(0, 0.02, 400)
    each = [str(number) for number in range(400)]
    # 97.5 % points of Student's t with 399, 99 and 2 degrees of freedom: 1.9659, 1.9842, 4.3027 (tables).
    assert find_margin(apart, each) == pytest.approx(1.9659 * apart.std(ddof=1) / 20, rel=1e-4)
    fours = np.repeat(apart[:100], 4), np.repeat(each[:100], 4).tolist()
    assert find_margin(*fours) == pytest.approx(1.9842 * apart[:100].std(ddof=1) / 10, rel=1e-4)
    assert find_margin(apart[:3], each[:3]) == pytest.approx(
        4.3027 * apart[:3].std(ddof=1) / np.sqrt(3), rel=1e-4
    )
    assert find_margin(apart, ["one"] * 400) is None


def test_table_tells_group_and_focus_apart(
    measured: list[Measured], capsys: pytest.CaptureFixture[str]
) -> None:
    blurred = [
        replace(one, known=replace(one.known, focus="blurred, above", kind=kind))
        for one, kind in zip(measured[:2], ("eimeria_oocyst", "sporulated_oocyst"), strict=True)
    ]
    other = [replace(one, known=replace(one.known, group="giardia_cyst")) for one in measured[2:3]]
    print_table([*measured[3:], *blurred, *other])
    lines = {line[:37].strip(): line for line in capsys.readouterr().out.splitlines()}
    counts = {name: line[37:].split()[0] for name, line in lines.items() if name}
    assert counts == {
        "oocyst": "6",
        "giardia_cyst": "1",
        "eimeria_oocyst": "1",
        "sporulated_oocyst": "1",
        "sharp": "5",
        "blurred, above": "2",
        "oocyst, sharp": "4",
        "oocyst, blurred, above": "2",
        "giardia_cyst, sharp": "1",
        "all": "7",
    }
    assert "open" in lines["oocyst, blurred, above"] and lines["all"].count("met") == 2


def test_others_measure_the_same_areas(measured: list[Measured]) -> None:
    figures = describe_others(measured)["cv2.fitEllipse"]
    assert abs(figures["length_bias"]) < 0.015 and abs(figures["width_bias"]) < 0.015


def test_mask_has_the_area_of_the_outline() -> None:
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    points = np.stack([30 * np.cos(angle) + 50, 20 * np.sin(angle) + 50], axis=1)
    assert draw_mask(points).sum() / 16 == pytest.approx(np.pi * 30 * 20, rel=0.02)


def test_focus_is_told_by_side() -> None:
    truth = SimpleNamespace(focus_depths=np.array([0.5, 2.0]), focus_um=np.array([3.0, -9.0]))
    assert [signed_depths(truth, row) for row in (0, 1)] == [0.5, -2.0]


def test_drawn_objects_have_the_sides_that_the_tool_measures() -> None:
    # A bar of 90 x 20 µm drawn slantwise in its own frame, which its sides in that frame don't tell.
    turn, corners = np.deg2rad(30), np.array([[45, 10], [-45, 10], [-45, -10], [45, -10]], np.float32)
    slant = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    things = SimpleNamespace(
        outline_um=slant[None], angle_rad=np.array([0.2]), centre_xy=np.array([[200.0, 150.0]])
    )
    scene = SimpleNamespace(objects={"bar": things}, um_per_px=0.5)
    truth = SimpleNamespace(
        labels=[[group.name for group in read_groups()].index("oocyst")],
        is_truncated=[False],
        shown=[1.0],
        ellipses=np.array([[200.0, 150.0, 175.0, 125.0, 0.0]]),
        focus_um=[0.0],
        focus_depths=[0.0],
        kinds=("cystoisospora_large",),
    )
    (known,) = _known_objects(scene, truth, "a")
    assert (known.group, known.focus, known.picture) == ("oocyst", "sharp", "a")
    assert known.kind == "cystoisospora_large"
    assert (known.truth.length_px, known.truth.width_px) == (pytest.approx(180), pytest.approx(40))
    assert known.truth.angle_deg == pytest.approx(30 + np.rad2deg(0.2))


def test_shut_lids_leave_no_corners_beside_the_egg() -> None:
    stock = draw_stock(flukes.KINDS[2], 12)
    shut = stock.parameters["opened"] == 0
    for outlines, least in (
        (flukes.outline_seen(stock.parameters)[shut], 0.97),
        (stock.outline_um[shut], 0.0),
    ):
        filled = [cv2.contourArea(one) / cv2.contourArea(cv2.convexHull(one)) for one in outlines]
        assert min(filled) > least
    assert min(filled) < 0.97


def test_spines_are_left_out_of_what_is_measured() -> None:
    stock = draw_stock(KINDS["spined_egg"], 12)
    n = len(stock.outline_um)
    centre = np.column_stack([500.0 * np.arange(n), np.zeros(n)])
    things = SimpleNamespace(
        outline_um=stock.outline_um, parameters=stock.parameters, angle_rad=np.zeros(n), centre_xy=centre
    )
    scene = SimpleNamespace(objects={"spined_egg": things}, um_per_px=1.0)
    shells = match_outlines(scene, SimpleNamespace(ellipses=centre)) - centre[:, None]
    for shell, whole in zip(shells.astype(np.float32), stock.outline_um, strict=True):
        beyond = [-cv2.pointPolygonTest(shell, tuple(map(float, point)), True) for point in whole]
        # Spines are drawn 9 to 25 µm long, of which 2 to 6 µm lie within the shell.
        assert 2 < max(beyond) < 25
        assert np.median(beyond) < 2


def test_cysts_are_stated_less_surely_than_the_same_form_of_another_group() -> None:
    picture, known = draw_discs()
    ((disc, outline),) = find_known([(picture, known[:1])], None, 1)
    pairs = [(replace(disc, group=group), outline) for group in ("oocyst", "giardia_cyst")]
    other, cyst = (one.size for one in measure_outlines(pairs, RIM_GRAPH))
    assert other is not None and cyst is not None
    assert cyst.length_px_sd > 1.05 * other.length_px_sd


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
    assert main(["--data", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert next(line for line in lines if line.startswith("oocyst")).split()[1:3] == ["4", "0.0"]


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
    monkeypatch.setattr(measure_bench, "draw_known", lambda seed, device: iter([draw_discs()] * 2))
    asked = ["--seed", "1", "2", "--workers", "2", "--n", "5", "--save", str(tmp_path)]
    asked += ["--found", str(tmp_path / "found")]
    assert main(asked) == 0
    first = capsys.readouterr().out
    # What was found is not drawn again.
    monkeypatch.setattr(measure_bench, "draw_known", lambda seed, device: iter([]))
    assert main(asked) == 0
    assert capsys.readouterr().out == first
    assert ["all", "10"] in [line.split()[:2] for line in first.splitlines()]
    with (tmp_path / "sizes_0.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["seed"] for row in rows] == ["1"] * 5 + ["2"] * 5 and rows[0] != rows[5]
    for row in rows:
        assert float(row["length_px"]) == pytest.approx(float(row["true_length_px"]), rel=0.02)
        assert 0 < float(row["length_relative_sd"]) < 0.05
        assert (row["kind"], row["read_px"]) == ("", "1")


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
