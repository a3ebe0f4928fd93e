"""What the steps of stitching hand to each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Measured:
    """Where two fields lie to each other, measured by all that both show.

    Attributes
    ----------
    first_xy, second_xy : ndarray of shape (K, 2)
        Places that both show, in pixels from the middle of each field.
    information : ndarray of shape (K, 2, 2)
        Inverse of the covariance of each, in 1/px².
    """

    first_xy: NDArray[np.float64]
    second_xy: NDArray[np.float64]
    information: NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """Two fields that show the same place.

    Attributes
    ----------
    first, second : int
        Numbers of the fields, `first < second`.
    first_xy, second_xy : ndarray of shape (M, 2)
        Places that both show, in pixels from the middle of each field.
    likeness : ndarray of shape (M,)
        Normalised cross-correlation at each place, 0 to 1.
    chance : float
        Upper estimate of the chance that two unrelated fields would agree as well.
    measured : Measured or None
        What the places rest on, if the overlap tells more than these places.
    """

    first: int
    second: int
    first_xy: NDArray[np.float64]
    second_xy: NDArray[np.float64]
    likeness: NDArray[np.float64]
    chance: float
    measured: Measured | None = None


@dataclass(frozen=True)
class Placed:
    """Where a field lies.

    Attributes
    ----------
    field : int
        Number of the field in the order given.
    name : str
        Of its file.
    x, y : float
        Its top left corner in the mosaic, in pixels; for a turned field, where the corner of the unturned
        field around the same middle would be.
    turn_deg : float
        Clockwise on the screen, against the mosaic.
    sureness : float
        1 less the chance that what it shares with its neighbours agrees by accident, 0 to 1.
    sd_px : float
        Standard uncertainty of its place against the field from which the others are known best.
    by : str
        `overlap`, or `regularity` where only the serpentine's steps say so.
    neighbours : int
        How many fields it was matched with.
    sharpness : float or None
        As `triage.sharpness` measures it; None where nothing stands out to judge it by.
    """

    field: int
    name: str
    x: float
    y: float
    turn_deg: float
    sureness: float
    sd_px: float
    by: str
    neighbours: int
    sharpness: float | None = None


@dataclass(frozen=True)
class LeftOut:
    """A field that is not in the mosaic, and why, in one sentence."""

    field: int
    name: str
    reason: str


@dataclass(frozen=True)
class Part:
    """Fields that hang together, while nothing ties them surely to the mosaic.

    Attributes
    ----------
    shape_hw : tuple of int
        Rows and columns of the rectangle around them.
    placed : tuple of Placed
        Where they lie to each other; x and y are from the corner of that rectangle.
    """

    shape_hw: tuple[int, int]
    placed: tuple[Placed, ...]


@dataclass(frozen=True)
class Stitching:
    """Where all fields of a scan lie, or why they don't.

    Attributes
    ----------
    shape_hw : tuple of int
        Rows and columns of the mosaic.
    field_hw : tuple of int
        Rows and columns of each field.
    um_per_px : float or None
    placed : tuple of Placed
    left_out : tuple of LeftOut
    pairs, rejected_pairs : int
        Overlaps that the places rest on, and those that disagreed with them, or that alone tied two parts
        and were not sure enough for that.
    residual_px : float
        Median disagreement of the overlaps with the places.
    contradicting : tuple of (str, str)
        Names of placed fields that should show the same by their places, and don't.
    parts : tuple of Part
        Of the fields left out those that hang together, the largest part first.
    """

    shape_hw: tuple[int, int]
    field_hw: tuple[int, int]
    um_per_px: float | None
    placed: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    pairs: int
    rejected_pairs: int
    residual_px: float
    contradicting: tuple[tuple[str, str], ...] = ()
    parts: tuple[Part, ...] = ()


def stitching_to_json(stitching: Stitching) -> dict[str, Any]:
    """The stitching as plain values for JSON; lengths in pixels of the mosaic, or of the part."""
    return {
        "mosaic": {**_size_to_json(stitching.shape_hw), "um_per_px": stitching.um_per_px},
        "overlaps": {
            "used": stitching.pairs,
            "rejected": stitching.rejected_pairs,
            "median_residual_px": round(stitching.residual_px, 3),
            "contradicting": [list(names) for names in stitching.contradicting],
        },
        "placed": [_placed_to_json(one) for one in stitching.placed],
        "left_out": [{"field": one.name, "reason": one.reason} for one in stitching.left_out],
        "parts": [
            {**_size_to_json(part.shape_hw), "placed": [_placed_to_json(one) for one in part.placed]}
            for part in stitching.parts
        ],
    }


def _size_to_json(shape_hw: tuple[int, int]) -> dict[str, Any]:
    return {"width": shape_hw[1], "height": shape_hw[0]}


def _placed_to_json(one: Placed) -> dict[str, Any]:
    return {
        "field": one.name,
        "x": round(one.x, 2),
        "y": round(one.y, 2),
        "turn_deg": round(one.turn_deg, 4),
        "sureness": round(one.sureness, 6),
        "sd_px": round(one.sd_px, 3),
        "by": one.by,
        "neighbours": one.neighbours,
        "sharpness": None if one.sharpness is None else round(one.sharpness, 3),
    }
