"""Hold the measures of focus and light to drawn stacks of known defocus, exposure and vignette.

    python -m training.focus_bench [--n 12] [--seed 1] [--workers 2] [--out runs/focus]

draws fields once in every plane of the stack and measures each picture as a file. It prints the medians,
the tenth and ninetieth percentile of the measure, which share could be judged and which of these counts as
blurred (or uneven, or burnt out) in each plane, and whether the median falls (or rises) at every step; with
`--out`, it plots them.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from training.synthesize.canvas import SLABS
from training.synthesize.marks import Marks
from training.synthesize.processes import open_processes
from training.synthesize.render import render_scenes
from training.synthesize.scene import Scene, draw_scene
from training.synthesize.style import FIELD
from triage.illumination import LEAST_EVENNESS, MOST_BURNT_OUT, measure_light
from triage.images import open_picture
from triage.sharpness import LEAST_SHARPNESS, measure_focus

UM_PER_PX = 0.5
SIDE_PX = 512
NA, CONDENSER_NA = 0.25, 0.2
"""A 10x objective with its condenser a little closed."""
DEFOCUS_UM = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0)
DEPTH_OF_FIELD_UM = 10.0
"""0.55 µm / 0.25², rounded up; within it a picture is in focus and thin walls may even gain."""
EXPOSURES = (0.7, 0.85, 1.0, 1.1, 1.2, 1.35, 1.6)
VIGNETTES = (0.0, 0.2, 0.4, 0.6, 0.8)
_OVERVIEW_PX = 1024


@dataclass(frozen=True)
class Stack:
    """One measure over the planes of a stack, one row a plane; shares beyond are of those judged."""

    plane: tuple[float, ...]
    median: tuple[float, ...]
    p10: tuple[float, ...]
    p90: tuple[float, ...]
    share_judged: tuple[float, ...]
    share_beyond_threshold: tuple[float, ...]
    threshold: float
    is_monotone: bool


def plain_scene(seed: int, index: int, *, side_px: int = SIDE_PX) -> Scene:
    """A field in one plane and in focus, evenly lit, whole; grain and objects as drawn."""
    scene = draw_scene(seed, index, FIELD, (side_px, side_px), um_per_px=UM_PER_PX)
    optics = replace(
        scene.optics,
        na=NA,
        condenser_na=CONDENSER_NA,
        slab_z_um=(0.0,) * SLABS,
        colour_z_um=(0.0, 0.0, 0.0),
    )
    light = replace(
        scene.light,
        colour=(0.85, 0.85, 0.85),
        slope_xy=(0.0, 0.0),
        vignette=0.0,
        vignette_xy=(0.5, 0.5),
        eyepiece=(0.0, 0.0, 0.0, 1.0),
    )
    return replace(scene, optics=optics, light=light, marks=Marks())


def defocus(scene: Scene, z_um: float) -> Scene:
    """The scene with all of it `z_um` above the plane of focus."""
    return replace(scene, optics=replace(scene.optics, slab_z_um=(z_um,) * SLABS))


def expose(scene: Scene, factor: float) -> Scene:
    """The scene under `factor` times the light."""
    return replace(
        scene, light=replace(scene.light, colour=tuple(factor * each for each in scene.light.colour))
    )


def shade(scene: Scene, vignette: float) -> Scene:
    """The scene with that share of the light lost in the corners."""
    return replace(scene, light=replace(scene.light, vignette=vignette))


def measure_scenes(scenes: Sequence[Scene], measure: Callable[[Path], float]) -> list[float]:
    """The measure of each scene's picture, read back from a file."""
    measured = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plane.png"
        for scene in scenes:
            pictures, _ = render_scenes([scene])
            Image.fromarray(pictures[0].permute(1, 2, 0).numpy()).save(path)
            measured.append(measure(path))
    return measured


def read_sharpness(path: Path) -> float:
    """Sharpness of a picture of the stack; NaN where its focus can't be judged."""
    with open_picture(path) as picture:
        focus = measure_focus(picture, UM_PER_PX, overview_px=_OVERVIEW_PX)
    return math.nan if focus is None else focus.sharpness.value


def _read_grey(path: Path) -> NDArray[np.float64]:
    with open_picture(path) as picture:
        return picture.read_overview(_OVERVIEW_PX).astype(np.float64).mean(axis=2)


def read_burnt_out(path: Path) -> float:
    """Burnt-out share of a picture of the stack."""
    return measure_light(_read_grey(path)).burnt_out_fraction


def read_evenness(path: Path) -> float:
    """Evenness of the light of a picture of the stack."""
    return measure_light(_read_grey(path)).evenness


