"""Drawn pictures of known truth, and a small detector of dark blobs that keeps the detector's contract."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.groups import read_groups
from triage.images import Picture, open_picture
from triage.records import Detections

# With importlib mode a module beside the tests is not on the path by itself.
sys.path.insert(0, str(Path(__file__).parent))

BACKGROUND = (214, 208, 190)
EGG = (110, 92, 60)


def fit_moments(mask: NDArray[np.bool_]) -> tuple[float, float, float, float, float]:
    """The ellipse with the mask's second moments: diameters are four times their square roots."""
    y, x = (axis + 0.5 for axis in np.nonzero(mask))
    (small, large), axes = np.linalg.eigh(np.cov(np.stack([x, y])))
    angle = np.rad2deg(np.arctan2(axes[1, 1], axes[0, 1]))
    return x.mean(), y.mean(), 4 * np.sqrt(large), 4 * np.sqrt(small), (angle + 90) % 180 - 90


class BlobDetector:
    """Every connected region clearly darker than the tile's median is one detection."""

    name = "blobs"
    weights_sha256 = "0" * 64
    um_per_px = 1.0
    tile_px = 512
    record = SimpleNamespace(default_cut=0.5)

    def __init__(self) -> None:
        self.calls: list[int] = []

    def detect(self, tiles: NDArray[np.uint8], um_per_px: object = None) -> list[Detections]:
        assert tiles.dtype == np.uint8
        sides = [getattr(self, f"{name}tile_px", 512) for name in ("", "large_", "largest_")]
        assert tiles.shape[1:] in [(side, side, 3) for side in sides]
        self.calls.append(len(tiles))
        return [self._detect_one(tile) for tile in tiles]

    def _detect_one(self, tile: NDArray[np.uint8]) -> Detections:
        grey = tile.astype(np.int16).mean(axis=2)
        mask = (grey < np.median(grey) - 40).astype(np.uint8)
        n, marked, stats, _ = cv2.connectedComponentsWithStats(mask)
        rows = [row for row in range(1, n) if stats[row, cv2.CC_STAT_AREA] >= 30]
        boxes = np.array(
            [[x, y, x + w, y + h] for x, y, w, h in (stats[row, :4] for row in rows)], dtype=np.float64
        ).reshape(-1, 4)
        sides = boxes[:, 2:] - boxes[:, :2]
        ellipses = np.array([fit_moments(marked == row) for row in rows], dtype=np.float64).reshape(-1, 5)
        fill = np.array([stats[row, cv2.CC_STAT_AREA] for row in rows]) / np.maximum(sides.prod(axis=1), 1)
        shares = np.full((len(rows), len(read_groups())), 0.02)
        shares[:, 0] = 1 - 0.02 * (len(read_groups()) - 1)
        return Detections(boxes, np.clip(fill, 0, 1), shares, ellipses)


@pytest.fixture
def blob_detector() -> BlobDetector:
    return BlobDetector()


def draw_ellipses(
    shape_hw: tuple[int, int],
    ellipses: list[tuple[float, float, float, float, float]],
    *,
    blur_px: float = 0.8,
) -> NDArray[np.uint8]:
    """RGB picture with dark ellipses `cx, cy, length_px, width_px, angle_deg`, edges exact before the blur.

    Each pixel is the mean of 8 x 8 points, so a diameter is true to a few hundredths of a pixel.
    """
    height, width = shape_hw
    picture = np.empty((height, width, 3), dtype=np.float64)
    picture[:] = BACKGROUND
    for cx, cy, length_px, width_px, angle_deg in ellipses:
        reach = length_px / 2 + 2
        left, top = max(0, int(cx - reach)), max(0, int(cy - reach))
        right, bottom = min(width, int(cx + reach) + 1), min(height, int(cy + reach) + 1)
        if right <= left or bottom <= top:
            continue
        y = top + (np.arange((bottom - top) * 8) + 0.5) / 8
        x = left + (np.arange((right - left) * 8) + 0.5) / 8
        turn = np.deg2rad(angle_deg)
        dx, dy = x[None, :] - cx, y[:, None] - cy
        along = (dx * np.cos(turn) + dy * np.sin(turn)) / (length_px / 2)
        across = (-dx * np.sin(turn) + dy * np.cos(turn)) / (width_px / 2)
        inside = (along**2 + across**2 <= 1).astype(np.float64)
        cover = inside.reshape(bottom - top, 8, right - left, 8).mean(axis=(1, 3))[..., None]
        picture[top:bottom, left:right] = (
            picture[top:bottom, left:right] * (1 - cover) + np.array(EGG) * cover
        )
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    noise = np.random.default_rng(7).normal(0, 1.5, picture.shape)
    return np.clip(picture + noise, 0, 255).round().astype(np.uint8)


@pytest.fixture
def draw() -> Callable[..., NDArray[np.uint8]]:
    return draw_ellipses


@pytest.fixture
def open_array(tmp_path: Path) -> Callable[[NDArray[np.uint8]], Picture]:
    """Opens an RGB array as a picture, through a PNG file."""

    def _open(pixels: NDArray[np.uint8]) -> Picture:
        path = tmp_path / "drawn.png"
        assert cv2.imwrite(str(path), pixels[..., ::-1])
        return open_picture(path)

    return _open
