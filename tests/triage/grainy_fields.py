"""Fields of a slide of faint texture, each with grain of its own, for tests of how two lie on each other."""

from __future__ import annotations

import cv2
import numpy as np

from triage.stitch.stiff import rotate

H, W = 240, 320
HALF = np.array([W, H]) / 2
GRAIN = 0.5


def draw_texture(seed: int, shape_hw: tuple[int, int], *, sigma_px: float, contrast: float) -> np.ndarray:
    """A slide with texture of a few pixels all over."""
    noise = np.random.default_rng(seed).normal(0, 1, shape_hw).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), sigma_px)
    return 200 + contrast * soft / soft.std()


def take(slide: np.ndarray, middle_xy: np.ndarray, turn_deg: float, seed: int) -> np.ndarray:
    """A field of the slide with grain, turned around its middle."""
    rotation = rotate(np.deg2rad(turn_deg))
    shift = middle_xy - 0.5 - rotation @ (HALF - 0.5)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    field = cv2.warpAffine(slide, np.column_stack([rotation, shift]), (W, H), flags=flags)
    noise = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (H, W)), (0, 0), 1.2)
    return (field + GRAIN * noise / noise.std()).astype(np.float32)
