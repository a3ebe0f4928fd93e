"""Marks as readers would make them of drawn slides: some objects missed, some misnamed, boxes not exact."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from training.dataset import SEEN_OF_TRUNCATED, MarkedObject, MarkedPicture
from training.synthesize.sight import LEAST_VISIBLE
from triage.groups import candidate_groups

_MOST_OFF = 0.2
"""No edge is further off, as a share of the side: boxes stay boxes."""


@dataclass(frozen=True)
class ReaderRates:
    """How often simulated readers err. No source gives such rates for each object: all are assumed.

    Attributes
    ----------
    missed : float
        Share of eggs, oocysts and cysts that get no mark, beside those that nobody could see.
    misnamed : float
        Share of the marked ones that get another group.
    box_sd : float
        Deviation of each edge of a box, as a share of its side.
    look_alikes_marked : float
        Share of look-alikes that were proposed and rejected with a reason; nobody marks the others.
    """

    missed: float = 0.08
    misnamed: float = 0.05
    box_sd: float = 0.05
    look_alikes_marked: float = 0.3


def mark_as_readers(
    pictures: Sequence[MarkedPicture], rates: ReaderRates, *, seed: int
) -> list[MarkedPicture]:
    """The pictures with marks as simulated readers would leave them; the same for the same seed.

    Parameters
    ----------
    pictures : sequence of MarkedPicture
        With their truth.
    rates : ReaderRates
    seed : int
        A picture's marks depend on it and on the picture's id alone.
    """
    return [_mark(one, rates, np.random.default_rng([seed, one.image_id])) for one in pictures]


def _mark(picture: MarkedPicture, rates: ReaderRates, random: np.random.Generator) -> MarkedPicture:
    marked = [_mark_object(one, rates, random) for one in picture.objects]
    return replace(picture, objects=tuple(one for one in marked if one is not None))


def _mark_object(truth: MarkedObject, rates: ReaderRates, random: np.random.Generator) -> MarkedObject | None:
    names = candidate_groups()
    is_candidate = truth.group in names
    is_seen, is_misnamed = random.random(2) >= (
        rates.missed if is_candidate else 1 - rates.look_alikes_marked,
        1 - rates.misnamed,
    )
    others = [name for name in names if name != truth.group]
    other = others[random.integers(len(others))]
    placed = _place_box(truth, rates.box_sd, random)
    if not is_seen or truth.visible < LEAST_VISIBLE:
        return None
    return replace(placed, group=other) if is_candidate and is_misnamed else placed


def _place_box(truth: MarkedObject, sd: float, random: np.random.Generator) -> MarkedObject:
    """What a mark says of the object: a box whose edges are each a little off, its outline moved with it."""
    box = np.array(truth.box_xyxy)
    sides = np.tile(box[2:] - box[:2], 2)
    moved = box + np.clip(random.normal(0, sd, 4), -_MOST_OFF, _MOST_OFF) * sides
    x1, y1, x2, y2 = (float(edge) for edge in moved)
    ellipse = truth.ellipse
    if ellipse is not None:
        shift_x, shift_y = (moved[:2] + moved[2:] - box[:2] - box[2:]) / 2
        scale = float(np.sqrt(((moved[2:] - moved[:2]) / sides[:2]).prod()))
        cx, cy, length, width, angle = ellipse
        ellipse = (cx + float(shift_x), cy + float(shift_y), length * scale, width * scale, angle)
    visible = SEEN_OF_TRUNCATED if truth.is_truncated else 1.0
    return replace(truth, box_xyxy=(x1, y1, x2, y2), ellipse=ellipse, visible=visible)
