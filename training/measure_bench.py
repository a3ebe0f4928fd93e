"""Measure drawn objects of known size, and say how far off the sizes and their stated uncertainties are.

    python -m training.measure_bench [--n 200] [--seed 7] [--data SET | --plain] [--rim GRAPH ...]

prints, by group, by kind, by focus and by group and focus, the bias of length and width, the median error,
the median of the stated standard uncertainty, how often the stated 95 % interval holds the truth, and for how
many no outline was found; bias and coverage have intervals of their own, by which what is wanted of them is
met, missed, or open for want of objects. Beside it the same diameters as scikit-image's `regionprops` and
OpenCV's `fitEllipse` give for the outlined area. `--data` measures the ellipses of a labelled set instead,
`--plain` plain discs and rings. Several seeds are measured side by side (`--seed 7 8 9 --workers 3`, `--n`
of each); what the search found is kept in the folder of `--found`, so that a network that comes later is
judged on the same in less time. `--rim` judges networks that are not in use, with the factors of the one
that is. `--save` writes a line for each outline, from which `training.size_uncertainty` chooses how wide
uncertainties are stated. The drawn objects are none that the network of `triage.rim` learnt. The search
starts from the true ellipse, disturbed about as much as the detector's own is.
"""

from __future__ import annotations

import argparse
import csv
import json
import pickle
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from training.guesses import disturb_guess
from training.known_pictures import KnownObject, KnownPicture, draw_known, draw_plain_known, read_known
from training.measure_tables import Measured, print_table
from triage.errors import TriageError
from triage.outline import NoOutline, Outline, find_outlines
from triage.rim import RIM_GRAPH, find_shell_edge
from triage.shell import measure_shell

Floats = NDArray[np.float64]

_MASK_FACTOR = 4
_SAVED = (
    "seed",
    "group",
    "kind",
    "focus",
    "picture",
    "true_length_px",
    "true_width_px",
    "length_px",
    "width_px",
    "length_relative_sd",
    "width_relative_sd",
    "read_px",
)

Found = tuple[KnownObject, Outline | None]


def measure_known(pictures: Iterable[KnownPicture], n: int | None, seed: int) -> list[Measured]:
    """The first `n` objects (None: all) measured from disturbed guesses."""
    return measure_outlines(find_known(pictures, n, seed), RIM_GRAPH)


def find_known(pictures: Iterable[KnownPicture], n: int | None, seed: int) -> list[Found]:
    """The first `n` objects (None: all), and what the search from disturbed guesses finds of each."""
    rng = np.random.default_rng(seed)
    pairs: list[Found] = []
    for picture, known in pictures:
        found = find_outlines(picture, [disturb_guess(one.truth, rng) for one in known])
        for one, outline in zip(known, found, strict=True):
            pairs.append((one, None if isinstance(outline, NoOutline) else outline))
        if n is not None and len(pairs) >= n:
            return pairs[:n]
    return pairs


def measure_outlines(pairs: Sequence[Found], graph: Path) -> list[Measured]:
    """The sizes that the network of `graph` reads."""
    measured = []
    for known, outline in pairs:
        if outline is None:
            measured.append(Measured(known, None, None))
        else:
            edge = find_shell_edge(outline, graph)
            size = measure_shell(outline, edge, group_shares={known.group: 1.0})
            measured.append(Measured(known, outline, size, edge))
    return measured


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
    found = [(one.known.truth, one.edge) for one in measured if one.edge is not None]
    figures = {}
    for name, way in ways.items() if found else ():
        errors = []
        for truth, edge in found:
            length, width = (side / _MASK_FACTOR for side in way(draw_mask(edge.points)))
            errors.append((length / truth.length_px - 1, width / truth.width_px - 1))
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


def save_measured(by_seed: Mapping[int, Sequence[Measured]], path: Path) -> None:
    """Write true and found sides, what the network says of its error, as shares of them, and `read_px`.

    Sides are in original pixels; `read_px` of them are as wide as one that the network read.
    """
    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.writer(file)
        lines.writerow(_SAVED)
        for seed, measured in by_seed.items():
            lines.writerows((seed, *_list_sizes(one)) for one in measured if one.size is not None)


