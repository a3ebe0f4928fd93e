"""Opens the fields of a scan: small copies to search with, full ones read from disk when they are needed."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.errors import ImageError
from triage.images import open_picture

_SUFFIXES = frozenset((".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"))
# Longer side of the small copies: at it a field of the whole width is told from its neighbours in half a
# millisecond, and an overlap of a tenth is still a dozen pixels wide.
SMALL_PX = 128
LEAST_FIELD_PX = 64
# Deviation of the smoothing under which fields are compared.
SMOOTH_PX = 1.2
_GREYS_KEPT = 24
# With fewer fields the median of all would show what lies on the slide.
_LEAST_FOR_DUST = 8
_MOST_FOR_DUST = 25
_BAND_ROWS = 64
# What is broader is the lamp, which the small copies tell.
_DUST_PX = 12.0
_MOST_SCALE_DIFFERENCE = 0.005


@dataclass(frozen=True)
class Fields:
    """The fields of one scan, all of one size.

    Attributes
    ----------
    paths : tuple of Path
    names : tuple of str
    shape_hw : tuple of int
        Rows and columns of each field.
    small : ndarray of shape (N, h, w, 3)
        Reduced copies, float32, 0 to 255.
    um_per_px : float or None
        Scale that the files themselves state.
    greys : tuple of Path
        Raw grey values of each field, a byte a pixel.
    """

    paths: tuple[Path, ...]
    names: tuple[str, ...]
    shape_hw: tuple[int, int]
    small: NDArray[np.float32]
    um_per_px: float | None
    greys: tuple[Path, ...]

    @property
    def factor(self) -> float:
        """Pixels of a field to a pixel of its small copy."""
        return float(self.shape_hw[1] / self.small.shape[2])


def list_fields(paths: Sequence[Path]) -> tuple[Path, ...]:
    """The pictures named, those of a folder in the order of their names, numbers by value.

    Raises
    ------
    ImageError
        If there are fewer than two.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = [one for one in path.iterdir() if one.suffix.lower() in _SUFFIXES and one.is_file()]
            found += sorted(inside, key=lambda one: _by_number(one.name))
        else:
            found.append(path)
    if len(found) < 2:
        raise ImageError(
            f"{len(found)} picture was given; stitching needs 2 or more that overlap. "
            "Give a folder, or all pictures of the scan."
        )
    return tuple(found)


def _by_number(name: str) -> tuple[tuple[int, int | str], ...]:
    parts = re.split(r"(\d+)", name.lower())
    return tuple((0, int(part)) if part.isdigit() else (1, part) for part in parts)


def open_fields(
    paths: Sequence[Path],
    work_folder: Path,
    *,
    names: Sequence[str] | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Fields:
    """Decode every field once.

    Parameters
    ----------
    paths : sequence of Path
    work_folder : Path
        Takes the grey values of the fields.
    names : sequence of str, optional
        What to call them; left out, the files' names.
    on_progress : callable, optional
        Called with the number of fields read and of all.

    Raises
    ------
    ImageError
        If a field can't be read, is too small, or has another size or scale than the first.
    """
    names = tuple(names or (path.name for path in paths))
    if len(names) != len(paths):
        raise ValueError(f"{len(paths)} fields need as many names, received {len(names)}.")
    small, greys, scales = [], [], []
    shape_hw = None
    for number, path in enumerate(paths):
        with open_picture(path, file_name=names[number]) as picture:
            size_hw = (picture.height, picture.width)
            shape_hw = shape_hw or size_hw
            _check_size(names[number], size_hw, names[0], shape_hw)
            pixels = picture.read_region(0, 0, picture.width, picture.height)
            scales.append(picture.um_per_px)
        shrink = min(1.0, SMALL_PX / max(shape_hw))
        small_wh = (max(8, round(shape_hw[1] * shrink)), max(8, round(shape_hw[0] * shrink)))
        small.append(cv2.resize(pixels, small_wh, interpolation=cv2.INTER_AREA))
        greys.append(work_folder / f"{number}.grey")
        cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).tofile(greys[-1])
        if on_progress is not None:
            on_progress(number + 1, len(paths))
    if shape_hw is None:
        raise ValueError("paths must name 2 fields or more, received none.")
    return Fields(
        paths=tuple(paths),
        names=names,
        shape_hw=shape_hw,
        small=np.stack(small).astype(np.float32),
        um_per_px=_agree_on_scale(scales, names),
        greys=tuple(greys),
    )


