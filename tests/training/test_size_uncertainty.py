from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from training.size_uncertainty import (
    Errors,
    choose_pixel_sd,
    fit_factor,
    fit_group_factors,
    main,
    score_intervals,
    state_sd,
)


def draw_errors(n: int, factor: float, pixel_sd: float, seed: int = 1) -> Errors:
    """Normal errors, as wide as a factor and a part in pixels say."""
    rng = np.random.default_rng(seed)
    own, read = rng.uniform(0.3, 3.0, n), rng.choice([1.0, 2.0], n)
    error = rng.normal(size=n) * np.hypot(factor * own, pixel_sd * read)
    return Errors(error, np.full(n, 60.0), own, read)


@pytest.mark.parametrize(("factor", "pixel_sd"), [(1.3, 0.0), (0.9, 0.4)])
def test_factor_is_that_of_the_errors_and_covers_95_percent(factor: float, pixel_sd: float) -> None:
    errors = draw_errors(40000, factor, pixel_sd)
    fitted = fit_factor(errors, pixel_sd)
    assert fitted == pytest.approx(factor, rel=0.03)
    covered = np.abs(errors.error_px) <= 1.96 * state_sd(errors, fitted, pixel_sd)
    assert covered.mean() == pytest.approx(0.95, abs=1e-3)


@pytest.mark.parametrize("pixel_sd", [0.0, 0.4])
def test_part_in_pixels_is_found_where_there_is_one(pixel_sd: float) -> None:
    sides = [draw_errors(20000, 0.9, pixel_sd, seed) for seed in (1, 2)]
    chosen = choose_pixel_sd(sides, np.arange(20000) % 2 == 1)
    assert chosen == pytest.approx(pixel_sd, abs=0.1)


def test_group_factor_is_how_much_more_a_group_errs_than_is_stated() -> None:
    sides = [draw_errors(20000, 1.0, 0.0, seed) for seed in (3, 4)]
    groups = np.where(np.arange(20000) < 6000, "giardia_cyst", "oocyst")
    sds_px = [np.where(groups == "oocyst", 1.0, 0.8) * side.own_sd_px for side in sides]
    factors = fit_group_factors(sides, sds_px, groups)
    assert factors == pytest.approx({"giardia_cyst": 1.25, "oocyst": 1.0}, rel=0.03)


def test_score_is_width_and_forty_times_what_lies_beyond() -> None:
    errors = Errors(np.array([0.0, -3.0]), np.array([10.0, 20.0]), np.ones(2), np.ones(2))
    # By hand: 2 / 0.05 is 40; (3.92 + 0) / 10 and (3.92 + 40 * 1.04) / 20.
    assert score_intervals(errors, np.ones(2)) == pytest.approx((0.392 + 2.276) / 2)


def test_files_of_both_halves_are_needed_and_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = ["seed", "group", "true_length_px", "true_width_px", "length_px", "width_px"]
    names += ["length_relative_sd", "width_relative_sd", "read_px"]
    for seed in (1, 2):
        with (tmp_path / f"{seed}.csv").open("w", newline="", encoding="utf-8") as file:
            lines = csv.writer(file)
            lines.writerow(names)
            lines.writerows(
                (seed, "oocyst", 50, 40, 50 + step / 10, 40 + step / 9, 0.02, 0.02, 1) for step in range(10)
            )
    assert main([str(tmp_path / "1.csv")]) == 1
    assert "All 10 outlines are of odd or all of even seeds" in capsys.readouterr().err
    assert main([str(tmp_path / "1.csv"), str(tmp_path / "2.csv")]) == 0
    said = capsys.readouterr().out
    assert said.startswith("20 outlines\nPIXEL_SD 0.")
    assert "\nLENGTH_SD_FACTOR 0." in said
    assert "\noocyst 1." in said
