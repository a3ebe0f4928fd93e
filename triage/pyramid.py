"""The viewer's copy of a picture: a pyramidal tiled TIFF, and the JPEG tiles and crops cut from it.

Each level is half the size of the one above it, down to one that fits a single tile. `z` counts from the
smallest level, as map viewers do; level `z = n - 1` has the picture's own size.
"""

from __future__ import annotations

from pathlib import Path

import pyvips

from triage.disk import is_disk_full, say_disk_full
from triage.errors import ImageError
from triage.images import Picture, say_damaged

TILE_PX = 256
_TILE_QUALITY = 90
_SENT_QUALITY = 85
_CROP_MARGIN = 1.6
_LEAST_CROP_PX = 48.0
# As a share of the crop's side: how far a box may lie from its middle without being drawn.
_MOST_BESIDE = 0.1
# The side in widths of a drawn line.
_LINES_IN_CROP = 160

_Box = tuple[float, float, float, float]


def write_pyramid(picture: Picture, path: Path) -> int:
    """Write the pyramid of a picture, whole or not at all, and return its number of levels.

    Raises
    ------
    ImageError
        If a part of the picture can't be decoded.
    StorageError
        If the file can't be written, for instance because the disk is full.
    """
    try:
        picture.as_vips().tiffsave(
            str(path),
            tile=True,
            tile_width=TILE_PX,
            tile_height=TILE_PX,
            pyramid=True,
            compression="jpeg",
            Q=_TILE_QUALITY,
            bigtiff=True,
            keep="none",
        )
        levels = read_zoom_levels(path)
    except (pyvips.Error, ImageError) as err:
        path.unlink(missing_ok=True)
        if is_disk_full(err, path.parent):
            raise say_disk_full("the viewer's copy", err) from err
        raise say_damaged(picture.file_name, err) from err
    return levels


def read_zoom_levels(path: Path) -> int:
    """Number of levels in a pyramid."""
    levels: int = _open_level(path, 0).get("n-pages")
    return levels


def cut_viewer_tile(path: Path, z: int, x: int, y: int) -> bytes | None:
    """One tile as JPEG, edge tiles cut at the picture's border; None where the pyramid has no such tile.

    Parameters
    ----------
    path : Path
        Written by `write_pyramid`.
    z, x, y : int
        Level from the smallest, column and row of the tile.
    """
    levels = read_zoom_levels(path)
    if not 0 <= z < levels or min(x, y) < 0:
        return None
    level = _open_level(path, levels - 1 - z)
    left, top = x * TILE_PX, y * TILE_PX
    if left >= level.width or top >= level.height:
        return None
    tile = level.crop(left, top, min(TILE_PX, level.width - left), min(TILE_PX, level.height - top))
    return _to_jpeg(tile)


def cut_crop(path: Path, bbox_xywh: _Box, side_px: int) -> bytes:
    """A box with a margin around it as JPEG, its longer side `side_px`.

    Where the picture ends the crop is moved inward; the box, then out of its middle, is drawn.

    Parameters
    ----------
    path : Path
        Written by `write_pyramid`.
    bbox_xywh : tuple of float
        Left, top, width, height in pixels of the picture.
    side_px : int
        1 to 2048.

    Raises
    ------
    ValueError
        If `side_px` is out of range.
    """
    full = _open_level(path, 0)
    square = _square_around(bbox_xywh, full.width, full.height)
    crop = _cut(path, full, square, side_px)
    return _to_jpeg(_draw_box(crop, bbox_xywh, square) if _is_beside(bbox_xywh, square) else crop)


def cut_square(path: Path, middle_xy: tuple[float, float], span_px: float, side_px: int) -> bytes:
    """A square of a picture as JPEG, moved inward where the picture ends.

    Parameters
    ----------
    path : Path
        Written by `write_pyramid`.
    middle_xy : tuple of float
        In pixels of the picture.
    span_px : float
        Side of the square in pixels of the picture; no more than the picture's shorter side is shown.
    side_px : int
        1 to 2048, the side of the JPEG.

    Raises
    ------
    ValueError
        If `side_px` is out of range.
    """
    full = _open_level(path, 0)
    span = min(span_px, full.width, full.height)
    left = min(max(0.0, middle_xy[0] - span / 2), full.width - span)
    top = min(max(0.0, middle_xy[1] - span / 2), full.height - span)
    return _to_jpeg(_cut(path, full, (left, top, span, span), side_px))


