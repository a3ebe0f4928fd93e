"""Plans overlapping tiles, cuts them, and carries what is found in them back to the picture."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from triage.boxes import clip_boxes
from triage.records import Detections
from triage.reduced import find_cells, reduce_cells

BATCH_TILES = 32
"""Tiles of one step of durable work: a few seconds on one processor core."""
# Least overlap of tiles that are looked at in half their scale as well, where what is longer is seen whole.
# Up to 25 µm at 0.5 µm/px, nothing is cut by all tiles that show it.
_HALVED_OVERLAP_PX = 56
# A box this close to a tile's edge is taken as cut by it: in tile pixels, or as a share of its side that ends
# there, whichever is more, since the edges of large boxes are found less exactly.
_CUT_MARGIN_PX = 3.0
_CUT_MARGIN_SHARE = 0.05


class Readable(Protocol):
    """A picture, or what reads one for its tiles."""

    def read_region(
        self, x: int, y: int, width: int, height: int, *, scaled_to_hw: tuple[int, int] | None = None
    ) -> NDArray[np.uint8]:
        """Pixels of a rectangle, as `triage.images.Picture.read_region` gives them."""


@dataclass(frozen=True)
class Tile:
    """A rectangle of a resampled picture; smaller than the detector's tile only where the picture is.

    Attributes
    ----------
    x, y, width, height : int
        In pixels of the resampled picture.
    frame_hw : tuple of int
        Rows and columns of the resampled picture.
    finer_hw : tuple of int, optional
        Rows and columns of a finer one, of which each pixel is the mean of four.
    """

    x: int
    y: int
    width: int
    height: int
    frame_hw: tuple[int, int]
    finer_hw: tuple[int, int] | None = None


def plan_tiles(shape_hw: tuple[int, int], tile_px: int, overlap_px: int) -> tuple[Tile, ...]:
    """Tiles that cover every pixel, row by row; the last of a row or column is pulled inward.

    Parameters
    ----------
    shape_hw : tuple of int
        Rows and columns of the resampled picture.
    tile_px : int
        Side of a tile.
    overlap_px : int
        Least overlap of neighbours; 0 <= overlap_px < tile_px.

    Returns
    -------
    tiles : tuple of Tile
        ceil((side - overlap_px) / (tile_px - overlap_px)) along each side that is longer than a tile, else 1.

    Raises
    ------
    ValueError
        If the overlap is not below the tile's side.
    """
    if not 0 <= overlap_px < tile_px:
        raise ValueError(f"overlap_px must be 0 or more and below {tile_px}, received {overlap_px}.")
    height, width = shape_hw
    return tuple(
        Tile(x, y, min(tile_px, width), min(tile_px, height), shape_hw)
        for y in _plan_starts(height, tile_px, overlap_px)
        for x in _plan_starts(width, tile_px, overlap_px)
    )


def plan_halved(finer_hw: tuple[int, int], tile_px: int, overlap_px: int) -> tuple[Tile, ...]:
    """Tiles of a resampled picture and of the same at half its scale.

    Each row of the coarser ones comes after the finer ones that it can be put together from.
    """
    finer = plan_tiles(finer_hw, tile_px, min(overlap_px, _HALVED_OVERLAP_PX))
    coarser = plan_tiles(halve_hw(finer_hw), tile_px, overlap_px)
    both = (*finer, *(replace(tile, finer_hw=finer_hw) for tile in coarser))
    return tuple(
        sorted(both, key=lambda one: one.y if one.finer_hw is None else 2 * (one.y + one.height) - 1)
    )


def halve_hw(finer_hw: tuple[int, int]) -> tuple[int, int]:
    """Rows and columns at half the scale, rounded up."""
    return -(-finer_hw[0] // 2), -(-finer_hw[1] // 2)


def _plan_starts(side: int, tile_px: int, overlap_px: int) -> list[int]:
    if side <= tile_px:
        return [0]
    n = -(-(side - overlap_px) // (tile_px - overlap_px))
    return [min(index * (tile_px - overlap_px), side - tile_px) for index in range(n)]


def tile_scale(tile: Tile, um_per_px: float | None, picture_width: int) -> float | None:
    """Pixel size of a tile, in µm, of a picture of `um_per_px`; None where that isn't known."""
    return None if um_per_px is None else um_per_px * picture_width / tile.frame_hw[1]


def cut_tile(picture: Readable, tile: Tile, tile_px: int) -> NDArray[np.uint8]:
    """Pixels of a tile as shape (tile_px, tile_px, 3); what lies outside the picture takes its median colour.

    Notes
    -----
    A mirrored border would show half an object twice, as a whole one, so it is not used.
    """
    return pad_tile(_read_tile(picture, tile), tile, tile_px)


def _read_tile(picture: Readable, tile: Tile) -> NDArray[np.uint8]:
    if tile.finer_hw is None:
        return picture.read_region(tile.x, tile.y, tile.width, tile.height, scaled_to_hw=tile.frame_hw)
    x, y = 2 * tile.x, 2 * tile.y
    width, height = (
        min(2 * length, side - start)
        for length, side, start in ((tile.width, tile.finer_hw[1], x), (tile.height, tile.finer_hw[0], y))
    )
    return halve(x, y, picture.read_region(x, y, width, height, scaled_to_hw=tile.finer_hw), tile.finer_hw)[2]


