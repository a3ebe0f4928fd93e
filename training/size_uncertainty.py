"""Choose what the stated uncertainties of sizes are made of, on outlines that the rim network did not learn.

    python -m training.size_uncertainty runs/one/sizes_0.csv runs/other/sizes_0.csv

reads what `training.measure_bench --save` wrote. What is stated is `hypot(factor * own, PIXEL_SD)`: what the
network says of itself times a factor for length or width, and a part in pixels of the picture that was read,
the same for both. Factors are such that 1.96 of it cover 95 % of the errors. The part in pixels is the one
with the lowest interval score, where factors of the odd seeds are scored on the even ones and the other way
round (they draw from different stocks); it is 0 where none is better in both. A line for each group says by
what factor more both uncertainties would cover 95 % of its errors. One that odd and even seeds both ask for,
and that other seeds bear out, becomes the group's own (`triage.shell.GROUP_SD_FACTORS`).
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from training.measure_tables import COVERAGE_FACTOR

Floats = NDArray[np.float64]

_COVERED = 0.95
_PIXEL_SDS = tuple(round(0.05 * step, 2) for step in range(11))
_SIDES = ("length", "width")


@dataclass(frozen=True)
class Errors:
    """What one side was read as, outline by outline.

    Attributes
    ----------
    error_px, size_px, own_sd_px : ndarray of shape (N,)
        Size found less true size, size found, and what the network says of its error.
    read_px : ndarray of shape (N,)
        Width of a pixel of the picture that was read; 1, or more where a reduced copy was.
    """

    error_px: Floats
    size_px: Floats
    own_sd_px: Floats
    read_px: Floats

    def of(self, rows: NDArray[np.bool_]) -> Errors:
        """Those of some outlines."""
        return Errors(*(each[rows] for each in vars(self).values()))


def read_errors(rows: Sequence[dict[str, str]], side: str) -> Errors:
    """Errors of `length` or `width` in rows that `training.measure_bench` saved."""
    truth, found, relative, read = (
        np.array([float(row[name]) for row in rows])
        for name in (f"true_{side}_px", f"{side}_px", f"{side}_relative_sd", "read_px")
    )
    return Errors(found - truth, found, relative * found, read)


def fit_factor(errors: Errors, pixel_sd: float) -> float:
    """Factor on the network's own uncertainty under which 95 % of the errors are covered."""
    left = (errors.error_px / COVERAGE_FACTOR) ** 2 - (pixel_sd * errors.read_px) ** 2
    return float(np.quantile(np.sqrt(left.clip(0)) / errors.own_sd_px, _COVERED))


def state_sd(errors: Errors, factor: float, pixel_sd: float) -> Floats:
    """What is stated, in pixels, as `triage.shell` does."""
    stated: Floats = np.hypot(factor * errors.own_sd_px, pixel_sd * errors.read_px)
    return stated


def score_intervals(errors: Errors, sd_px: Floats) -> float:
    """Mean interval score of the 95 % intervals, as a share of the size: lower is better.

    References
    ----------
    T. Gneiting & A. E. Raftery, J. Am. Stat. Assoc. 102 (2007) 359-378, eq. 43 (from memory).
    """
    half = COVERAGE_FACTOR * sd_px
    beyond = (np.abs(errors.error_px) - half).clip(0)
    return float(((2 * half + 2 / (1 - _COVERED) * beyond) / errors.size_px).mean())


def choose_pixel_sd(sides: Sequence[Errors], is_odd: NDArray[np.bool_]) -> float:
    """The part in pixels, out of 0 to 0.5."""
    scores = np.array([_cross_scores(sides, is_odd, pixel_sd) for pixel_sd in _PIXEL_SDS])
    is_better = (scores <= scores[0]).all(axis=1)
    return _PIXEL_SDS[int(np.where(is_better, scores.mean(axis=1), np.inf).argmin())]


def _cross_scores(sides: Sequence[Errors], is_odd: NDArray[np.bool_], pixel_sd: float) -> list[float]:
    """Scores of the even seeds and of the odd ones, mean of the sides, with factors of the others."""
    scores = []
    for judged in (~is_odd, is_odd):
        own = [
            score_intervals(
                side.of(judged),
                state_sd(side.of(judged), fit_factor(side.of(~judged), pixel_sd), pixel_sd),
            )
            for side in sides
        ]
        scores.append(float(np.mean(own)))
    return scores


def fit_group_factors(
    sides: Sequence[Errors], sds_px: Sequence[Floats], groups: NDArray[np.str_]
) -> dict[str, float]:
    """Factor for each group on what is stated of each side, under which 95 % of both are covered."""
    beyond = np.array([np.abs(side.error_px) / sd for side, sd in zip(sides, sds_px, strict=True)])
    return {
        str(group): float(np.quantile(beyond[:, groups == group], _COVERED)) / COVERAGE_FACTOR
        for group in np.unique(groups)
    }


def main(arguments: list[str] | None = None) -> int:
    """Print the part in pixels and the factors."""
    parser = argparse.ArgumentParser(
        prog="python -m training.size_uncertainty", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("sizes", type=Path, nargs="+", help="files that training.measure_bench --save wrote")
    rows: list[dict[str, str]] = []
    for path in parser.parse_args(arguments).sizes:
        with path.open(encoding="utf-8", newline="") as file:
            rows.extend(csv.DictReader(file))
    is_odd = np.array([int(row["seed"]) % 2 == 1 for row in rows])
    if is_odd.all() or not is_odd.any():
        print(f"All {len(rows)} outlines are of odd or all of even seeds; measure both.", file=sys.stderr)
        return 1
    sides = [read_errors(rows, name) for name in _SIDES]
    pixel_sd = choose_pixel_sd(sides, is_odd)
    print(f"{len(rows)} outlines\nPIXEL_SD {pixel_sd}")
    for name, side in zip(_SIDES, sides, strict=True):
        halves = ", ".join(f"{fit_factor(side.of(half), pixel_sd):.3f}" for half in (is_odd, ~is_odd))
        print(f"{name.upper()}_SD_FACTOR {fit_factor(side, pixel_sd):.3f} (odd and even seeds {halves})")
    _print_groups(sides, pixel_sd, np.array([row["group"] for row in rows]), is_odd)
    return 0


def _print_groups(
    sides: Sequence[Errors], pixel_sd: float, groups: NDArray[np.str_], is_odd: NDArray[np.bool_]
) -> None:
    sds_px = [state_sd(side, fit_factor(side, pixel_sd), pixel_sd) for side in sides]
    whole, odd, even = (
        fit_group_factors([side.of(part) for side in sides], [sd[part] for sd in sds_px], groups[part])
        for part in (np.ones_like(is_odd), is_odd, ~is_odd)
    )
    for group, factor in whole.items():
        halves = ", ".join(f"{half[group]:.2f}" if group in half else "-" for half in (odd, even))
        print(f"{group} {factor:.2f} (odd and even seeds {halves})")


if __name__ == "__main__":
    sys.exit(main())