def _cut(path: Path, full: pyvips.Image, box_xywh: _Box, side_px: int) -> pyvips.Image:
    """A box of the picture, its longer side `side_px`; a `ValueError` if that is out of range."""
    if not 1 <= side_px <= 2048:
        raise ValueError(f"side_px must be from 1 to 2048, received {side_px}.")
    left, top, width, height = box_xywh
    # The smallest level that still has as many pixels as are asked for.
    page = 0
    levels = full.get("n-pages")
    while page + 1 < levels and max(width, height) / 2 ** (page + 1) >= side_px:
        page += 1
    level = _open_level(path, page)
    factor_x, factor_y = level.width / full.width, level.height / full.height
    x, y = min(int(left * factor_x), level.width - 1), min(int(top * factor_y), level.height - 1)
    crop = level.crop(
        x,
        y,
        max(1, min(round(width * factor_x), level.width - x)),
        max(1, min(round(height * factor_y), level.height - y)),
    )
    return crop.resize(side_px / max(crop.width, crop.height))


def _is_beside(bbox_xywh: _Box, square_xywh: _Box) -> bool:
    """Whether a box lies so far from the middle of its crop that something else may be taken for it."""
    return any(
        abs(bbox_xywh[at] + bbox_xywh[at + 2] / 2 - square_xywh[at] - square_xywh[at + 2] / 2)
        > _MOST_BESIDE * square_xywh[at + 2]
        for at in (0, 1)
    )


def _draw_box(crop: pyvips.Image, bbox_xywh: _Box, square_xywh: _Box) -> pyvips.Image:
    """The sides of a box that lie inside its crop, dark on white so that they show on any ground."""
    line = max(1, round(max(crop.width, crop.height) / _LINES_IN_CROP))
    factor = crop.width / square_xywh[2]
    (left, right), (top, bottom) = (
        (
            (bbox_xywh[at] - square_xywh[at]) * factor,
            (bbox_xywh[at] + bbox_xywh[at + 2] - square_xywh[at]) * factor,
        )
        for at in (0, 1)
    )
    for ink, more in ((255, line), (0, 0)):
        width, height = right - left + line + 2 * more, bottom - top + line + 2 * more
        for x in (side for side in (left, right) if 2 * line < side < crop.width - 2 * line):
            crop = _fill(crop, ink, x - more, top - more, line + 2 * more, height)
        for y in (side for side in (top, bottom) if 2 * line < side < crop.height - 2 * line):
            crop = _fill(crop, ink, left - more, y - more, width, line + 2 * more)
    return crop


def _fill(image: pyvips.Image, ink: int, x: float, y: float, width: float, height: float) -> pyvips.Image:
    return image.draw_rect([ink] * image.bands, round(x), round(y), round(width), round(height), fill=True)


def _open_level(path: Path, page: int) -> pyvips.Image:
    try:
        return pyvips.Image.tiffload(str(path), page=page, access="random", revalidate=True)
    except pyvips.Error as err:
        raise ImageError(f"The viewer's copy {path.name} can't be read ({err}). Make it again.") from err


def _square_around(bbox_xywh: _Box, width: int, height: int) -> _Box:
    """Left, top, width, height of a square around a box, moved inward and cut where the picture ends."""
    x, y, box_width, box_height = bbox_xywh
    side = max(_CROP_MARGIN * max(box_width, box_height), _LEAST_CROP_PX)
    side_x, side_y = min(side, width), min(side, height)
    left = min(max(0.0, x + box_width / 2 - side_x / 2), width - side_x)
    top = min(max(0.0, y + box_height / 2 - side_y / 2), height - side_y)
    return left, top, side_x, side_y


def _to_jpeg(image: pyvips.Image) -> bytes:
    data: bytes = image.jpegsave_buffer(Q=_SENT_QUALITY, keep="none")
    return data
