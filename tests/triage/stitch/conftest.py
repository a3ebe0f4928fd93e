"""A slide of dark ellipses, cut into overlapping fields of known place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

FIELD_HW = (160, 208)


@dataclass(frozen=True)
class CutScan:
    """Fields on disk, in the order in which they were taken, and where they were cut."""

    paths: list[Path]
    middle_xy: NDArray[np.float64]
    slide: NDArray[np.float32]
    lamp: NDArray[np.float32]


def draw_slide(shape_hw: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Evenly lit slide, shape (H, W, 3), with enough ellipses that every overlap shows some."""
    rng = np.random.default_rng(seed)
    slide = np.full((*shape_hw, 3), (214.0, 208.0, 190.0), np.float32)
    for _ in range(shape_hw[0] * shape_hw[1] // 300):
        x, y = rng.uniform(0, shape_hw[1]), rng.uniform(0, shape_hw[0])
        axes = (int(rng.integers(2, 9)), int(rng.integers(2, 9)))
        shade = tuple(float(value) for value in rng.uniform(60, 195, 3))
        cv2.ellipse(slide, (int(x), int(y)), axes, float(rng.uniform(0, 180)), 0, 360, shade, -1, cv2.LINE_AA)
    return cv2.GaussianBlur(slide, (0, 0), 0.9).astype(np.float32)


def light_unevenly() -> NDArray[np.float32]:
    y, x = np.meshgrid(np.linspace(-1, 1, FIELD_HW[0]), np.linspace(-1, 1, FIELD_HW[1]), indexing="ij")
    return ((1 + 0.1 * x - 0.05 * y) * (1 - 0.15 * (x**2 + y**2))).astype(np.float32)


@pytest.fixture
def cut_scan(tmp_path: Path) -> Callable[..., CutScan]:
    def _cut(
        rows: int = 3,
        columns: int = 3,
        *,
        overlap: float = 0.25,
        jitter_px: float = 5.0,
        turns_deg: Sequence[float] | None = None,
        blank: Sequence[int] = (),
        seed: int = 3,
        name: str = "scan",
    ) -> CutScan:
        rng = np.random.default_rng(seed)
        height, width = FIELD_HW
        row, along = np.divmod(np.arange(rows * columns), columns)
        column = np.where(row % 2 == 0, along, columns - 1 - along)
        steps = np.stack([column * width, row * height], axis=1) * (1 - overlap)
        middle_xy = (
            steps + rng.uniform(-jitter_px, jitter_px, steps.shape) + (width / 2 + 12, height / 2 + 12)
        )
        size_wh = np.add(middle_xy.max(axis=0), (width / 2 + 12, height / 2 + 12))
        slide = draw_slide((int(size_wh[1]), int(size_wh[0])), seed)
        lamp = light_unevenly()
        folder = tmp_path / name
        folder.mkdir()
        paths = []
        for number, (x, y) in enumerate(middle_xy):
            turn = np.deg2rad(turns_deg[number] if turns_deg else 0.0)
            rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
            shift = np.array([x, y]) - rotation @ [(width - 1) / 2, (height - 1) / 2]
            seen = cv2.warpAffine(
                slide if number not in blank else np.full_like(slide, 205),
                np.column_stack([rotation, shift]),
                (width, height),
                flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            )
            field = seen * lamp[..., None] * rng.uniform(0.95, 1.05) + rng.normal(0, 2, seen.shape)
            paths.append(folder / f"field{number}.png")
            Image.fromarray(np.rint(field).clip(0, 255).astype(np.uint8)).save(paths[-1])
        return CutScan(paths, middle_xy, slide, lamp)

    return _cut