def _list_sizes(one: Measured) -> list[str]:
    assert one.size is not None and one.edge is not None and one.outline is not None
    truth, found = one.known.truth, one.size.ellipse
    sides = (truth.length_px, truth.width_px, found.length_px, found.width_px)
    other = (one.edge.length_relative_sd, one.edge.width_relative_sd, one.outline.rim.scale)
    known = one.known
    return [known.group, known.kind, known.focus, known.picture, *(f"{value:.5g}" for value in sides + other)]


def _measure_seeds(options: argparse.Namespace) -> list[list[list[Measured]]]:
    """For each seed what each network of `options.rim` reads of its objects."""
    find: Callable[[int], list[Found]]
    if options.data is not None:
        find = partial(find_marked, options.data)
    elif options.plain:
        find = _find_plain
    else:
        find = partial(_find_drawn, options.n, options.device, options.found)
    measure = partial(_measure_seed, find, options.rim)
    if options.workers == 1 or len(options.seed) == 1:
        return list(map(measure, options.seed))
    # These processes need torch, which measuring a labelled set doesn't.
    from training.synthesize.processes import open_processes

    with open_processes(options.workers) as pool:
        return list(pool.map(measure, options.seed))


def _measure_seed(
    find: Callable[[int], list[Found]], graphs: Sequence[Path], seed: int
) -> list[list[Measured]]:
    pairs = find(seed)
    return [measure_outlines(pairs, graph) for graph in graphs]


def find_marked(data: Path, seed: int) -> list[Found]:
    """The marked objects of a labelled set, each with the outline found for it."""
    return find_known(read_known(data), None, seed)


def _find_plain(seed: int) -> list[Found]:
    return find_known(draw_plain_known(seed), None, seed)


def _read_kept(path: Path) -> list[Found]:
    pairs: list[Found] = pickle.loads(path.read_bytes())
    return pairs


def read_all_kept(folder: Path) -> list[Found]:
    """All drawn objects of a folder of `--found`, each with the outline found for it."""
    return [one for path in sorted(folder.glob("found_*.pkl")) for one in _read_kept(path)]


def _find_drawn(n: int, device: str, kept: Path | None, seed: int) -> list[Found]:
    path = kept / f"found_{seed}_{n}.pkl" if kept else None
    if path and path.exists():
        return _read_kept(path)
    pairs = find_known(draw_known(seed, device), n, seed)
    if path:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(pairs))
    return pairs


def _print_all(measured: Sequence[Measured]) -> None:
    print_table(measured)
    for name, figures in describe_others(measured).items():
        print(name, json.dumps(figures))


def main(arguments: list[str] | None = None) -> int:
    """Measure as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.measure_bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--n", type=int, default=200, help="drawn objects to measure, of each seed")
    parser.add_argument(
        "--seed", type=int, nargs="+", default=[7], help="which objects are drawn, how guesses are off"
    )
    instead = parser.add_mutually_exclusive_group()
    instead.add_argument("--data", type=Path, help="labelled set whose ellipses to measure instead")
    instead.add_argument("--plain", action="store_true", help="measure plain discs and rings instead")
    parser.add_argument(
        "--rim", type=Path, nargs="+", default=[RIM_GRAPH], help="graphs to judge, if not the one in use"
    )
    parser.add_argument("--workers", type=int, default=1, help="seeds measured side by side")
    parser.add_argument("--device", default="cpu", help="what draws: cpu, cuda or cuda:0")
    parser.add_argument(
        "--found",
        type=Path,
        help="folder, written by this program alone, that keeps what the search finds of drawn objects",
    )
    parser.add_argument("--save", type=Path, help="folder for a CSV for each graph, a line for each outline")
    options = parser.parse_args(arguments)
    try:
        by_seed = _measure_seeds(options)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    for number, graph in enumerate(options.rim):
        sizes = {seed: parts[number] for seed, parts in zip(options.seed, by_seed, strict=True)}
        if len(options.rim) > 1:
            print(graph)
        _print_all(list(chain.from_iterable(sizes.values())))
        if options.save:
            options.save.mkdir(parents=True, exist_ok=True)
            save_measured(sizes, options.save / f"sizes_{number}.csv")
    return 0


if __name__ == "__main__":
    sys.exit(main())
