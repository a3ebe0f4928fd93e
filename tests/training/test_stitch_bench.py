from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from training.stitch_bench import (
    ScanFiles,
    judge_places,
    list_neighbours,
    main,
    measure_off_px,
    measure_reference,
)
from training.synthesize.scan import Scan, ScanPlan
from triage.stitch.records import LeftOut, Part, Placed, Stitching

TRUE_XY = np.array([(column * 100.0, row * 80.0) for row in range(3) for column in range(3)])


def turn(places_xy: np.ndarray, angle_deg: float) -> np.ndarray:
    angle = np.deg2rad(angle_deg)
    return places_xy @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def test_shift_and_turn_of_the_whole_mosaic_are_no_error() -> None:
    assert measure_off_px(turn(TRUE_XY, 1.0) + 7, TRUE_XY).max() < 1e-9


def test_one_wrong_place_does_not_spoil_the_others() -> None:
    found = TRUE_XY.copy()
    found[4] += (0, 50)
    off = measure_off_px(found, TRUE_XY)
    assert off[4] == pytest.approx(50, abs=0.5) and np.delete(off, 4).max() < 0.5


def place(number: int, x: float, y: float, by: str = "overlap") -> Placed:
    return Placed(number, f"{number}.png", x, y, 0.0, 1.0, 0.1, by, 2)


def make_stitching(placed: list[Placed], left_out: tuple[LeftOut, ...] = ()) -> Stitching:
    return Stitching((240, 300), (80, 100), None, tuple(placed), left_out, 8, 0, 0.1)


@pytest.fixture
def scan() -> Scan:
    blank = np.arange(9) == 8
    return Scan([np.zeros((80, 100, 3), np.uint8)] * 9, TRUE_XY, np.zeros(9), blank)


FILES = ScanFiles((), {f"{number}.png": number for number in range(9)})


def test_wrong_and_foreign_fields_are_counted(scan: Scan) -> None:
    placed = [place(number, *TRUE_XY[number]) for number in range(8)]
    good = judge_places(make_stitching(placed, (LeftOut(8, "8.png", "It is blank."),)), FILES, scan)
    assert (good["wrong_unreported"], good["max_px"], good["left_out_blank"]) == (0, 0, 1)
    placed[3] = place(3, TRUE_XY[3][0] + 4, TRUE_XY[3][1])
    foreign = Placed(9, "stranger.png", 5, 5, 0.0, 1.0, 0.1, "overlap", 1)
    bad = judge_places(make_stitching([*placed, foreign]), FILES, scan)
    assert bad["wrong_unreported"] == 2


@pytest.mark.parametrize(("moved_px", "off_px"), [(0.0, 0.0), (6.0, 3.0)])
def test_part_of_two_fields_is_laid_by_their_turns(scan: Scan, moved_px: float, off_px: float) -> None:
    tilt_deg = 0.7
    laid_xy = turn(TRUE_XY[[2, 5]], -tilt_deg)
    laid_xy[1, 0] += moved_px
    part = Part(
        (160, 100),
        tuple(
            Placed(n, f"{n}.png", x, y, tilt_deg, 1.0, 0.1, "overlap", 1)
            for n, (x, y) in zip((2, 5), laid_xy.tolist(), strict=True)
        ),
    )
    stitching = replace(
        make_stitching([place(number, *TRUE_XY[number]) for number in (0, 1, 3)]), parts=(part,)
    )
    judged = judge_places(stitching, FILES, scan)["parts"]
    assert judged == [{"fields": 2, "max_px": pytest.approx(off_px, abs=1e-3), "foreign": 0}]


def test_field_placed_by_regularity_is_judged_apart(scan: Scan) -> None:
    placed = [place(number, *TRUE_XY[number]) for number in range(8)]
    judged = judge_places(make_stitching([*placed, place(8, 200, 168, "regularity")]), FILES, scan)
    assert (judged["wrong_unreported"], judged["by_regularity"], judged["by_regularity_max_px"]) == (0, 1, 8)


def test_neighbours_of_a_serpentine() -> None:
    assert list_neighbours(ScanPlan(rows=2, columns=2)) == [(0, 1), (3, 2), (0, 3), (1, 2)]


def test_reference_finds_the_places_of_a_plain_scan() -> None:
    pytest.importorskip("skimage")
    rng = np.random.default_rng(1)
    slide = np.kron(rng.integers(90, 230, (60, 70, 1)), np.ones((4, 4, 3))).astype(np.uint8)
    plan = ScanPlan(rows=2, columns=2, field_hw=(80, 100), overlap=0.4)
    corners = np.array([(0, 0), (62, 2), (59, 50), (1, 47)])
    fields = [slide[y : y + 80, x : x + 100] for x, y in corners]
    scan = Scan(fields, corners.astype(float), np.zeros(4), np.zeros(4, dtype=bool))
    assert measure_reference(scan, plan)["max_px"] < 1.5


@pytest.mark.parametrize(
    "arguments",
    [("--rows", "1"), ("--overlap", "0"), ("--blank", "1"), ("--height", "32"), ("--by-regularity",)],
)
def test_main_refuses_bad_numbers(arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(list(arguments))
    assert "error: --" in capsys.readouterr().err


def test_main_prints_the_figures_of_a_tiny_scan(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reference = {"median_px": 1.0, "max_px": 2.0, "wrong": 0, "seconds": 1.0, "seconds_a_pair": 0.1}
    monkeypatch.setattr("training.stitch_bench.measure_reference", lambda scan, plan: reference)
    size = ("--rows", "3", "--columns", "3", "--height", "240", "--width", "320", "--overlap", "0.3")
    assert main([*size, "--seed", "1", "--jitter", "6"]) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures["places"]["wrong_unreported"] == 0 and figures["places"]["placed"] >= 7
    assert figures["places"]["median_px"] <= 1 and figures["places"]["max_px"] <= 3
    assert figures["processor_seconds"].keys() == figures["seconds"].keys() == {"read", "place", "write"}
    assert figures["ratio_of_placing_seconds"] == pytest.approx(figures["seconds"]["place"], abs=1e-3)
