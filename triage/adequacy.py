"""What of a picture could be assessed, and which groups it can't show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

import numpy as np

from triage.illumination import LEAST_CONTRAST, Light, measure_light, remark_on_light
from triage.images import Picture, to_grey
from triage.optics import Objective
from triage.records import Adequacy, CodedNote
from triage.seen_area import describe_seen
from triage.sharpness import LEAST_SHARPNESS, Focus, measure_focus
from triage.visibility import LEAST_WIDTH_PX, judge_visibility

_OVERVIEW_PX = 1024
_LIGHT_PX = 512


def assess_adequacy(
    picture: Picture,
    um_per_px: float | None,
    finest_um_per_px: float | None,
    *,
    objective: Objective | None = None,
    threads: int = 1,
) -> Adequacy:
    """How far a picture can show what is looked for.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Scale of the picture; None if unknown.
    finest_um_per_px : float or None
        Finest scale that the detector saw it at.
    objective : Objective, optional
        What it was taken with.
    threads : int
        Samples that are judged side by side.

    Returns
    -------
    adequacy : Adequacy
        `assessed_fraction` is the share of the area that is not black, and 0 where the whole picture is too
        small for any object.
    """
    is_too_small = min(picture.width, picture.height) < LEAST_WIDTH_PX
    light = None if is_too_small else _measure_light(picture)
    focus = _measure_focus(picture, um_per_px, light, threads)
    seen_um_per_px = None if um_per_px is None else max(um_per_px, finest_um_per_px or um_per_px)
    blur_um = focus.blur_um if focus and focus.is_blurred else None
    groups = judge_visibility(seen_um_per_px, objective, blur_um=blur_um)
    notes = [*picture.remarks, *_remark_on_size(picture, is_too_small)]
    notes += _remark_on_knowledge(um_per_px, objective)
    notes += remark_on_light(light) if light else ()
    notes += _remark_on_focus(focus, light)
    return Adequacy(
        assessed_fraction=0.0 if light is None else round(1.0 - light.black_fraction, 4),
        coded_notes=tuple(notes),
        groups_not_resolvable=tuple(one.group for one in groups if one.is_resolvable is False),
        groups=groups,
        focus=_describe_focus(focus),
        light=None if light is None else {name: round(value, 4) for name, value in asdict(light).items()},
        objective=None if objective is None else asdict(objective),
        area=None if light is None else describe_seen(picture, um_per_px, focus),
    )


def find_unresolvable(um_per_px: float | None, finest_um_per_px: float | None) -> tuple[str, ...]:
    """Groups whose smallest member is under 12 px wide at the scale that was seen; none if it is unknown."""
    if um_per_px is None or finest_um_per_px is None:
        return ()
    judged = judge_visibility(max(um_per_px, finest_um_per_px), None)
    return tuple(one.group for one in judged if one.is_resolvable is False)


def _measure_light(picture: Picture) -> Light:
    overview = picture.read_overview(_OVERVIEW_PX)
    # Shares and percentiles are the same of every fourth pixel; reducing further would take off the grain.
    step = max(1, max(overview.shape) // _LIGHT_PX)
    return measure_light(to_grey(overview[::step, ::step]).astype(np.float64))


def _measure_focus(
    picture: Picture, um_per_px: float | None, light: Light | None, threads: int
) -> Focus | None:
    """None where there is nothing to be sharp."""
    if light is None or light.black_fraction == 1 or light.contrast < LEAST_CONTRAST:
        return None
    return measure_focus(picture, um_per_px, overview_px=_OVERVIEW_PX, threads=threads)


def _describe_focus(focus: Focus | None) -> dict[str, float | None] | None:
    if focus is None:
        return None
    blur_um = focus.blur_um if focus.blur_um is not None and np.isfinite(focus.blur_um) else None
    return {
        "sharpness": round(focus.sharpness.value, 4),
        "least_sharpness": LEAST_SHARPNESS,
        "blur_um": None if blur_um is None else round(blur_um, 3),
    }


def _remark_on_size(picture: Picture, is_too_small: bool) -> Iterator[CodedNote]:
    if is_too_small:
        yield CodedNote(
            "too_small",
            f"The picture is {picture.width} x {picture.height} px; nothing can be recognised below "
            f"{LEAST_WIDTH_PX:g} px.",
            {"width": picture.width, "height": picture.height, "least": LEAST_WIDTH_PX},
        )


def _remark_on_knowledge(um_per_px: float | None, objective: Objective | None) -> Iterator[CodedNote]:
    if um_per_px is None:
        yield CodedNote(
            "scale_unknown",
            "The scale is unknown: sizes can't be measured, and which groups the picture could show "
            "can't be said.",
        )
    if objective is not None and objective.is_aperture_usual:
        yield CodedNote(
            "aperture_usual",
            f"The aperture of the objective isn't on record; {objective.numerical_aperture:g} is taken, "
            f"usual for {objective.magnification:g}x (from memory, no source). Read it from the objective.",
            {"aperture": objective.numerical_aperture, "magnification": objective.magnification},
        )


def _remark_on_focus(focus: Focus | None, light: Light | None) -> Iterator[CodedNote]:
    if focus is None and light is not None and light.contrast >= LEAST_CONTRAST:
        yield CodedNote("focus_unjudged", "Nothing stands out clearly enough to judge the focus by.")
    if focus is not None and focus.is_blurred:
        yield CodedNote(
            "blurred", "The picture looks blurred; objects may not be told apart. Take it again in focus."
        )
