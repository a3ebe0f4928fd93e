"""What a picture can show: each group's smallest width against the pixels and the objective's resolution."""

from __future__ import annotations

import math
from dataclasses import dataclass

from triage.adequacy import LEAST_WIDTH_PX
from triage.errors import RecordError
from triage.groups import Group, read_groups
from triage.optics import Objective, largest_useful_um_per_px

# Where protozoa are read (TroCCAP SOP 1: 10x for worm stages, 40x for protozoa).
_FINE_MAGNIFICATION = 40.0


@dataclass(frozen=True)
class Visibility:
    """Whether a picture can show the smallest member of a group.

    Attributes
    ----------
    group : str
        A name from `triage.groups`.
    smallest_width_um : float
    width_px : float or None
        Pixels of the picture across that width; None without a scale.
    resolved_px : float or None
        How many of them the objective could fill with detail; None where the objective is unknown.
    is_resolvable : bool or None
        None where neither scale nor objective is known.
    limited_by : tuple of str
        `sampling` (too few pixels), `optics` (the objective resolves too little), or both.
    advice : str
        What to do, one sentence or two; never that the group is not there.
    """

    group: str
    smallest_width_um: float
    width_px: float | None
    resolved_px: float | None
    is_resolvable: bool | None
    limited_by: tuple[str, ...]
    advice: str


def judge_visibility(
    um_per_px: float | None, objective: Objective | None, *, least_width_px: float = LEAST_WIDTH_PX
) -> tuple[Visibility, ...]:
    """What one picture can show of each candidate group, in the order of the table.

    Parameters
    ----------
    um_per_px : float or None
        Scale of the picture; None if unknown.
    objective : Objective or None
        What it was taken with; None if unknown.
    least_width_px : float
        Pixels that an object needs across its width.

    Raises
    ------
    RecordError
        If the scale is not above 0.

    Notes
    -----
    An objective fills pixels with detail down to its largest useful one (Rayleigh / 2.3); finer ones only
    enlarge the blur. So the least number of pixels is asked of both: of the camera's, and of those that
    the objective can fill. That the same number holds for both is our choice, without a source.
    """
    if um_per_px is not None and not (math.isfinite(um_per_px) and um_per_px > 0):
        raise RecordError(
            f"The scale is {um_per_px} µm per pixel; it must be a number above 0. Calibrate the picture, "
            "or leave the scale out."
        )
    return tuple(
        _judge_group(group, group.smallest_width_um, um_per_px, objective, least_width_px)
        for group in read_groups()
        if group.kind == "candidate" and group.smallest_width_um is not None
    )


def _judge_group(
    group: Group, width_um: float, um_per_px: float | None, objective: Objective | None, least_px: float
) -> Visibility:
    width_px = None if um_per_px is None else width_um / um_per_px
    resolved_px = None if objective is None else width_um / largest_useful_um_per_px(objective)
    counts = {"sampling": width_px, "optics": resolved_px}
    limits = tuple(name for name, px in counts.items() if px is not None and px < least_px)
    is_unknown = width_px is None and resolved_px is None
    return Visibility(
        group=group.name,
        smallest_width_um=width_um,
        width_px=width_px,
        resolved_px=resolved_px,
        is_resolvable=None if is_unknown else not limits,
        limited_by=limits,
        advice=_advise(counts, limits, objective, least_px),
    )


def _advise(
    counts: dict[str, float | None], limits: tuple[str, ...], objective: Objective | None, least_px: float
) -> str:
    if not limits:
        return _advise_without_limit(counts)
    named = {
        "sampling": "the smallest is only {:g} px wide",
        "optics": "the objective fills only {:g} px of its width with detail",
    }
    why = " and ".join(named[name].format(_cut_digits(counts[name] or 0.0)) for name in limits)
    return f"Can't be assessed in this picture: {why}, {least_px:g} are needed. {_next_step(objective)}"


def _cut_digits(px: float) -> float:
    """To a tenth, never up: 11.998 is not to read as 12 where 12 are needed."""
    return math.floor(10 * px) / 10


def _advise_without_limit(counts: dict[str, float | None]) -> str:
    names = {"sampling": "the scale", "optics": "the objective"}
    unknown = [names[name] for name, px in counts.items() if px is None]
    if len(unknown) == len(names):
        return "Can't be judged: neither the scale nor the objective is known."
    return (
        f"Wide enough, as far as can be judged without {unknown[0]}."
        if unknown
        else "Wide enough to be shown."
    )


def _next_step(objective: Objective | None) -> str:
    if objective is None or objective.magnification < _FINE_MAGNIFICATION:
        return "Go to 40x."
    return "Photograph it with more pixels to the field or with an objective of larger aperture."