def measure_field(seed: int, side_px: int, index: int) -> dict[str, list[float]]:
    """All measures of one field over all stacks."""
    scene = plain_scene(seed, index, side_px=side_px)
    return {
        "sharpness": measure_scenes([defocus(scene, z_um) for z_um in DEFOCUS_UM], read_sharpness),
        "burnt_out": measure_scenes([expose(scene, factor) for factor in EXPOSURES], read_burnt_out),
        "evenness": measure_scenes([shade(scene, vignette) for vignette in VIGNETTES], read_evenness),
    }


def sum_up(
    planes: Sequence[float],
    rows: NDArray[np.float64],
    *,
    threshold: float,
    falls: bool,
    from_plane: float = 0.0,
) -> Stack:
    """Figures of one measure; `rows` is (fields, planes), NaN where it could not be judged.

    Monotone means that the median goes one way at every step from `from_plane` on.
    """
    median = np.nanmedian(rows, axis=0)
    steps = np.diff(median[np.asarray(planes) >= from_plane])
    is_judged = np.isfinite(rows)
    beyond = rows < threshold if falls else rows > threshold
    return Stack(
        plane=tuple(planes),
        median=_round(median),
        p10=_round(np.nanpercentile(rows, 10, axis=0)),
        p90=_round(np.nanpercentile(rows, 90, axis=0)),
        share_judged=_round(is_judged.mean(axis=0)),
        share_beyond_threshold=_round(beyond.sum(axis=0) / is_judged.sum(axis=0)),
        threshold=threshold,
        is_monotone=bool((steps < 0).all() if falls else (steps >= 0).all()),
    )


def _round(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(round(float(value), 4) for value in values)


def sum_up_all(fields: Sequence[dict[str, list[float]]]) -> dict[str, Stack]:
    """The figures of every stack, by what is changed in it."""
    rows = {name: np.array([field[name] for field in fields]) for name in fields[0]}
    return {
        "defocus_um": sum_up(
            DEFOCUS_UM,
            rows["sharpness"],
            threshold=LEAST_SHARPNESS,
            falls=True,
            from_plane=DEPTH_OF_FIELD_UM,
        ),
        "exposure": sum_up(EXPOSURES, rows["burnt_out"], threshold=MOST_BURNT_OUT, falls=False),
        "vignette": sum_up(VIGNETTES, rows["evenness"], threshold=LEAST_EVENNESS, falls=True),
    }


def plot_stacks(stacks: dict[str, Stack], path: Path) -> None:
    """Median and spread of each measure against what was changed, with its threshold."""
    from matplotlib.figure import Figure

    words = {
        "defocus_um": ("defocus, µm", "sharpness"),
        "exposure": ("light, times the usual", "burnt-out share of the area"),
        "vignette": ("light lost in the corners", "evenness of the light"),
    }
    figure = Figure(figsize=(12, 3.8), layout="constrained")
    for axes, (name, stack) in zip(figure.subplots(1, len(stacks)), stacks.items(), strict=True):
        axes.fill_between(stack.plane, stack.p10, stack.p90, alpha=0.2, label="10th to 90th percentile")
        axes.plot(stack.plane, stack.median, marker="o", label="median")
        axes.axhline(stack.threshold, linestyle="--", color="black", label=f"threshold {stack.threshold:g}")
        axes.set_xlabel(words[name][0])
        axes.set_ylabel(words[name][1])
        axes.set_ylim(bottom=0)
        axes.legend()
    figure.savefig(path, dpi=120)


def measure_all(options: argparse.Namespace) -> list[dict[str, list[float]]]:
    """All fields that the command line asks for, side by side."""
    measure = partial(measure_field, options.seed, options.side)
    with open_processes(options.workers) as pool:
        return list(pool.map(measure, range(options.n)))


def main(arguments: list[str] | None = None) -> int:
    """Measure as the command line says."""
    parser = argparse.ArgumentParser(
        prog="python -m training.focus_bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--n", type=int, default=12, help="fields to draw")
    parser.add_argument("--seed", type=int, default=1, help="another seed draws other fields")
    parser.add_argument("--side", type=int, default=SIDE_PX, help="side of a field in pixels")
    parser.add_argument("--workers", type=int, default=2, help="processes side by side")
    parser.add_argument("--out", type=Path, help="folder for the plot")
    options = parser.parse_args(arguments)
    if min(options.n, options.workers) < 1 or options.seed < 0 or not 128 <= options.side <= 2048:
        parser.error("--n and --workers must be 1 or more, --seed 0 or more, --side from 128 to 2048")
    stacks = sum_up_all(measure_all(options))
    print(json.dumps({name: asdict(stack) for name, stack in stacks.items()}, indent=1))
    if options.out is not None:
        options.out.mkdir(parents=True, exist_ok=True)
        plot_stacks(stacks, options.out / "focus_bench.png")
    return 0


if __name__ == "__main__":
    sys.exit(main())
