"""Pictures for the tests: dark ellipses of known place on a light ground, as PNG bytes."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image, ImageDraw

# Left, top, width, height; the darker an ellipse, the higher the blob detector's score.
BOXES_XYWH = ((100, 80, 80, 60), (300, 200, 60, 60), (90, 300, 90, 50))
DARKNESS = (20, 50, 80)
FAINT_BOX_XYWH = (400, 60, 50, 50)
FAINT = 120


def draw_slide(
    seed: int = 0,
    *,
    width: int = 600,
    height: int = 420,
    boxes_xywh: tuple[tuple[int, int, int, int], ...] = BOXES_XYWH,
    has_faint: bool = True,
) -> bytes:
    """A slide whose bytes differ by seed alone; with a fourth, faint ellipse below the detector's cut."""
    ground = np.full((height, width, 3), (230, 225, 215), dtype=np.uint8)
    ground[-1, -1] = np.random.default_rng(seed).integers(200, 255, 3)
    image = Image.fromarray(ground)
    draw = ImageDraw.Draw(image)
    greys = [DARKNESS[index % len(DARKNESS)] for index in range(len(boxes_xywh))]
    drawn = [*zip(boxes_xywh, greys, strict=True)]
    for (x, y, box_width, box_height), grey in drawn + [(FAINT_BOX_XYWH, FAINT)] * has_faint:
        draw.ellipse((x, y, x + box_width - 1, y + box_height - 1), fill=(grey, grey, grey))
    file = io.BytesIO()
    image.save(file, "PNG")
    return file.getvalue()
