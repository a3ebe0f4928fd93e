"""How a picture is lit: what is black, what is burnt out, how even the light is, how much stands out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.percentiles import find_percentile
from triage.records import CodedNote

# Below this brightness, of 255, lies the dark surround of an eyepiece, which shows nothing.
LEAST_GREY = 20.0
# At this brightness the camera is full. Dark objects still show on it, thin clear walls may not.
_BURNT_OUT_GREY = 253.0
MOST_BURNT_OUT = 0.3
# Spread of brightness, of 255, below which even the thin wall of a hookworm-type egg drowns (our choice).
LEAST_CONTRAST = 3.0
MOST_BLACK = 0.05
# Light of the darkest part over that of the brightest; below it the same wall looks different at different
# places (our choice).
LEAST_EVENNESS = 0.5
_PARTS_A_SIDE = 8
# The fluid between the objects is taken from the brighter end of each part, the brightest of it left out.
_FLUID_PERCENT = 75
_LEAST_LIT_SHARE = 0.5
# Powers of row and column in the surface of second degree that stands for the lamp.
_SURFACE = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
_ROUNDS = 5
# A part this much darker than the surface is darkened by an object, not by the lamp (our choice).
_DARKENED_SHARE = 0.93


@dataclass(frozen=True)
class Light:
    """What is measured of the light.

    Attributes
    ----------
    black_fraction, burnt_out_fraction : float
        Share of the area.
    contrast : float
        Range that holds 98 % of the brightness values of the lit area, in grey levels of 255.
    evenness : float
        Light of the darkest part of the lit area over that of the brightest, up to 1.
    """

    black_fraction: float
    burnt_out_fraction: float
    contrast: float
    evenness: float


def measure_light(grey: NDArray[np.float64]) -> Light:
    """How a picture is lit.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
        Brightness, 0 to 255, of the picture or a reduced copy of it.
    """
    is_lit = grey >= LEAST_GREY
    return Light(
        black_fraction=1.0 - float(is_lit.mean()),
        burnt_out_fraction=float((grey >= _BURNT_OUT_GREY).mean()),
        contrast=measure_contrast(grey[is_lit]) if is_lit.any() else 0.0,
        evenness=_measure_evenness(grey, is_lit),
    )


def measure_contrast(grey: NDArray[np.float64]) -> float:
    """Range that holds 98 % of brightness values, in grey levels of 255."""
    return find_percentile(grey, 99) - find_percentile(grey, 1)


def _measure_evenness(grey: NDArray[np.float64], is_lit: NDArray[np.bool_]) -> float:
    """Darkest over brightest place of the lamp's light; 1 where too few parts are lit to tell.

    A smooth surface of second degree is laid through the fluid of the parts, and parts that objects darken
    are left out of it.
    """
    place, fluid = _sample_fluid(grey, is_lit)
    terms = np.stack([place[:, 0] ** row * place[:, 1] ** column for row, column in _SURFACE], axis=1)
    kept = np.ones(len(fluid), dtype=bool)
    for _ in range(_ROUNDS):
        if kept.sum() < 2 * len(_SURFACE):
            return 1.0
        surface = terms @ np.linalg.lstsq(terms[kept], fluid[kept], rcond=None)[0]
        kept = fluid >= _DARKENED_SHARE * surface
    lamp = surface[kept]
    return float(np.clip(lamp.min() / lamp.max(), 0.0, 1.0)) if kept.any() else 1.0


def _sample_fluid(
    grey: NDArray[np.float64], is_lit: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middles (N, 2), -1 to 1, of the parts that are mostly lit, and how bright the fluid is there."""
    rows = np.array_split(np.arange(grey.shape[0]), _PARTS_A_SIDE)
    columns = np.array_split(np.arange(grey.shape[1]), _PARTS_A_SIDE)
    place, fluid = [], []
    for row in rows:
        for column in columns:
            if not (row.size and column.size):
                continue
            part = slice(row[0], row[-1] + 1), slice(column[0], column[-1] + 1)
            if is_lit[part].mean() >= _LEAST_LIT_SHARE:
                place.append([2 * row.mean() / grey.shape[0] - 1, 2 * column.mean() / grey.shape[1] - 1])
                fluid.append(find_percentile(grey[part][is_lit[part]], _FLUID_PERCENT))
    return np.array(place).reshape(-1, 2), np.array(fluid)


def remark_on_light(light: Light) -> tuple[CodedNote, ...]:
    """What is to be said of the light, a sentence or two each; nothing where it is good."""
    if light.black_fraction == 1:
        return (CodedNote("black", "The whole picture is black and shows nothing."),)
    return tuple(_remark_on_light(light))


def _remark_on_light(light: Light) -> Iterator[CodedNote]:
    if light.black_fraction > MOST_BLACK:
        percent = f"{100 * light.black_fraction:.0f}"
        sentence = f"{percent} % of the area is black and shows nothing."
        yield CodedNote("black_in_part", sentence, {"percent": int(percent)})
    if light.burnt_out_fraction > MOST_BURNT_OUT:
        yield CodedNote(
            "burnt_out",
            "Much of the picture is burnt out; thin walls may not show. Take it again with less light.",
        )
    if light.evenness < LEAST_EVENNESS:
        yield CodedNote(
            "uneven",
            "The light is uneven: the darkest part has less than half the light of the brightest. Center the "
            "condenser and the lamp.",
        )
    if light.contrast < LEAST_CONTRAST:
        yield CodedNote(
            "contrast", "The picture has hardly any contrast; thin-walled objects would not show."
        )
