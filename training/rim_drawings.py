"""Drawn pictures of single objects whose outlines are known, for the network that reads rims.

    python -m training.rim_drawings --out runs/rims.npz --scenes 24000 --workers 15 --minutes 4 --seed 1

stores as many of them as are drawn in that time, for several trainings.
"""

from __future__ import annotations

import argparse
import math
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, wait
from dataclasses import dataclass, fields, replace
from functools import partial
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np
import pyvips
import torch
from numpy.typing import NDArray

from training.guesses import disturb_guess
from training.known_pictures import match_outlines, signed_depths
from training.parallel import choose_device
from training.rim_strata import KIND_NAMES
from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind
from training.synthesize.processes import open_processes
from training.synthesize.render import render_scenes
from training.synthesize.scene import Scene, draw_scene
from training.synthesize.stock import Stock, StockSource, draw_stock, store_stocks
from training.synthesize.style import FIELD
from training.synthesize.truth import TileTruth
from triage.groups import candidate_groups, read_groups
from triage.images import Picture
from triage.outline import NoOutline, RimView, find_outlines
from triage.records import Ellipse

STOCKS_LEARNT = 12
"""Of the 16 stocks of a kind; what is measured elsewhere comes from the others."""
SIDE_PX = 448
SEARCHES = 2
"""Times that each object's outline is sought, each from another guess."""
_SCENES_AT_ONCE = 16
_PART = 2 * _SCENES_AT_ONCE
_LEAST_WIDTH_PX, _LEAST_SHOWN, _LEAST_VISIBLE = 10.0, 0.93, 0.15

STYLE = replace(
    FIELD,
    name="rims",
    object_px=(24.0, 330.0),
    least_candidates=1,
    candidates_per_mpx=(5.0, 25.0),
    look_alikes_per_mpx=(0.0, 8.0),
    centred=True,
    cluster_share=0.1,
    clutter=(0.0, 0.6),
    softness=(0.05, 1.6),
    resolved_px=(0.7, 4.0),
    eyepiece_share=0.0,
    marks_share=0.0,
)


@dataclass(frozen=True)
class Rims:
    """Drawn pictures and the objects in them whose outlines are known.

    Attributes
    ----------
    pictures : ndarray of shape (P, SIDE_PX, SIDE_PX), uint8
    picture_of : ndarray of shape (N,), int64
    outlines : ndarray of shape (N, 96, 2), float32
        Pixels.
    ellipses : ndarray of shape (N, 5), float32
        cx, cy, length, width, angle in radians.
    groups : ndarray of shape (N,), int64
        Row in `candidate_groups()`.
    kinds : ndarray of shape (N,), int64
        Row in `KIND_NAMES`.
    focus_depths : ndarray of shape (N,), float32
        Height over the plane of focus, in depths of field; below 0 under it.
    searched : ndarray of shape (N, SEARCHES, 5), float32
        Ellipses in whose frame the search leaves the rim to be read; NaN where it finds no outline.
    """

    pictures: NDArray[np.uint8]
    picture_of: NDArray[np.int64]
    outlines: NDArray[np.float32]
    ellipses: NDArray[np.float32]
    groups: NDArray[np.int64]
    kinds: NDArray[np.int64]
    focus_depths: NDArray[np.float32]
    searched: NDArray[np.float32]


class KnownRim(NamedTuple):
    """One object of a picture, as `Rims` holds it."""

    outline: NDArray[np.float64]
    ellipse: NDArray[np.float64]
    group: int
    kind: int
    focus_depth: float


def _learnt_only(source: StockSource, kind: Kind, number: int) -> Stock:
    return source(kind, number % STOCKS_LEARNT)


def draw_rims(seed: int, first: int, n: int, device: str, stocks: StockSource) -> Rims:
    """Scenes `first` to `first + n` of a series, group after group."""
    pictures: list[NDArray[np.uint8]] = []
    known: list[list[KnownRim]] = []
    for start in range(first, first + n, _SCENES_AT_ONCE):
        numbers = range(start, min(start + _SCENES_AT_ONCE, first + n))
        scenes = [_draw_one(seed, number, stocks) for number in numbers]
        tiles, truths = render_scenes(scenes, device)
        pictures.append(tiles.float().mean(dim=1).round().to(torch.uint8).cpu().numpy())
        known += [list(known_outlines(*pair)) for pair in zip(scenes, truths, strict=True)]
    grey, rims = np.concatenate(pictures), [rim for those in known for rim in those]
    picture_of = np.repeat(np.arange(len(known), dtype=np.int64), [len(those) for those in known])
    ellipses = np.array([rim.ellipse for rim in rims], np.float32).reshape(-1, 5)
    return Rims(
        grey,
        picture_of,
        np.array([rim.outline for rim in rims], np.float32).reshape(-1, 96, 2),
        ellipses,
        np.array([rim.group for rim in rims], np.int64),
        np.array([rim.kind for rim in rims], np.int64),
        np.array([rim.focus_depth for rim in rims], np.float32),
        search_frames(grey, picture_of, ellipses, np.random.default_rng([seed, first])),
    )


def _draw_one(seed: int, number: int, stocks: StockSource) -> Scene:
    groups = candidate_groups()
    group = groups[number % len(groups)]
    kinds = {name: kind for name, kind in KINDS.items() if kind.group == group or kind.group not in groups}
    return draw_scene(
        seed, number, STYLE, (SIDE_PX, SIDE_PX), kinds=kinds, stocks=partial(_learnt_only, stocks)
    )


