"""The whole way from a list of pictures to a mosaic on disk and a record of what is where in it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from triage.errors import ImageError
from triage.stitch.fields import Fields, list_fields, open_fields
from triage.stitch.implied import find_contradicting
from triage.stitch.judge import (
    find_blurred,
    is_blank,
    measure_focus,
    part_unsure,
    say_why_apart,
    say_why_none,
)
from triage.stitch.layout import Layout
from triage.stitch.light import estimate_gains
from triage.stitch.mosaic import Sources, write_mosaic
from triage.stitch.place import AS_TAKEN, UNKNOWN, find_places
from triage.stitch.records import LeftOut, Stitching
from triage.stitch.serpentine import fill_by_steps

_MOST_MOSAIC_PX = 2_500_000_000


@dataclass(frozen=True)
class Plan:
    """What lies where, and what its pixels are taken from.

    Attributes
    ----------
    stitching : Stitching
    sources : Sources
    """

    stitching: Stitching
    sources: Sources


def stitch(
    paths: Sequence[Path],
    out: Path,
    *,
    order: str = UNKNOWN,
    by_regularity: bool = False,
    um_per_px: float | None = None,
    names: Sequence[str] | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Stitching:
    """Stitch overlapping pictures into one pyramidal OME-TIFF.

    Parameters
    ----------
    paths : sequence of Path
        Pictures or folders of pictures.
    out : Path
        The mosaic; ends in `.tif` or `.tiff`.
    order : str
        `as-taken` in a scan there and back, or `unknown`.
    by_regularity : bool
        Place blank fields, and groups that these cut off, by the regular steps of the scan; the order must be
        `as-taken`.
    um_per_px : float, optional
        Scale of the fields; left out, that which the files state.
    names : sequence of str, optional
        What to call the pictures, where their files are named otherwise.
    on_progress : callable, optional
        Called with what is done and what there is to do.

    Returns
    -------
    Stitching

    Raises
    ------
    ImageError
        If the fields can't be read, don't belong together or don't overlap, or the mosaic can't be written.
    """
    if out.suffix.lower() not in (".tif", ".tiff"):
        raise ImageError(f"The mosaic is named {out.name}; it is written as OME-TIFF. End it in .ome.tif.")
    if not out.absolute().parent.is_dir():
        raise ImageError(f"The folder of {out} does not exist. Make it, or name another.")
    if by_regularity and order != AS_TAKEN:
        raise ImageError(
            "Fields can be placed by the scan's regular steps only in the order in which they were taken, "
            f"but the order is {order}. Give --order {AS_TAKEN}."
        )
    found = list_fields(paths)
    if any(path.absolute() == out.absolute() for path in found):
        raise ImageError(f"The mosaic {out} is one of the fields. Write it to another file.")
    with tempfile.TemporaryDirectory(prefix="coverslip-stitch-") as folder:
        fields = open_fields(found, Path(folder), names=names, on_progress=on_progress)
        plan = plan_mosaic(fields, order=order, by_regularity=by_regularity, um_per_px=um_per_px)
    write_plan(plan, out, on_progress=on_progress)
    return plan.stitching


def write_plan(plan: Plan, out: Path, *, on_progress: Callable[[int, int], None] | None = None) -> None:
    """Write the mosaic that was planned.

    Raises
    ------
    ImageError
        If it can't be written.
    """
    stitching = plan.stitching
    write_mosaic(
        out,
        stitching.shape_hw,
        stitching.placed,
        plan.sources,
        um_per_px=stitching.um_per_px,
        on_progress=on_progress,
    )


def plan_mosaic(
    fields: Fields, *, order: str = UNKNOWN, by_regularity: bool = False, um_per_px: float | None = None
) -> Plan:
    """Where each field lies in the mosaic and with how much light; nothing is written.

    Raises
    ------
    ImageError
        If no two fields can be placed surely; with what was found of them.
    """
    found = find_places(fields, order)
    sharpness = measure_focus(fields, found.even_small)
    blurred = find_blurred(sharpness)
    whole = found
    found, is_in, unsure = part_unsure(whole, list(blurred))
    places, stay_out = found.places, blurred | unsure
    if is_in.sum() < 2:
        raise ImageError(say_why_none(whole, blurred, unsure))
    reasons = {
        number: stay_out.get(number) or say_why_apart(number, found, fields.names, sharpness.get(number))
        for number in (~is_in).nonzero()[0].tolist()
    }
    middle_xy = places.middle_xy.copy()
    by_steps: dict[int, float] = {}
    if by_regularity:
        blank = {n for n in reasons if n not in stay_out and is_blank(found.even_small[n])}
        middle_xy, by_steps = fill_by_steps(
            middle_xy, places.group, is_in, blank, left_out=set(stay_out), side_px=min(fields.shape_hw)
        )
    layout = Layout(fields, found, sharpness)
    numbers = [n for n in range(len(fields.names)) if is_in[n] or n in by_steps]
    placed, shape_hw = layout.lay(numbers, middle_xy, by_steps)
    _check_size(shape_hw)
    is_free = np.ones(len(fields.names), dtype=bool)
    is_free[[*numbers, *stay_out]] = False
    at = {one.field: number for number, one in enumerate(placed)}
    pairs = [(pair.first, pair.second) for pair in places.kept if pair.first in at and pair.second in at]
    gains = estimate_gains(found.even_small, middle_xy / fields.factor, pairs)
    stitching = Stitching(
        shape_hw=shape_hw,
        field_hw=fields.shape_hw,
        um_per_px=um_per_px or fields.um_per_px,
        placed=placed,
        left_out=tuple(
            LeftOut(int(number), fields.names[number], reason)
            for number, reason in reasons.items()
            if number not in by_steps
        ),
        pairs=len(pairs),
        rejected_pairs=len(places.rejected),
        residual_px=places.residual_px,
        contradicting=tuple(
            (fields.names[first], fields.names[second])
            for first, second in find_contradicting(fields, found, is_in)
        ),
        parts=layout.lay_parts(is_free),
    )
    return Plan(stitching, Sources(fields.paths, found.light, gains))


def _check_size(shape_hw: tuple[int, int]) -> None:
    if shape_hw[0] * shape_hw[1] > _MOST_MOSAIC_PX:
        raise ImageError(
            f"The mosaic would be {shape_hw[1]} x {shape_hw[0]} px; at most {_MOST_MOSAIC_PX:,} px are "
            "written. Stitch a part of the scan, or reduce the fields."
        )
