"""Measure at which scales a detector finds what a picture can still show, and what each way of looking costs.

    python -m training.scales --weights DIR [--data FOLDER ...] [--um-per-px 0.25 0.35 0.5 0.7 1 1.4] [--ways]

Fields are drawn once at a fine pixel size (or read from `--data`), then the same pictures are reduced to each
size by area means, and looked at with their scale stated and without. Objects of which fewer than 12 px are
left across count as not assessable, and a candidate on one counts neither way; how many of them are found all
the same is listed. Recall is at 0.5 and 1 false positives a picture by the network's own scores, with 95 %
Wilson intervals, for objects from 25 µm on and for smaller ones. `--ways` compares the scales that a proposal
looks at with fewer and with more. The table is in Markdown.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.metrics import FOUND, NEITHER, Matches, free_response, match_candidates, wilson_interval
from training.passes import AS_SERVED, WAYS, ChooseFactors, Hw, Looked, look_each_way
from triage.detector import load_detector
from triage.errors import RecordError, TriageError
from triage.images import open_picture
from triage.records import Detections, Detector
from triage.visibility import LEAST_WIDTH_PX

DRAWN_UM_PER_PX = 0.25
DRAWN_SEED = 77_001
SIZES_UM_PER_PX = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4)
LARGE_UM = 25.0
"""Length from which an object counts as large."""
RATES = (0.5, 1.0)
STATED_RECALL = 0.95
MOST_FALL = 0.03
LEAST_KEPT = 0.95
"""What is asked: recall falls by no more from half to twice the working scale, and so much of it is kept
where no scale is stated."""


@dataclass(frozen=True)
class Look:
    """One picture at one size, looked at in one way.

    Attributes
    ----------
    um_per_px : float
        Size of a pixel, stated or not.
    is_stated : bool
    way : str
    objects : tuple of str
        Names of the objects, the same at each size.
    is_large, is_assessable, is_group_right : ndarray of shape (M,)
        Of each object.
    scores : ndarray of shape (M,)
        With which each was found; NaN if it was not.
    matches : Matches
        Of the candidates; those on objects that are not assessable count neither way.
    area_mm2 : float
    n_tiles : int
    """

    um_per_px: float
    is_stated: bool
    way: str
    objects: tuple[str, ...]
    is_large: NDArray[np.bool_]
    is_assessable: NDArray[np.bool_]
    is_group_right: NDArray[np.bool_]
    scores: NDArray[np.float64]
    matches: Matches
    area_mm2: float
    n_tiles: int


@dataclass(frozen=True)
class Share:
    """So many of so many, with its 95 % Wilson interval."""

    n: int
    of: int

    def __str__(self) -> str:
        if self.of == 0:
            return "none"
        low, high = wilson_interval(self.n, self.of)
        return f"{self.n / self.of:.2f} ({self.n} of {self.of}, {low:.2f}-{high:.2f})"


@dataclass(frozen=True)
class Row:
    """Figures of all pictures at one size, looked at in one way; a pair is at each of `RATES`."""

    um_per_px: float
    is_stated: bool
    way: str
    all: tuple[Share, Share]
    large: tuple[Share, Share]
    small: tuple[Share, Share]
    too_small: Share
    group_right: Share
    false_per_mm2: float | None
    tiles_per_mm2: float


def reduce_picture(marked: MarkedPicture, um_per_px: float, folder: Path) -> tuple[Path, float]:
    """File of the same picture with pixels of this size, and their exact size.

    Raises
    ------
    RecordError
        If the picture has no scale, or a coarser one.
    """
    own = marked.um_per_px
    if own is None or own > um_per_px * 1.001:
        raise RecordError(
            f"{marked.path.name} has {own or 'no'} µm per pixel; to reduce it to {um_per_px:g} it must have "
            "a scale, and one as fine. Draw pictures with --um-per-px, or leave out the finer sizes."
        )
    pixels = marked.read_pixels()
    height, width = pixels.shape[:2]
    columns, rows = max(1, round(width * own / um_per_px)), max(1, round(height * own / um_per_px))
    path = folder / f"{marked.path.stem}_{um_per_px:g}.png"
    Image.fromarray(cv2.resize(pixels, (columns, rows), interpolation=cv2.INTER_AREA)).save(path)
    return path, own * width / columns


def look_at_sizes(
    marked: MarkedPicture,
    detector: Detector,
    sizes_um_per_px: Sequence[float],
    ways: Mapping[str, ChooseFactors],
) -> Iterator[Look]:
    """One picture at every size, with its scale and without."""
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes_um_per_px:
            path, um_per_px = reduce_picture(marked, size, Path(folder))
            with open_picture(path) as picture:
                area_mm2 = picture.width * picture.height * (um_per_px / 1000) ** 2
                seen: dict[Hw, list[Detections]] = {}
                for is_stated in (True, False):
                    looked = look_each_way(picture, um_per_px if is_stated else None, detector, ways, seen)
                    for way, one in looked.items():
                        yield _judge(marked, size, um_per_px, is_stated, way, one, area_mm2)


def _judge(
    marked: MarkedPicture,
    size: float,
    um_per_px: float,
    is_stated: bool,
    way: str,
    looked: Looked,
    area_mm2: float,
) -> Look:
    wanted = marked.list_wanted()
    own = marked.um_per_px or um_per_px
    boxes = np.array([one.bbox_xywh for one in looked.candidates], dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    boxes *= um_per_px / own
    scores = np.array([one.score for one in looked.candidates], dtype=np.float64)
    matches = match_candidates(boxes, scores, marked.to_truth())
    sides_um = (
        np.array([(one.ellipse or _box_sides(one.box_xyxy))[2:4] for one in wanted]).reshape(-1, 2) * own
    )
    is_assessable = sides_um.min(axis=1, initial=np.inf) >= LEAST_WIDTH_PX * size
    found_with, is_right = np.full(len(wanted), np.nan), np.zeros(len(wanted), dtype=np.bool_)
    for row in np.flatnonzero(matches.verdicts == FOUND):
        index = matches.objects[row]
        found_with[index] = scores[row]
        is_right[index] = looked.candidates[row].group == wanted[index].group
    is_beyond = (matches.verdicts == FOUND) & ~np.append(is_assessable, True)[matches.objects]
    verdicts = np.where(is_beyond, NEITHER, matches.verdicts)
    return Look(
        um_per_px=size,
        is_stated=is_stated,
        way=way,
        objects=tuple(f"{marked.path.stem}/{index}" for index in range(len(wanted))),
        is_large=sides_um.max(axis=1, initial=0.0) >= LARGE_UM,
        is_assessable=is_assessable,
        is_group_right=is_right,
        scores=found_with,
        matches=Matches(scores, verdicts, matches.objects, int(is_assessable.sum())),
        area_mm2=area_mm2,
        n_tiles=looked.n_tiles,
    )


def _box_sides(box_xyxy: tuple[float, float, float, float]) -> tuple[float, ...]:
    """As an ellipse, which begins with its centre."""
    return 0.0, 0.0, box_xyxy[2] - box_xyxy[0], box_xyxy[3] - box_xyxy[1]


def find_cut(looks: Sequence[Look], false_per_picture: float) -> float:
    """Lowest score that allows so many false positives a picture; above 1 if none does."""
    curve = free_response([one.matches for one in looks])
    allowed = curve.thresholds[curve.false_per_picture <= false_per_picture + 1e-12]
    return float(allowed.min(initial=1.1))


def sum_up(looks: Sequence[Look]) -> Row:
    """Figures of looks at one size and in one way."""
    first, second = (find_cut(looks, rate) for rate in RATES)
    is_large, is_assessable, is_right, scores = (
        np.concatenate([getattr(one, name) for one in looks])
        for name in ("is_large", "is_assessable", "is_group_right", "scores")
    )

    def recall(which: NDArray[np.bool_], cut: float) -> Share:
        return Share(int((scores[which] >= cut).sum()), int(which.sum()))

    is_found = is_assessable & (scores >= first)
    area_mm2 = sum(one.area_mm2 for one in looks)
    curve = free_response([one.matches for one in looks])
    stated = curve.cut_for(STATED_RECALL)
    n_false = None if stated is None else curve.false_at(stated) * len(looks)
    return Row(
        um_per_px=looks[0].um_per_px,
        is_stated=looks[0].is_stated,
        way=looks[0].way,
        all=(recall(is_assessable, first), recall(is_assessable, second)),
        large=(recall(is_assessable & is_large, first), recall(is_assessable & is_large, second)),
        small=(recall(is_assessable & ~is_large, first), recall(is_assessable & ~is_large, second)),
        too_small=recall(~is_assessable, first),
        group_right=Share(int((is_found & is_right).sum()), int(is_found.sum())),
        false_per_mm2=None if n_false is None else n_false / area_mm2,
        tiles_per_mm2=sum(one.n_tiles for one in looks) / area_mm2,
    )


@dataclass(frozen=True)
class Pair:
    """The same objects, assessable in both, by two ways: how many each found, and which alone.

    Attributes
    ----------
    of, n_first, n_second : int
        Objects, and found by each.
    lost, gained : int
        Found by the first alone, and by the second alone.
    """

    of: int
    n_first: int
    n_second: int
    lost: int
    gained: int

    @property
    def fall(self) -> float:
        """By how much the recall falls from the first to the second."""
        return (self.n_first - self.n_second) / max(self.of, 1)

    @property
    def kept(self) -> float:
        """Recall of the second as a share of that of the first."""
        return self.n_second / max(self.n_first, 1)


def compare(first: Sequence[Look], second: Sequence[Look], rate: float) -> Pair:
    """Two ways of looking at the same objects, each at its own cut for so many false positives a picture."""
    found = [_find_objects(looks, find_cut(looks, rate)) for looks in (first, second)]
    common = found[0].keys() & found[1].keys()
    pairs = [(found[0][name], found[1][name]) for name in common]
    return Pair(
        of=len(pairs),
        n_first=sum(one for one, _ in pairs),
        n_second=sum(other for _, other in pairs),
        lost=sum(one and not other for one, other in pairs),
        gained=sum(other and not one for one, other in pairs),
    )


def _find_objects(looks: Sequence[Look], cut: float) -> dict[str, bool]:
    """Of each assessable object whether it was found."""
    return {
        name: bool(score >= cut)
        for one in looks
        for name, score, is_assessable in zip(one.objects, one.scores, one.is_assessable, strict=True)
        if is_assessable
    }


def to_table(rows: Sequence[Row]) -> str:
    """The figures as a Markdown table."""
    lines = [
        "| µm/px | scale | way | recall at 0.5 / 1 false a picture | from 25 µm on | below 25 µm "
        "| under 12 px across, found at 0.5 | group right at 0.5 | false per mm² at 0.95 | tiles per mm² |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        cells = [
            f"{row.um_per_px:g}",
            "stated" if row.is_stated else "unknown",
            row.way,
            *(" / ".join(str(one) for one in pair) for pair in (row.all, row.large, row.small)),
            str(row.too_small),
            str(row.group_right),
            "not reached" if row.false_per_mm2 is None else f"{row.false_per_mm2:.1f}",
            f"{row.tiles_per_mm2:.0f}",
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def to_answer(looks: Sequence[Look], working_um_per_px: float) -> list[str]:
    """What was asked and what came of it, a line for each size and rate."""
    served = [one for one in looks if one.way == AS_SERVED]
    by_size: dict[tuple[float, bool], list[Look]] = {}
    for one in served:
        by_size.setdefault((one.um_per_px, one.is_stated), []).append(one)
    sizes = sorted({size for size, _ in by_size})
    base = min(sizes, key=lambda size: abs(np.log(size / working_um_per_px)))
    lines = [
        f"Asked: recall falls by at most {100 * MOST_FALL:g} points from half to twice {working_um_per_px:g} "
        f"µm/px, and {100 * LEAST_KEPT:g} % of it is kept without a scale (the same objects, each time)."
    ]
    for rate in RATES:
        for size in sizes:
            stated, unknown = by_size[size, True], by_size[size, False]
            fall, kept = compare(by_size[base, True], stated, rate), compare(stated, unknown, rate)
            is_asked = working_um_per_px / 2.01 <= size <= 2.01 * working_um_per_px
            lines.append(
                f"{size:g} µm/px at {rate:g}: {100 * fall.fall:+.1f} points lower than at {base:g} "
                f"({fall.lost} lost, {fall.gained} gained of {fall.of}"
                f"{'' if is_asked else '; beyond the range'}); without a scale {100 * kept.kept:.1f} % kept "
                f"({kept.n_second} of {kept.n_first}; {kept.lost} lost, {kept.gained} gained)."
            )
    return lines


def measure(
    pictures: Sequence[MarkedPicture], detector: Detector, sizes: Sequence[float], *, has_ways: bool
) -> list[Look]:
    """Looks at every picture, at each size, with and without a scale."""
    looks: list[Look] = []
    for number, marked in enumerate(pictures, start=1):
        looks += look_at_sizes(marked, detector, sizes, WAYS if has_ways else {})
        if sys.stderr.isatty():
            print(f"\r{number} of {len(pictures)} pictures", end="", file=sys.stderr, flush=True)
    return looks


def group_looks(looks: Sequence[Look]) -> list[list[Look]]:
    """Looks of one size and way together; ways with a stated scale first."""
    groups: dict[tuple[bool, str, float], list[Look]] = {}
    for one in looks:
        groups.setdefault((not one.is_stated, one.way, one.um_per_px), []).append(one)
    return [
        groups[key] for key in sorted(groups, key=lambda key: (key[0], key[1] != AS_SERVED, key[1], key[2]))
    ]


def _draw(folder: Path, n: int, seed: int) -> list[MarkedPicture]:
    # Only drawing needs the renderer.
    from training.synthesize.folder import Order, check_order, draw_slides

    order = Order(
        folder, n, "field", seed, width=1600, height=1200, um_per_px=DRAWN_UM_PER_PX, suffix="png", workers=1
    )
    check_order(order)
    draw_slides(order)
    return read_marked_pictures(folder)


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.scales", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--weights", type=Path, help="weights folder (default: shipped)")
    parser.add_argument("--data", type=Path, nargs="+", help="folders of marked pictures (default: drawn)")
    parser.add_argument("--n", type=int, default=24, help="pictures to draw (default: 24)")
    parser.add_argument("--seed", type=int, default=DRAWN_SEED, help=f"of them (default: {DRAWN_SEED})")
    parser.add_argument(
        "--um-per-px", type=float, nargs="+", default=SIZES_UM_PER_PX, help="pixel sizes to reduce to"
    )
    parser.add_argument("--ways", action="store_true", help="compare ways of choosing the scales, too")
    parser.add_argument("--out", type=Path, help="file for the rows as JSON")
    options = parser.parse_args(arguments)
    try:
        detector = load_detector(options.weights)
        with tempfile.TemporaryDirectory() as folder:
            pictures = (
                [one for data in options.data for one in read_marked_pictures(data)]
                if options.data
                else _draw(Path(folder), options.n, options.seed)
            )
            looks = measure(pictures, detector, options.um_per_px, has_ways=options.ways)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    rows = [sum_up(group) for group in group_looks(looks)]
    print(to_table(rows))
    print("\n".join(to_answer(looks, detector.um_per_px)))
    if options.out is not None:
        options.out.write_text(json.dumps([asdict(row) for row in rows], indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
