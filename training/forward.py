"""The network's passes alone, for timing what comes on top of them."""

from __future__ import annotations

import numpy as np

from triage.detector import Detector
from triage.head import count_at_a_time

AT_A_TIME = 16
# So many that a GPU, which is given one batch while it works on another, needn't wait for the next call.
_GPU_AT_A_TIME = 128


def run_forward(detector: Detector, n_tiles: int, tile_px: int | None = None) -> None:
    """The network alone over so many tiles of grain; what it says is not read.

    Parameters
    ----------
    detector : Detector
    n_tiles : int
    tile_px : int, optional
        Side of the tiles; the detector's own if left out.
    """
    side = tile_px or detector.tile_px
    # A processor's threads would wait for each other at the end of each call.
    at_a_time = n_tiles if detector.runs_on_cpu else count_at_a_time(_GPU_AT_A_TIME, detector.tile_px, side)
    tile = np.random.default_rng(0).integers(0, 256, (side, side, 3), dtype=np.uint8)
    for start in range(0, n_tiles, at_a_time):
        n = min(at_a_time, n_tiles - start)
        detector.run_forward(np.broadcast_to(tile, (n, *tile.shape)))
