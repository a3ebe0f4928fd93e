"""Arrows, scale bars and letters printed on a picture after it was taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

SEGMENTS = 12


@dataclass(frozen=True)
class Marks:
    """Straight strokes in one colour; the default is none.

    Attributes
    ----------
    strokes : tuple of float
        x1, y1, x2, y2, half-width and length of the arrow's head at x2, y2 for each of 12 strokes, in
        pixels; half-width 0 draws nothing.
    colour : tuple of float
        Red, green and blue, 0 to 1.
    """

    strokes: tuple[float, ...] = (0.0,) * (6 * SEGMENTS)
    colour: tuple[float, ...] = (0.0, 0.0, 0.0)


_COLOURS = ((0.86, 0.1, 0.18), (0.15, 0.15, 0.75), (0.0, 0.0, 0.0), (1.0, 1.0, 1.0), (0.95, 0.85, 0.1))


def draw_marks(rng: np.random.Generator, shape_hw: tuple[int, int]) -> Marks:
    """One to three arrows, or a scale bar under a few letters."""
    strokes = _draw_arrows(rng, shape_hw) if rng.random() < 0.6 else _draw_bar(rng, shape_hw)
    strokes += [(0.0,) * 6] * (SEGMENTS - len(strokes))
    flat = tuple(float(number) for stroke in strokes for number in stroke)
    return Marks(flat, _COLOURS[rng.choice(len(_COLOURS), p=(0.4, 0.25, 0.2, 0.1, 0.05))])


def _draw_arrows(rng: np.random.Generator, shape_hw: tuple[int, int]) -> list[tuple[float, ...]]:
    size = min(shape_hw)
    strokes: list[tuple[float, ...]] = []
    for _ in range(rng.integers(1, 4)):
        x, y = rng.uniform(0, shape_hw[1]), rng.uniform(0, shape_hw[0])
        turn, length = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.16) * size
        half_width = max(0.6, rng.uniform(0.03, 0.09) * length)
        tip = (x + length * np.cos(turn), y + length * np.sin(turn))
        strokes.append((x, y, *tip, half_width, rng.uniform(0.3, 0.5) * length))
    return strokes


def _draw_bar(rng: np.random.Generator, shape_hw: tuple[int, int]) -> list[tuple[float, ...]]:
    height, width = shape_hw
    length, half_width = rng.uniform(0.1, 0.3) * width, rng.uniform(0.8, 2.5)
    x, y = rng.uniform(0, width - length), height * rng.choice((0.07, 0.93))
    strokes: list[tuple[float, ...]] = [(x, y, x + length, y, half_width, 0.0)]
    letter = 0.025 * min(shape_hw)
    for index in range(SEGMENTS - 1):
        start = x + (index // 3 + 0.3) * 1.4 * letter, y - 2 * letter
        ends = rng.uniform(0, 1, 4) * letter
        strokes.append(
            (start[0] + ends[0], start[1] - ends[1], start[0] + ends[2], start[1] - ends[3], 0.6, 0.0)
        )
    return strokes


def print_marks(picture: Tensor, marks: dict[str, Tensor]) -> Tensor:
    """`picture` (B, 3, H, W) with each tile's strokes painted over, edges one pixel soft."""
    strokes = marks["strokes"].reshape(-1, SEGMENTS, 6)
    marked = torch.nonzero(strokes[:, :, 4].sum(1) > 0)[:, 0]
    if not len(marked):
        return picture
    cover = _cover(strokes[marked], picture.shape[-2:])[:, None]
    result = picture.clone()
    result[marked] = torch.lerp(picture[marked], marks["colour"][marked][:, :, None, None], cover)
    return result


def _cover(strokes: Tensor, shape_hw: torch.Size) -> Tensor:
    """How much of each pixel the strokes cover, (B, H, W)."""
    y = torch.arange(shape_hw[0], device=strokes.device)[None, None, :, None] + 0.5
    x = torch.arange(shape_hw[1], device=strokes.device)[None, None, None, :] + 0.5
    x1, y1, x2, y2, half_width, head = strokes[..., None, None].unbind(2)
    length = torch.hypot(x2 - x1, y2 - y1).clamp(min=1e-3)
    along = ((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / length
    across = ((y - y1) * (x2 - x1) - (x - x1) * (y2 - y1)).abs() / length
    shaft = torch.maximum(across - half_width, torch.maximum(-along, along - length + head / 2))
    arrowhead = torch.maximum(across - 0.5 * (length - along), length - head - along)
    distance = torch.where(head > 0, torch.minimum(shaft, arrowhead), shaft)
    cover = (0.5 - distance).clamp(0, 1) * (half_width > 0)
    return cover.amax(dim=1)
