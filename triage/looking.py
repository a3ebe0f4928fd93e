"""Looks at the tiles of a picture batch by batch, the next ones under way while a batch is stored."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import replace
from itertools import islice
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from triage.groups import read_groups
from triage.halved_tiles import TileCutter
from triage.head import count_at_a_time
from triage.images import Picture
from triage.merge import join_detections
from triage.records import Detections, Detector
from triage.tiles import BATCH_TILES, Tile, cut_tiles_ahead, tile_scale, to_picture_frame

# So many are looked at while as many more are read; a GPU takes them in one go, and a processor shall begin
# before many are read.
_TILES_AT_A_TIME = 16
_CPU_TILES_AT_A_TIME = 4
# Threads that read tiles for a GPU, which looks at them sooner than one can decode them.
_READERS = min(8, os.cpu_count() or 1)
# Calls of the detector at the same time, so that no core waits for the end of one.
_UNDER_WAY = 2


class Looker:
    """Takes one batch after the other; what it finds of one doesn't depend on the others.

    Parameters
    ----------
    picture : Picture
        Must stay open until `close`.
    tiles : sequence of Tile
        Of all batches.
    tile_px : int
        Side of the tiles.
    detector : Detector
    um_per_px : float, optional
        Of the picture; None where it isn't known.
    """

    def __init__(
        self,
        picture: Picture,
        tiles: Sequence[Tile],
        tile_px: int,
        detector: Detector,
        *,
        um_per_px: float | None = None,
    ) -> None:
        self._picture, self._tiles, self._tile_px, self._detector = picture, tiles, tile_px, detector
        self._um_per_px = um_per_px
        self._cutter = TileCutter(picture, tiles, tile_px)
        self._under_way: deque[Future[list[Detections]]] = deque()
        self._found: Iterator[Detections] = iter(())
        self._next_index: int | None = None
        self._pool = ThreadPoolExecutor(_UNDER_WAY, thread_name_prefix="batches")

    def look(self, batch_index: int) -> Detections:
        """What the detector says of one batch, in pixels of the picture; repeating it is harmless.

        Raises
        ------
        ImageError
            If the picture is damaged there, or at the next tiles.
        """
        if batch_index != self._next_index:
            self._under_way.clear()
            self._found = self._look_from(batch_index * BATCH_TILES)
        self._next_index = None
        found = list(islice(self._found, BATCH_TILES))
        self._next_index = batch_index + 1
        return join_detections(found, len(read_groups()))

    def settle(self) -> None:
        """Wait until nothing is under way; the next batch begins with what was found."""
        wait(self._under_way)

    def close(self) -> None:
        """Let go of what is under way."""
        self._found, self._next_index = iter(()), None
        self._pool.shutdown(cancel_futures=True)

    def __enter__(self) -> Looker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _look_from(self, start: int) -> Iterator[Detections]:
        """What is found in each tile from this one on."""
        tiles = self._tiles[start:]
        picture_hw = (self._picture.height, self._picture.width)
        for found, tile in zip(self._detect_ahead(self._cut(tiles), tiles), tiles, strict=True):
            placed = to_picture_frame(found, tile, picture_hw)
            factor = tile.frame_hw[1] / self._picture.width
            yield replace(placed, factors=np.full(len(placed.scores), factor))

    def _cut(self, tiles: Sequence[Tile]) -> Iterator[NDArray[np.uint8]]:
        if getattr(self._detector, "runs_on_cpu", False):
            at_a_time, readers = _CPU_TILES_AT_A_TIME, 1
        else:
            at_a_time = count_at_a_time(_TILES_AT_A_TIME, self._detector.tile_px, self._tile_px)
            readers = _READERS
        return cut_tiles_ahead(self._cutter.cut, tiles, at_a_time=at_a_time, readers=readers)

    def _detect_ahead(self, cut: Iterator[NDArray[np.uint8]], tiles: Sequence[Tile]) -> Iterator[Detections]:
        """Detections of each tile in order; the next tiles are under way before these are given."""
        under_way = self._under_way
        scales = (tile_scale(tile, self._um_per_px, self._picture.width) for tile in tiles)
        for pixels in cut:
            found = under_way.popleft().result() if len(under_way) == _UNDER_WAY else []
            of_pixels = list(islice(scales, len(pixels)))
            under_way.append(self._pool.submit(self._detector.detect, pixels, of_pixels))
            yield from found
        while under_way:
            yield from under_way.popleft().result()
