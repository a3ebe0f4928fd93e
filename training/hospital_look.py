"""How the pictures of one hospital differ from others: light, colour, blur, haze and grain."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Look:
    """What a hospital's microscope and camera do to a picture; the defaults do nothing.

    Attributes
    ----------
    gamma : float
        Above 1 darkens the middle greys.
    tint : tuple of float
        Factors of red, green and blue.
    blur_px : float
        Deviation of a Gaussian blur, in pixels.
    haze : float
        Share of plain grey that is mixed in, 0 to 1: less contrast.
    noise : float
        Deviation of the grain, in grey levels.
    """

    gamma: float = 1.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.0
    haze: float = 0.0
    noise: float = 0.0


def take_look(pixels: NDArray[np.uint8], look: Look, *, seed: int) -> NDArray[np.uint8]:
    """A picture as that hospital would have taken it; places and sizes stay as they are.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        Upright RGB.
    look : Look
    seed : int
        Of the grain.
    """
    light = (pixels.astype(np.float32) / 255) ** look.gamma * np.array(look.tint, dtype=np.float32)
    if look.blur_px > 0:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), look.blur_px), dtype=np.float32)
    light = (1 - look.haze) * light + look.haze * 0.6
    grain = np.random.default_rng(seed).normal(0, look.noise / 255, light.shape[:2])
    return np.asarray(np.clip((light + grain[..., None]) * 255, 0, 255).round(), dtype=np.uint8)