def search_frames(
    pictures: NDArray[np.uint8],
    picture_of: NDArray[np.int64],
    ellipses: NDArray[np.float32],
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Ellipses (N, SEARCHES, 5) that the search finds from disturbed guesses; NaN where it finds none."""
    frames = np.full((len(ellipses), SEARCHES, 5), np.nan, np.float32)
    for number in np.unique(picture_of):
        colours = np.repeat(pictures[number][..., None], 3, axis=2)
        picture = Picture(pyvips.Image.new_from_array(colours), file_name="drawn", sha256="")
        rows = np.flatnonzero(picture_of == number)
        truths = [_to_ellipse(ellipses[row]) for row in rows]
        for search in range(SEARCHES):
            found = find_outlines(picture, [disturb_guess(truth, rng) for truth in truths])
            for row, outline in zip(rows, found, strict=True):
                if not isinstance(outline, NoOutline):
                    frames[row, search] = _to_picture(outline.rim)
    return frames


def _to_ellipse(row: NDArray[np.float32]) -> Ellipse:
    cx, cy, length, width, turn = (float(value) for value in row)
    return Ellipse(cx, cy, length, width, float(np.rad2deg(turn)))


def _to_picture(rim: RimView) -> NDArray[np.float64]:
    """The ellipse of a rim's frame in pixels of the whole picture, which are as wide as high."""
    centre = (rim.ellipse[:2] + rim.origin) * rim.per_px
    return np.array([*centre, *(rim.ellipse[2:4] * rim.scale), rim.ellipse[4]])


def known_outlines(scene: Scene, truth: TileTruth) -> Iterator[KnownRim]:
    """Each whole candidate that can be seen, in pixels."""
    outlines = match_outlines(scene, truth)
    names = [group.name for group in read_groups()]
    for row, label in enumerate(truth.labels):
        is_seen = truth.shown[row] >= _LEAST_SHOWN and truth.visible[row] >= _LEAST_VISIBLE
        if names[label] not in candidate_groups() or truth.is_truncated[row] or not is_seen:
            continue
        ellipse = truth.ellipses[row].copy()
        if ellipse[3] < _LEAST_WIDTH_PX:
            continue
        ellipse[4] = np.deg2rad(ellipse[4])
        group = candidate_groups().index(names[label])
        kind = KIND_NAMES.index(truth.kinds[row])
        yield KnownRim(outlines[row], ellipse, group, kind, signed_depths(truth, row))


def draw_many(seed: int, n: int, workers: int, device: str, limit_s: float = math.inf) -> Rims:
    """The first `n` scenes, drawn by `workers` processes side by side; fewer if `limit_s` is over before."""
    ends_at = time.monotonic() + limit_s
    parts = [(start, min(_PART, n - start)) for start in range(0, n, _PART)]
    if workers == 0:
        begun = takewhile(lambda part: part[0] == 0 or time.monotonic() < ends_at, parts)
        return join_rims([draw_rims(seed, *part, device, draw_stock) for part in begun])
    with TemporaryDirectory(prefix="coverslip-stocks-") as folder:
        stocks = store_stocks(Path(folder), workers=workers)
        with open_processes(workers) as pool:
            waiting = [pool.submit(draw_rims, seed, *part, device, stocks) for part in parts]
            return join_rims(list(_take_in_order(waiting, ends_at)))


def _take_in_order(waiting: Sequence[Future[Rims]], ends_at: float) -> Iterator[Rims]:
    """What is drawn, in its order, until the time is over; the first and what is begun are still taken."""
    timeout = max(0.0, min(ends_at - time.monotonic(), threading.TIMEOUT_MAX))
    wait(waiting, timeout=timeout, return_when=FIRST_EXCEPTION)
    # From the back, as the processes take them from the front: no gap is left.
    for each in reversed(waiting[1:]):
        each.cancel()
    for each in waiting:
        if not each.cancelled():
            yield each.result()


def join_rims(parts: Sequence[Rims]) -> Rims:
    """The pictures and objects of several parts, in their order."""
    before = np.cumsum([0, *(len(one.pictures) for one in parts[:-1])])
    return Rims(
        np.concatenate([one.pictures for one in parts]),
        np.concatenate([one.picture_of + shift for one, shift in zip(parts, before, strict=True)]),
        *(
            np.concatenate([getattr(one, name) for one in parts])
            for name in ("outlines", "ellipses", "groups", "kinds", "focus_depths", "searched")
        ),
    )


def store_rims(rims: Rims, path: Path) -> None:
    """Write what was drawn, for `read_rims`."""
    np.savez(path, allow_pickle=False, **vars(rims))


def read_rims(path: Path) -> Rims:
    """What `store_rims` wrote."""
    with np.load(path, allow_pickle=False) as arrays:
        return Rims(**{each.name: arrays[each.name] for each in fields(Rims)})


def main(arguments: list[str] | None = None) -> int:
    """Draw as the command line says."""
    parser = argparse.ArgumentParser(
        prog="python -m training.rim_drawings", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="file to write, ends in .npz")
    parser.add_argument("--scenes", type=int, default=24000, help="pictures to draw")
    parser.add_argument("--workers", type=int, default=0, help="processes that draw")
    parser.add_argument("--minutes", type=float, default=math.inf, help="draw no longer than this")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="auto", help="auto, cpu, cuda or cuda:0")
    options = parser.parse_args(arguments)
    started = time.monotonic()
    device = str(choose_device(options.device))
    rims = draw_many(options.seed, options.scenes, options.workers, device, options.minutes * 60)
    store_rims(rims, options.out)
    print(f"{len(rims.pictures)} pictures, {len(rims.groups)} objects, {time.monotonic() - started:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
