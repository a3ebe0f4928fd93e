"""Measure drawn objects of known size, and say how far off the sizes and their stated uncertainties are.

    python -m training.measure_bench [--n 200] [--seed 7] [--data SET] [--fit]

prints, by group and by focus, the bias of length and width, the median error, the median of the stated
standard uncertainty, how often the stated 95 % interval holds the truth (each share with its own interval),
and for how many no outline was found; beside it the same diameters as scikit-image's `regionprops` and
OpenCV's `fitEllipse` give for the outlined area. `--data` measures the ellipses of a labelled set instead.
`--fit` prints by how much the stated uncertainties would have to be widened on these objects; check it on
another seed. The drawn objects are none that the network of `triage.rim` learnt. The search starts from the
true ellipse, disturbed about as much as the detector's own is.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray

from training.guesses import disturb_guess
from training.metrics import wilson_interval
from triage.errors import TriageError
from triage.groups import candidate_groups, read_groups
from triage.images import Picture, open_picture
from triage.outline import NoOutline, Outline, find_outlines
from triage.records import Ellipse
from triage.rim import find_shell_edge
from triage.shell import LENGTH_SD_FACTOR, WIDTH_SD_FACTOR, ShellSize, measure_shell

Floats = NDArray[np.float64]

SIDE_PX = 400
FOCUS_STRATA = ((0.0, 0.3, "sharp"), (0.3, 1.0, "soft"), (1.0, np.inf, "blurred"))
"""In depths of field, wavelength over NA²."""
COVERAGE_FACTOR = 1.96
_LEAST_WIDTH_PX = 12.0
_LEAST_SHOWN = 0.95
# Drawing a stock costs more than a picture, so that only a few are used; none that the rim network learnt.
_STOCKS_USED = 2
_FIRST_STOCK = 12
_MASK_FACTOR = 4


@dataclass(frozen=True)
class KnownObject:
    """An object of known ellipse, with the group and focus that it is counted under."""

    truth: Ellipse
    group: str
    focus: str


@dataclass(frozen=True)
class Measured:
    """A known object and what came of measuring it; `outline` and `size` are None where none was found."""

    known: KnownObject
    outline: Outline | None
    size: ShellSize | None


KnownPicture = tuple[Picture, list[KnownObject]]


def draw_known(seed: int) -> Iterator[KnownPicture]:
    """Endless drawn pictures, group after group, each with its whole, uncovered objects that stand alone."""
    # Drawing needs torch, which measuring a labelled set doesn't.
    from training.synthesize.kinds import KINDS
    from training.synthesize.kinds.kind import Kind
    from training.synthesize.render import render_scenes
    from training.synthesize.scene import draw_scene
    from training.synthesize.stock import STOCKS_OF_A_KIND, Stock, draw_stock
    from training.synthesize.style import FIELD

    style = replace(
        FIELD,
        name="measured",
        object_px=(28.0, 260.0),
        least_candidates=1,
        candidates_per_mpx=(5.0, 25.0),
        look_alikes_per_mpx=(0.0, 6.0),
        centred=True,
        cluster_share=0.05,
        clutter=(0.0, 0.5),
        softness=(0.05, 1.6),
        eyepiece_share=0.0,
        marks_share=0.0,
    )
    first = _FIRST_STOCK + seed * _STOCKS_USED % (STOCKS_OF_A_KIND - _FIRST_STOCK)

    @cache
    def few_stocks(kind: Kind, number: int) -> Stock:
        return draw_stock(kind, first + number % _STOCKS_USED)

    groups = candidate_groups()
    for index in count():
        group = groups[index % len(groups)]
        kinds = {
            name: kind for name, kind in KINDS.items() if kind.group == group or kind.group not in groups
        }
        scene = draw_scene(seed, index, style, (SIDE_PX, SIDE_PX), kinds=kinds, stocks=few_stocks)
        tiles, truths = render_scenes([scene], kinds=kinds)
        pixels = tiles[0].permute(1, 2, 0).contiguous().numpy()
        picture = Picture(pyvips.Image.new_from_array(pixels), file_name="drawn", sha256="")
        yield picture, _known_objects(truths[0])


def _known_objects(truth: Any) -> list[KnownObject]:
    names = [group.name for group in read_groups()]
    known = []
    for row, label in enumerate(truth.labels):
        is_whole = not truth.is_truncated[row] and truth.shown[row] >= _LEAST_SHOWN
        if names[label] in candidate_groups() and is_whole and truth.ellipses[row, 3] >= _LEAST_WIDTH_PX:
            ellipse = Ellipse(*(float(value) for value in truth.ellipses[row]))
            if _stands_alone(ellipse, truth.ellipses):
                known.append(KnownObject(ellipse, names[label], name_focus(float(truth.focus_depths[row]))))
    return known


def _stands_alone(ellipse: Ellipse, all_ellipses: Floats) -> bool:
    """Whether none of the others can touch it, whatever their tilt."""
    apart = np.hypot(all_ellipses[:, 0] - ellipse.cx, all_ellipses[:, 1] - ellipse.cy)
    return int((apart < 0.55 * (all_ellipses[:, 2] + ellipse.length_px)).sum()) == 1


def name_focus(depths: float) -> str:
    """The stratum of an object so many depths of field away from the plane of focus."""
    return next(name for low, high, name in FOCUS_STRATA if low <= depths < high)


def read_known(folder: Path) -> Iterator[KnownPicture]:
    """Pictures of a labelled set with the ellipses that a person drew; cut objects are left out.

    Raises
    ------
    RecordError
        If the folder holds no labelled set.
    ImageError
        If a picture can't be read.
    """
    from triage.errors import RecordError

    try:
        coco = json.loads((folder / "annotations.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise RecordError(
            f"{folder} has no annotations.json that can be read ({err}). Give a labelled set's folder."
        ) from err
    groups = {category["id"]: category["name"] for category in coco["categories"]}
    for image in coco["images"]:
        known = [
            KnownObject(_to_ellipse(one["ellipse"]), groups[one["category_id"]], "unknown")
            for one in coco["annotations"]
            if one["image_id"] == image["id"] and one.get("ellipse") and not one.get("truncated")
        ]
        if known:
            with open_picture(folder / "images" / image["file_name"]) as picture:
                yield picture, known


def _to_ellipse(drawn: dict[str, float]) -> Ellipse:
    length = drawn["major_px"] if "major_px" in drawn else drawn["length_px"]
    width = drawn["minor_px"] if "minor_px" in drawn else drawn["width_px"]
    return Ellipse(drawn["cx"], drawn["cy"], length, width, drawn["angle_deg"])


def measure_known(pictures: Iterator[KnownPicture], n: int | None, seed: int) -> list[Measured]:
    """The first `n` objects (None: all) measured from disturbed guesses."""
    rng = np.random.default_rng(seed)
    measured: list[Measured] = []
    for picture, known in pictures:
        found = find_outlines(picture, [disturb_guess(one.truth, rng) for one in known])
        for one, outline in zip(known, found, strict=True):
            if isinstance(outline, NoOutline):
                measured.append(Measured(one, None, None))
            else:
                measured.append(Measured(one, outline, measure_shell(outline)))
        if n is not None and len(measured) >= n:
            return measured[:n]
    return measured


def describe(measured: Sequence[Measured]) -> dict[str, float | int | None]:
    """Figures of some objects: count, share without outline, bias, scatter, coverage; None without any.

    `bias_margin` is half the bias's 95 % interval, `coverage_low` and `coverage_high` are Wilson's; lengths
    are relative to the true ones.
    """
    found = [(one.known.truth, one.size) for one in measured if one.size is not None]
    figures: dict[str, float | int | None] = {
        "n": len(measured),
        "no_outline": round(1 - len(found) / len(measured), 3) if measured else None,
    }
    if not found:
        return figures
    errors = np.array(
        [(s.ellipse.length_px / t.length_px - 1, s.ellipse.width_px / t.width_px - 1) for t, s in found]
    )
    z = np.array(
        [
            (
                (s.ellipse.length_px - t.length_px) / s.length_px_sd,
                (s.ellipse.width_px - t.width_px) / s.width_px_sd,
            )
            for t, s in found
        ]
    )
    sds = np.array([(s.length_px_sd / t.length_px, s.width_px_sd / t.width_px) for t, s in found])
    for column, side in enumerate(("length", "width")):
        error = errors[:, column]
        figures[f"{side}_bias"] = round(float(error.mean()), 4)
        figures[f"{side}_median"] = round(float(np.median(error)), 4)
        figures[f"{side}_median_abs"] = round(float(np.median(np.abs(error))), 4)
        figures[f"{side}_within_8_percent"] = round(float((np.abs(error) <= 0.08).mean()), 3)
        n_covered = int((np.abs(z[:, column]) <= COVERAGE_FACTOR).sum())
        low, high = wilson_interval(n_covered, len(found))
        margin = (
            COVERAGE_FACTOR * float(error.std(ddof=1)) / math.sqrt(len(found)) if len(found) > 1 else None
        )
        figures[f"{side}_bias_margin"] = None if margin is None else round(margin, 4)
        figures[f"{side}_median_sd"] = round(float(np.median(sds[:, column])), 4)
        figures[f"{side}_coverage_95"] = round(n_covered / len(found), 3)
        figures[f"{side}_coverage_low"], figures[f"{side}_coverage_high"] = round(low, 3), round(high, 3)
    return figures


def describe_others(measured: Sequence[Measured]) -> dict[str, dict[str, float]]:
    """Length and width of the same outlined areas by other programs: bias and median absolute error."""
    ways: dict[str, Callable[[NDArray[np.uint8]], tuple[float, float]]] = {"cv2.fitEllipse": _fit_ellipse}
    try:
        from skimage.measure import regionprops
    except ImportError:
        print("scikit-image isn't installed, so regionprops is left out (extra `bench`).", file=sys.stderr)
    else:

        def _by_moments(mask: NDArray[np.uint8]) -> tuple[float, float]:
            region = regionprops(mask)[0]
            return float(region.axis_major_length), float(region.axis_minor_length)

        ways["skimage.measure.regionprops"] = _by_moments
    found = [one for one in measured if one.outline is not None]
    figures = {}
    for name, way in ways.items() if found else ():
        errors = []
        for one in found:
            assert one.outline is not None
            length, width = (
                side / _MASK_FACTOR for side in way(draw_mask(find_shell_edge(one.outline).points))
            )
            errors.append((length / one.known.truth.length_px - 1, width / one.known.truth.width_px - 1))
        both = np.array(errors)
        figures[name] = {
            "length_bias": round(float(both[:, 0].mean()), 4),
            "length_median_abs": round(float(np.median(np.abs(both[:, 0]))), 4),
            "width_bias": round(float(both[:, 1].mean()), 4),
            "width_median_abs": round(float(np.median(np.abs(both[:, 1]))), 4),
        }
    return figures


def draw_mask(points: Floats) -> NDArray[np.uint8]:
    """The area inside a closed outline (K, 2), at `_MASK_FACTOR` mask pixels to a pixel."""
    placed = (points - points.min(axis=0)) * _MASK_FACTOR + 2
    width, height = np.ceil(placed.max(axis=0)).astype(int) + 3
    mask = np.zeros((height, width), dtype=np.uint8)
    # Pixel edges are whole numbers, and the filled polygon's own rim is half a pixel thick.
    inner = placed - 0.5
    cv2.fillPoly(mask, [np.round(inner * 16).astype(np.int32)], 1, lineType=cv2.LINE_8, shift=4)
    return mask


def _fit_ellipse(mask: NDArray[np.uint8]) -> tuple[float, float]:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, sides, _ = cv2.fitEllipse(max(contours, key=len))
    # The contour runs through the middles of the outermost pixels.
    return max(sides) + 1.0, min(sides) + 1.0


def fit_factors(measured: Sequence[Measured]) -> dict[str, float]:
    """Factors on the rim network's own uncertainties under which 1.96 of them cover 95 % of these errors."""
    found = [(one.known.truth, one.size) for one in measured if one.size is not None]
    length = [abs(size.ellipse.length_px - truth.length_px) / size.length_px_sd for truth, size in found]
    width = [abs(size.ellipse.width_px - truth.width_px) / size.width_px_sd for truth, size in found]
    return {
        name: round(float(np.quantile(z, 0.95)) / COVERAGE_FACTOR * now, 3)
        for name, z, now in (
            ("LENGTH_SD_FACTOR", length, LENGTH_SD_FACTOR),
            ("WIDTH_SD_FACTOR", width, WIDTH_SD_FACTOR),
        )
    }