def _check_size(name: str, size_hw: tuple[int, int], first: str, shape_hw: tuple[int, int]) -> None:
    if min(size_hw) < LEAST_FIELD_PX:
        raise ImageError(
            f"{name} is {size_hw[1]} x {size_hw[0]} px; a field needs {LEAST_FIELD_PX} px or more a side."
        )
    if size_hw != shape_hw:
        raise ImageError(
            f"{name} is {size_hw[1]} x {size_hw[0]} px, but {first} is {shape_hw[1]} x {shape_hw[0]} px; "
            "all fields of a scan must have one size. Leave out what belongs to another scan."
        )


def _agree_on_scale(scales: Sequence[float | None], names: Sequence[str]) -> float | None:
    known = [(scale, name) for scale, name in zip(scales, names, strict=True) if scale is not None]
    if not known:
        return None
    (least, least_name), (most, most_name) = min(known), max(known)
    if most - least > _MOST_SCALE_DIFFERENCE * most:
        raise ImageError(
            f"{least_name} states {least:g} µm per pixel and {most_name} {most:g}; all fields of a scan must "
            "have one scale. Leave out what belongs to another scan."
        )
    return float(np.median([scale for scale, _ in known]))


def estimate_dust(fields: Fields, light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Share of the light that dust on the sensor lets through, shape (H, W); 1 where there is none.

    Parameters
    ----------
    fields : Fields
    light : ndarray of shape (H, W)
        Light over a field without the dust.

    Notes
    -----
    Dust lies still while the slide moves. Two specks look alike, so that without this one speck of a field is
    found again in another speck of any other field, always at the same shift.
    """
    height, width = fields.shape_hw
    n = len(fields.greys)
    if n < _LEAST_FOR_DUST:
        return np.ones((height, width), np.float32)
    chosen = np.unique(np.linspace(0, n - 1, min(n, _MOST_FOR_DUST)).round().astype(int))
    raw = [np.memmap(fields.greys[k], dtype=np.uint8, mode="r", shape=(height, width)) for k in chosen]
    levels = [max(1.0, float(np.median(fields.small[k]))) for k in chosen]
    usual = np.empty((height, width), np.float32)
    for top in range(0, height, _BAND_ROWS):
        band = slice(top, top + _BAND_ROWS)
        stack = [one[band] / (light[band] * level) for one, level in zip(raw, levels, strict=True)]
        usual[band] = np.median(np.stack(stack), axis=0)
    calm = cv2.GaussianBlur(usual, (0, 0), 1.2)
    dust: NDArray[np.float32] = np.asarray(calm / cv2.GaussianBlur(usual, (0, 0), _DUST_PX), np.float32)
    return dust


class GreyReader:
    """Grey values of the fields under even light and slightly smoothed; the last few are kept.

    Parameters
    ----------
    fields : Fields
    light : ndarray of shape (h, w)
        Light over the small copy, about 1.
    """

    def __init__(self, fields: Fields, light: NDArray[np.float32]) -> None:
        self._fields = fields
        height, width = fields.shape_hw
        even = cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR).astype(np.float32)
        self._light: NDArray[np.float32] = even * estimate_dust(fields, even)
        self._kept: OrderedDict[int, NDArray[np.float32]] = OrderedDict()
        self._grain: dict[int, float] = {}

    def read(self, number: int) -> NDArray[np.float32]:
        """Grey values (H, W) of a field."""
        if number in self._kept:
            self._kept.move_to_end(number)
            return self._kept[number]
        raw = np.fromfile(self._fields.greys[number], dtype=np.uint8).reshape(self._fields.shape_hw)
        if number not in self._grain:
            self._grain[number] = _measure_grain(raw) / (2 * np.sqrt(np.pi) * SMOOTH_PX)
        even = raw.astype(np.float32) / self._light
        grey = np.asarray(cv2.GaussianBlur(even, (0, 0), SMOOTH_PX), dtype=np.float32)
        self._kept[number] = grey
        if len(self._kept) > _GREYS_KEPT:
            self._kept.popitem(last=False)
        return grey

    def measure_grain(self, number: int) -> float:
        """Deviation of the grain of a field in the values that `read` gives."""
        if number not in self._grain:
            self.read(number)
        return self._grain[number]


def _measure_grain(raw: NDArray[np.uint8]) -> float:
    """Deviation of independent grain, from second differences, whose median edges don't reach.

    References
    ----------
    J. Immerkaer, "Fast noise variance estimation", 1996 (from memory): the mask of two second differences
    carries grain of deviation 1 to one of 6; the median takes the place of his mean.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    bends = cv2.filter2D(raw, cv2.CV_32F, mask)
    return float(np.median(np.abs(bends)) / 0.6745 / 6)
