"""Writes the mosaic: one pyramidal, tiled OME-TIFF, made in bands so that memory stays bounded."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import quoteattr

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray

from triage.errors import ImageError
from triage.images import open_picture
from triage.stitch.light import even_pixels
from triage.stitch.records import Placed
from triage.stitch.stiff import rotate

_BAND_PX = 512
_TILE_PX = 256
_QUALITY = 92
# Fields meet along a seam that is narrow against the overlap: an object is taken from one field, not from
# the mean of two that lie half a pixel apart.
_SEAM_POWER = 6
# Corners that move less than this by the field's turn are not worth resampling for.
_LEAST_TURN_SHIFT_PX = 0.5
# As the dark surround of an eyepiece, it shows nothing; white would count as burnt out.
_EMPTY_GREY = 0


@dataclass(frozen=True)
class Sources:
    """Pictures to take the mosaic's pixels from.

    Attributes
    ----------
    paths : tuple of Path
        By number of the field.
    light : ndarray of shape (h, w, 3)
    gains : ndarray of shape (N, 3)
    """

    paths: tuple[Path, ...]
    light: NDArray[np.float32]
    gains: NDArray[np.float32]


@dataclass(frozen=True)
class _Laid:
    """A field on the mosaic's grid."""

    left: int
    top: int
    pixels: NDArray[np.uint8]
    weight: NDArray[np.float32]