def print_table(measured: Sequence[Measured]) -> None:
    """One line a group, one a stratum of focus, one for all; errors in % of the true side."""
    print(f"{'':<22}{'n':>6}{'no outline':>12}", end="")
    for side in ("length", "width"):
        print(
            f" | {side + ' bias %':>15}{'median':>8}{'stated sd':>11}{'within 8 %':>12}{'covered':>22}",
            end="",
        )
    print()
    keys: list[tuple[str, Callable[[Measured], bool]]] = [
        (name, lambda one, name=name: one.known.group == name)  # type: ignore[misc]
        for name in dict.fromkeys(one.known.group for one in measured)
    ]
    keys += [
        (name, lambda one, name=name: one.known.focus == name)  # type: ignore[misc]
        for name in dict.fromkeys(one.known.focus for one in measured)
    ]
    for name, belongs in [*keys, ("all", lambda one: True)]:
        print(_write_line(name, describe([one for one in measured if belongs(one)])))


def _write_line(name: str, figures: dict[str, float | int | None]) -> str:
    line = f"{name:<22}{figures['n']:>6}{figures['no_outline']!s:>12}"
    for side in ("length", "width"):
        if f"{side}_bias" not in figures:
            continue
        bias, margin, median, sd, within, covered, low, high = (
            figures[f"{side}_{name}"] or 0.0
            for name in (
                "bias",
                "bias_margin",
                "median_abs",
                "median_sd",
                "within_8_percent",
                "coverage_95",
                "coverage_low",
                "coverage_high",
            )
        )
        line += f" | {100 * bias:>+7.1f} ± {100 * margin:>4.1f} {100 * median:>7.1f}{100 * sd:>11.1f}"
        line += f"{100 * within:>12.1f}{100 * covered:>8.1f} ({100 * low:>4.1f} to {100 * high:>5.1f})"
    return line


def main(arguments: list[str] | None = None) -> int:
    """Measure as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.measure_bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--n", type=int, default=200, help="drawn objects to measure")
    parser.add_argument("--seed", type=int, default=7, help="which objects are drawn, how guesses are off")
    parser.add_argument("--data", type=Path, help="labelled set whose ellipses to measure instead")
    parser.add_argument("--fit", action="store_true", help="print fitted terms of the uncertainty")
    options = parser.parse_args(arguments)
    try:
        pictures = read_known(options.data) if options.data else draw_known(options.seed)
        measured = measure_known(pictures, None if options.data else options.n, options.seed)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print_table(measured)
    for name, figures in describe_others(measured).items():
        print(name, json.dumps(figures))
    if options.fit:
        for name, factor in fit_factors(measured).items():
            print(name, factor)
    return 0


if __name__ == "__main__":
    sys.exit(main())
