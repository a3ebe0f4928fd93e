"""One picture that shows misses and false alarms side by side, so that causes can be told by eye."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw

CELL_PX = 220
LABEL_PX = 28
N_COLUMNS = 6
MARGIN = 0.6
"""Surroundings shown on each side, as a share of the box's longer side."""


def write_sheet(
    path: Path, misses: Sequence[dict[str, Any]], false_alarms: Sequence[dict[str, Any]], images: Path
) -> None:
    """Write a PNG with a cell for each miss, then each false alarm.

    Parameters
    ----------
    path : Path
        Of the PNG.
    misses, false_alarms : sequence of dict
        `file`, `box_xyxy`, `group` and `score`, as `training.evaluate` lists them.
    images : Path
        Folder of the pictures.
    """
    cells = [("missed", row) for row in misses] + [("false", row) for row in false_alarms]
    n_rows = max(-(-len(cells) // N_COLUMNS), 1)
    sheet = Image.new("RGB", (N_COLUMNS * CELL_PX, n_rows * (CELL_PX + LABEL_PX)), "white")
    for number, (word, row) in enumerate(cells):
        x, y = number % N_COLUMNS * CELL_PX, number // N_COLUMNS * (CELL_PX + LABEL_PX)
        sheet.paste(_draw_cell(row, images), (x, y))
        score = "no score" if row["score"] is None else f"{row['score']:.2f}"
        label = f"{word} {score} {row['group']}\n{Path(row['file']).name[:36]}"
        ImageDraw.Draw(sheet).multiline_text((x + 2, y + CELL_PX), label, fill="black", font_size=10)
    sheet.save(path)


def _draw_cell(row: dict[str, Any], images: Path) -> Image.Image:
    """The surroundings of a box, with the box drawn."""
    x1, y1, x2, y2 = row["box_xyxy"]
    half = (0.5 + MARGIN) * max(x2 - x1, y2 - y1, 1.0)
    left, top = (x1 + x2) / 2 - half, (y1 + y2) / 2 - half
    with Image.open(images / row["file"]) as picture:
        cell = picture.convert("RGB").transform(
            (CELL_PX, CELL_PX),
            Image.Transform.EXTENT,
            (left, top, left + 2 * half, top + 2 * half),
            Image.Resampling.BILINEAR,
        )
    scale = CELL_PX / (2 * half)
    box = [(x1 - left) * scale, (y1 - top) * scale, (x2 - left) * scale, (y2 - top) * scale]
    ImageDraw.Draw(cell).rectangle(box, outline=(220, 0, 0))
    return cell
