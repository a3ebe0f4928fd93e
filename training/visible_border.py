"""Say where the line that is seen around a shell ends, beside where the shell is read to end and is known to.

    python -m training.visible_border --data SET [--seed 1 2 3]
    python -m training.visible_border --found FOLDER

prints medians over the objects of a labelled set, or over those that `training.measure_bench --found` kept,
in pixels outward from the outline that is read: the darkest place of the line, where half of its darkness and
where a tenth is left outside of it, and how far out the known ellipse lies (a quarter of what its length and
width are larger by). A person draws where a line is seen to end; drawn objects tell where the shell does.
Objects narrower than 45 px and those without a dark line are left out.
"""

from __future__ import annotations

import argparse
import sys
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from training.known_pictures import KnownObject
from training.measure_bench import find_marked, read_all_kept
from triage.errors import TriageError
from triage.outline import Outline, measure_moments
from triage.polar import sample_along
from triage.rim import find_shell_edge

Floats = NDArray[np.float64]

_STEP = 0.25
_OFFSETS = np.arange(-12.0, 12.01, _STEP)
# Outward of this all is ground: the median of it is compared with.
_GROUND_FROM = 7.0
_LEAST_WIDTH_PX = 45.0
_LEAST_DEPTH = 8.0
_NEAR_PX, _NEAR_SHARE = 3.0, 0.06
"""How far from the outline the line's darkest place may lie, in pixels, and as a share of the width."""
NAMES = ("darkest", "half", "tenth", "known")


def find_border(known: KnownObject, outline: Outline) -> Floats | None:
    """What `NAMES` says, in original pixels outward from the outline read; None without a dark line."""
    rim, points = outline.rim, find_shell_edge(outline).points
    placed = points / rim.per_px - rim.origin
    profiles = sample_along(rim.patch, placed, _find_normals(placed), _OFFSETS)
    near = max(_NEAR_PX, _NEAR_SHARE * known.truth.width_px / rim.scale)
    rays = [each for profile in profiles if (each := _read_line(profile.astype(float), near)) is not None]
    if len(rays) < len(profiles) / 2:
        return None
    _, _, length, width, _ = measure_moments(points[None])[0]
    beyond = (known.truth.length_px - length + known.truth.width_px - width) / 4
    return np.array([*(np.median(rays, axis=0) * rim.scale), beyond])


def _find_normals(points: Floats) -> Floats:
    """Outward, of unit length, of a closed polygon (K, 2) around its mean."""
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    across *= np.sign((across * (points - points.mean(axis=0))).sum(axis=1, keepdims=True))
    normals: Floats = across / np.linalg.norm(across, axis=1, keepdims=True)
    return normals


def _read_line(profile: Floats, near: float) -> tuple[float, ...] | None:
    """Where a profile is darkest near the outline, and where half and a tenth of that is left outside."""
    ground = np.median(profile[_OFFSETS >= _GROUND_FROM])
    dark = np.where(np.abs(_OFFSETS) <= near, ground - profile, -np.inf)
    first = int(dark.argmax())
    if dark[first] < _LEAST_DEPTH:
        return None
    left = (ground - profile[first:]) / dark[first]
    return float(_OFFSETS[first]), *(
        float(_OFFSETS[first]) + _falls_below(left, share) for share in (0.5, 0.1)
    )


def _falls_below(left: Floats, share: float) -> float:
    """How far along `left`, which starts at 1, it first falls to `share`; to its end if it never does."""
    after = int((left <= share).argmax()) or len(left) - 1
    drop = left[after - 1] - left[after]
    part = (left[after - 1] - share) / drop if drop > 0 else 1.0
    return _STEP * float(after - 1 + min(part, 1.0))


def main(arguments: list[str] | None = None) -> int:
    """Print medians, by focus where that is known; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.visible_border", description=(__doc__ or "").split("\n")[0]
    )
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--data", type=Path, help="labelled set with ellipses")
    where.add_argument("--found", type=Path, help="folder that training.measure_bench kept, read as it is")
    parser.add_argument("--seed", type=int, nargs="+", default=[1], help="how guesses are off")
    options = parser.parse_args(arguments)
    try:
        pairs = (
            read_all_kept(options.found)
            if options.found
            else list(chain.from_iterable(find_marked(options.data, seed) for seed in options.seed))
        )
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    wide = [(known, outline) for known, outline in pairs if known.truth.width_px >= _LEAST_WIDTH_PX]
    borders = [(known.focus, find_border(known, outline)) for known, outline in wide if outline is not None]
    seen = [(focus, border) for focus, border in borders if border is not None]
    focuses = list(dict.fromkeys(focus for focus, _ in seen))
    for name in [*(focuses if len(focuses) > 1 else []), "all"]:
        own = np.array([border for focus, border in seen if name in (focus, "all")])
        values = ", ".join(
            f"{word} {value:+.2f}" for word, value in zip(NAMES, np.median(own, axis=0), strict=True)
        )
        print(f"{name:<16}{len(own):>5}  {values}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