def halve(
    x: int, y: int, pixels: NDArray[np.uint8], finer_hw: tuple[int, int]
) -> tuple[int, int, NDArray[np.uint8]]:
    """Column, row and pixels of what lies at half the scale wholly in a rectangle that begins at `x`, `y`."""
    rows, columns = find_cells(x, y, pixels, finer_hw, 2)
    return columns.start, rows.start, reduce_cells(x, y, pixels, rows, columns, 2)


def pad_tile(pixels: NDArray[np.uint8], tile: Tile, tile_px: int) -> NDArray[np.uint8]:
    """The pixels of a tile, filled up with their median colour to the side `tile_px`."""
    if (tile.height, tile.width) == (tile_px, tile_px):
        return pixels
    padded = np.empty((tile_px, tile_px, 3), dtype=np.uint8)
    padded[:] = np.median(pixels.reshape(-1, 3), axis=0).astype(np.uint8)
    padded[: tile.height, : tile.width] = pixels
    return padded


def cut_tiles_ahead(
    cut: Callable[[Tile], NDArray[np.uint8]], tiles: Sequence[Tile], *, at_a_time: int, readers: int = 1
) -> Iterator[NDArray[np.uint8]]:
    """Pixels of the tiles in order, `at_a_time` together, the next ones cut while the caller uses these.

    Parameters
    ----------
    cut : callable
        Gives the pixels of a tile; several threads may ask it.
    tiles : sequence of Tile
    at_a_time : int
        As many more are cut meanwhile, or one for each reader if that is more.
    readers : int
        Threads that read tiles.

    Yields
    ------
    pixels : ndarray of shape (n, tile_px, tile_px, 3), 1 <= n <= at_a_time
    """
    parts = [tiles[start : start + at_a_time] for start in range(0, len(tiles), at_a_time)]
    with ThreadPoolExecutor(readers, thread_name_prefix="tiles") as pool:
        ahead: deque[list[Future[NDArray[np.uint8]]]] = deque()
        for part in parts:
            ahead.append([pool.submit(cut, tile) for tile in part])
            if sum(map(len, ahead)) >= at_a_time + max(at_a_time, readers):
                yield _stack(ahead.popleft())
        while ahead:
            yield _stack(ahead.popleft())


def _stack(cut: Sequence[Future[NDArray[np.uint8]]]) -> NDArray[np.uint8]:
    return np.stack([tile.result() for tile in cut])


def to_picture_frame(found: Detections, tile: Tile, picture_hw: tuple[int, int]) -> Detections:
    """Detections of one tile in pixels of the original picture; those outside the picture are left out.

    Parameters
    ----------
    found : Detections
        In the tile's frame.
    tile : Tile
    picture_hw : tuple of int
        Rows and columns of the original picture.

    Returns
    -------
    detections : Detections
        With `is_cut` set for boxes that touch an edge of the tile inside the picture.
    """
    clipped = clip_boxes(found.boxes_xyxy, (tile.height, tile.width))
    is_inside = np.all(clipped[:, 2:] - clipped[:, :2] >= 1.0, axis=1)
    clipped = clipped[is_inside]
    per_px = np.array([picture_hw[1] / tile.frame_hw[1], picture_hw[0] / tile.frame_hw[0]])
    shift = np.array([tile.x, tile.y], dtype=np.float64)
    boxes = (clipped + np.tile(shift, 2)) * np.tile(per_px, 2)
    ellipses = found.ellipses[is_inside].copy()
    ellipses[:, :2] = (ellipses[:, :2] + shift) * per_px
    ellipses[:, 2:4] *= float(np.sqrt(per_px.prod()))
    return Detections(
        boxes_xyxy=clip_boxes(boxes, picture_hw),
        scores=found.scores[is_inside],
        group_scores=found.group_scores[is_inside],
        ellipses=ellipses,
        is_cut=_touches_inner_edge(clipped, tile),
    )


def _touches_inner_edge(boxes_xyxy: NDArray[np.float64], tile: Tile) -> NDArray[np.bool_]:
    rows, columns = tile.frame_hw
    margins = np.maximum(_CUT_MARGIN_PX, _CUT_MARGIN_SHARE * (boxes_xyxy[:, 2:] - boxes_xyxy[:, :2]))
    near_left_top = boxes_xyxy[:, :2] < margins
    near_right_bottom = boxes_xyxy[:, 2:] > np.array([tile.width, tile.height]) - margins
    has_left_top = np.array([tile.x > 0, tile.y > 0])
    has_right_bottom = np.array([tile.x + tile.width < columns, tile.y + tile.height < rows])
    touches: NDArray[np.bool_] = np.any(
        (near_left_top & has_left_top) | (near_right_bottom & has_right_bottom), axis=1
    )
    return touches
