"""What a picture can show: each group's smallest width against pixels, objective and focus."""

from __future__ import annotations

import math
from collections.abc import Mapping

from triage.errors import RecordError
from triage.groups import Group, read_groups
from triage.optics import Objective, largest_useful_um_per_px
from triage.records import Visibility

# An object needs about this many pixels across its width to be proposed honestly.
LEAST_WIDTH_PX = 12.0
# Whatever is shorter in the picture's own pixels is neither asked for nor proposed: a Giardia cyst, the
# smallest object of the table of groups, is about 12 px long at 1 µm per pixel.
LEAST_LENGTH_PX = 12.0
# Where protozoa are read (TroCCAP SOP 1: 10x for worm stages, 40x for protozoa).
_FINE_MAGNIFICATION = 40.0
_WORDS = {
    "sampling": "the smallest is only {:g} px wide",
    "optics": "the objective fills only {:g} px of its width with detail",
    "focus": "the blur leaves only {:g} px of its width apart",
}
_STEPS = {
    "refocus": "Take it again in focus.",
    "magnify": "Go to 40x.",
    "more_pixels": "Photograph it with more pixels to the field or with an objective of larger aperture.",
}


def judge_visibility(
    um_per_px: float | None,
    objective: Objective | None,
    *,
    blur_um: float | None = None,
    least_width_px: float = LEAST_WIDTH_PX,
) -> tuple[Visibility, ...]:
    """What one picture can show of each candidate group, in the order of the table.

    Parameters
    ----------
    um_per_px : float or None
        Scale of the picture; None if unknown.
    objective : Objective or None
        What it was taken with; None if unknown.
    blur_um : float, optional
        Standard deviation of the blur of a picture out of focus; None for one in focus, or not judged.
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
    the objective can fill. A blur of standard deviation s parts points about 2.35 s from each other (its
    width at half height), so its pixels are 2.35 s / 2.3, taken as s. That the same number holds for all
    three is our choice, without a source.
    """
    if um_per_px is not None and not (math.isfinite(um_per_px) and um_per_px > 0):
        raise RecordError(
            f"The scale is {um_per_px} µm per pixel; it must be a number above 0. Calibrate the picture, "
            "or leave the scale out."
        )
    fill = {
        "sampling": um_per_px,
        "optics": None if objective is None else largest_useful_um_per_px(objective),
        "focus": blur_um,
    }
    return tuple(
        _judge_group(group, group.smallest_width_um, fill, objective, least_width_px)
        for group in read_groups()
        if group.kind == "candidate" and group.smallest_width_um is not None
    )


def choose_steps(limits: tuple[str, ...], magnification: float | None) -> tuple[str, ...]:
    """What to do where a picture falls short of a group.

    Parameters
    ----------
    limits : tuple of str
        As in `Visibility.limited_by`.
    magnification : float or None
        Of the objective; None if unknown.

    Returns
    -------
    steps : tuple of str
        Of `refocus`, `magnify` (to 40x), and `more_pixels` or a larger aperture.
    """
    steps = ("refocus",) if "focus" in limits else ()
    if not set(limits) - {"focus"}:
        return steps
    is_coarse = magnification is None or magnification < _FINE_MAGNIFICATION
    return (*steps, "magnify" if is_coarse else "more_pixels")


def cut_digits(px: float) -> float:
    """To a tenth, never up: 11.998 is not to read as 12 where 12 are needed."""
    return math.floor(10 * px) / 10


def _judge_group(
    group: Group,
    width_um: float,
    fill: Mapping[str, float | None],
    objective: Objective | None,
    least_px: float,
) -> Visibility:
    counts = {name: None if size_um is None else width_um / size_um for name, size_um in fill.items()}
    limits = tuple(name for name, px in counts.items() if px is not None and px < least_px)
    is_unknown = all(px is None for px in counts.values())
    return Visibility(
        group=group.name,
        smallest_width_um=width_um,
        width_px=counts["sampling"],
        resolved_px=counts["optics"],
        is_resolvable=None if is_unknown else not limits,
        limited_by=limits,
        advice=_advise(counts, limits, objective, least_px),
        focused_px=counts["focus"],
    )


def _advise(
    counts: Mapping[str, float | None], limits: tuple[str, ...], objective: Objective | None, least_px: float
) -> str:
    if not limits:
        return _advise_without_limit(counts)
    why = " and ".join(_WORDS[name].format(cut_digits(counts[name] or 0.0)) for name in limits)
    steps = " ".join(
        _STEPS[step] for step in choose_steps(limits, None if objective is None else objective.magnification)
    )
    return f"Can't be assessed in this picture: {why}, {least_px:g} are needed. {steps}"


def _advise_without_limit(counts: Mapping[str, float | None]) -> str:
    names = {"sampling": "the scale", "optics": "the objective"}
    unknown = [words for name, words in names.items() if counts[name] is None]
    if len(unknown) == len(names):
        return "Can't be judged: neither the scale nor the objective is known."
    return (
        f"Wide enough, as far as can be judged without {unknown[0]}."
        if unknown
        else "Wide enough to be shown."
    )