def write_mosaic(
    out: Path,
    shape_hw: tuple[int, int],
    placed: Sequence[Placed],
    sources: Sources,
    *,
    um_per_px: float | None,
    on_progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the placed fields as one OME-TIFF; what no field shows is black.

    Parameters
    ----------
    out : Path
        Ends in `.tif` or `.tiff`.
    shape_hw : tuple of int
        Rows and columns of the mosaic.
    placed : sequence of Placed
    sources : Sources
    um_per_px : float or None
        Written as PhysicalSizeX and PhysicalSizeY where it is known.
    on_progress : callable, optional
        Called with the number of rows written and of all.

    Raises
    ------
    ImageError
        If the mosaic can't be written.

    Notes
    -----
    A band of rows is in memory at a time, with the fields that reach into it. The whole goes through a raw
    file beside the mosaic, three bytes a pixel, which is removed at the end.
    """
    height, width = shape_hw
    try:
        with tempfile.TemporaryDirectory(prefix=".coverslip-stitch-", dir=out.parent) as folder:
            raw = Path(folder) / "mosaic.raw"
            with raw.open("wb") as file:
                for band in _draw_bands(shape_hw, placed, sources):
                    band.tofile(file)
                    if on_progress is not None:
                        on_progress(file.tell() // (3 * width), height)
            _save(raw, out, shape_hw, um_per_px)
    except (OSError, pyvips.Error) as err:
        raise ImageError(
            f"The mosaic {out} can't be written ({' '.join(str(err).split())}). "
            "Name a file in a folder that exists and has room."
        ) from err


def _draw_bands(
    shape_hw: tuple[int, int], placed: Sequence[Placed], sources: Sources
) -> Iterator[NDArray[np.uint8]]:
    height, width = shape_hw
    waiting = sorted(placed, key=lambda one: (one.y, one.x, one.field))
    open_now: list[_Laid] = []
    for top in range(0, height, _BAND_PX):
        bottom = min(height, top + _BAND_PX)
        open_now = [laid for laid in open_now if laid.top + laid.pixels.shape[0] > top]
        # A turned field reaches a little above its unturned corner.
        while waiting and waiting[0].y < bottom + 0.05 * width:
            open_now.append(_lay(waiting.pop(0), sources))
        yield _blend(open_now, top, bottom, width)


def _blend(laid: Sequence[_Laid], top: int, bottom: int, width: int) -> NDArray[np.uint8]:
    total = np.zeros((bottom - top, width, 3), np.float32)
    weights = np.zeros((bottom - top, width, 1), np.float32)
    for one in laid:
        rows = slice(max(top, one.top), min(bottom, one.top + one.pixels.shape[0]))
        columns = slice(max(0, one.left), min(width, one.left + one.pixels.shape[1]))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            continue
        own = (
            slice(rows.start - one.top, rows.stop - one.top),
            slice(columns.start - one.left, columns.stop - one.left),
        )
        there = slice(rows.start - top, rows.stop - top), columns
        weight = one.weight[own][..., None]
        total[there] += weight * one.pixels[own]
        weights[there] += weight
    shown = total / np.maximum(weights, 1e-30)
    return np.where(weights > 0, np.rint(shown), _EMPTY_GREY).astype(np.uint8)


def _lay(one: Placed, sources: Sources) -> _Laid:
    """A field with even light on the mosaic's grid, resampled only where it is turned."""
    with open_picture(sources.paths[one.field]) as picture:
        raw = picture.read_region(0, 0, picture.width, picture.height)
    pixels = even_pixels(raw, sources.light, sources.gains[one.field])
    height, width = pixels.shape[:2]
    weight = _weigh(height, width)
    turn = np.deg2rad(one.turn_deg)
    if abs(turn) * np.hypot(height, width) / 2 < _LEAST_TURN_SHIFT_PX:
        return _Laid(round(one.x), round(one.y), pixels, weight)
    reach_x = (width * abs(np.cos(turn)) + height * abs(np.sin(turn))) / 2 + 1
    reach_y = (height * abs(np.cos(turn)) + width * abs(np.sin(turn))) / 2 + 1
    middle_x, middle_y = one.x + (width - 1) / 2, one.y + (height - 1) / 2
    left, top = int(np.floor(middle_x - reach_x)), int(np.floor(middle_y - reach_y))
    size_wh = (int(np.ceil(middle_x + reach_x)) - left + 1, int(np.ceil(middle_y + reach_y)) - top + 1)
    rotation = rotate(turn)
    shift = np.array([middle_x - left, middle_y - top]) - rotation @ [(width - 1) / 2, (height - 1) / 2]
    to_mosaic = np.column_stack([rotation, shift])
    laid = cv2.warpAffine(pixels, to_mosaic, size_wh, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpAffine(weight, to_mosaic, size_wh, flags=cv2.INTER_LINEAR)
    return _Laid(left, top, np.asarray(laid, np.uint8), np.asarray(cover, np.float32))


def _weigh(height: int, width: int) -> NDArray[np.float32]:
    """Weight of each pixel of a field: by its distance from the border, steeply."""
    y = np.minimum(np.arange(1, height + 1), np.arange(height, 0, -1)) / ((height + 1) / 2)
    x = np.minimum(np.arange(1, width + 1), np.arange(width, 0, -1)) / ((width + 1) / 2)
    near: NDArray[np.float32] = np.minimum(y[:, None], x[None, :]).astype(np.float32) ** _SEAM_POWER
    return near.clip(1e-20)


def _save(raw: Path, out: Path, shape_hw: tuple[int, int], um_per_px: float | None) -> None:
    height, width = shape_hw
    image = pyvips.Image.rawload(str(raw), width, height, 3, access="sequential").copy(interpretation="srgb")
    image.set_type(pyvips.GValue.gstr_type, "image-description", _describe(out.name, shape_hw, um_per_px))
    # Pixels per millimetre, for readers that know the resolution tags only.
    px_per_mm = None if um_per_px is None else 1000 / um_per_px
    resolution = {} if px_per_mm is None else {"xres": px_per_mm, "yres": px_per_mm, "resunit": "cm"}
    image.tiffsave(
        str(out),
        tile=True,
        tile_width=_TILE_PX,
        tile_height=_TILE_PX,
        pyramid=True,
        subifd=True,
        compression="jpeg",
        Q=_QUALITY,
        bigtiff=True,
        **resolution,
    )


def _describe(name: str, shape_hw: tuple[int, int], um_per_px: float | None) -> str:
    """OME-XML of one RGB plane.

    References
    ----------
    OME data model, schema 2016-06: https://www.openmicroscopy.org/Schemas/OME/2016-06
    """
    height, width = shape_hw
    scale = (
        ""
        if um_per_px is None
        else f' PhysicalSizeX="{um_per_px!r}" PhysicalSizeXUnit="µm"'
        f' PhysicalSizeY="{um_per_px!r}" PhysicalSizeYUnit="µm"'
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"'
        ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
        ' xsi:schemaLocation="http://www.openmicroscopy.org/Schemas/OME/2016-06'
        ' http://www.openmicroscopy.org/Schemas/OME/2016-06/ome.xsd">'
        f'<Image ID="Image:0" Name={quoteattr(name)}>'
        f'<Pixels ID="Pixels:0" DimensionOrder="XYCZT" Type="uint8" SizeX="{width}" SizeY="{height}"'
        f' SizeC="3" SizeZ="1" SizeT="1" Interleaved="true" BigEndian="false"{scale}>'
        '<Channel ID="Channel:0:0" SamplesPerPixel="3"/>'
        '<TiffData IFD="0" PlaneCount="1"/></Pixels></Image></OME>'
    )
