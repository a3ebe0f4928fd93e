"""The network's passes alone, for timing what comes on top of them."""

from __future__ import annotations

import numpy as np

from triage.detector import Detector

AT_A_TIME = 16


def run_forward(detector: Detector, n_tiles: int) -> None:
    """The network alone over so many tiles of grain; what it says is not read."""
    side = detector.tile_px
    tiles = np.random.default_rng(0).integers(0, 256, (AT_A_TIME, side, side, 3), dtype=np.uint8)
    for start in range(0, n_tiles, AT_A_TIME):
        detector.run_forward(tiles[: min(AT_A_TIME, n_tiles - start)])
