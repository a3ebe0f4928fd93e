"""A picture of a ruling with the marks that were found drawn over it, for a person to check."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from triage.micrometer.ruling import FoundRuling

_MARK_COLOUR = (230, 0, 126)
# Each tenth, counted from the first mark that was used.
_TENTH_COLOUR = (0, 90, 230)
_PAPER, _INK = (255, 255, 255), (20, 20, 20)


def draw_marks(pixels: NDArray[np.uint8], found: FoundRuling, caption: str) -> NDArray[np.uint8]:
    """A copy of the picture with each mark that was used drawn over, and a caption below.

    Parameters
    ----------
    pixels : ndarray of shape (height, width, 3)
        The picture, at any size of the same aspect.
    found : FoundRuling
        Its lattice tells the size that its places belong to.
    caption : str
        One line.

    Returns
    -------
    shown : ndarray of shape (height + caption's, width, 3)
    """
    height, width = pixels.shape[:2]
    band = max(20, width // 30)
    sheet = Image.new("RGB", (width, height + band), _PAPER)
    sheet.paste(Image.fromarray(pixels), (0, 0))
    pen = ImageDraw.Draw(sheet)
    first = found.marks[0]
    # Two pixels at least: in a reduced view one would be lost.
    line_px = max(2, round(width / 600))
    for mark, ends in _mark_ends(found):
        colour = _TENTH_COLOUR if (mark - first) % 10 == 0 else _MARK_COLOUR
        places = ends * [width / found.fit.lattice.width, height / found.fit.lattice.height]
        pen.line([tuple(place) for place in places.tolist()], fill=colour, width=line_px)
    font = ImageFont.load_default(size=band * 0.6)
    pen.text((band / 3, height + band / 2), caption, fill=_INK, font=font, anchor="lm")
    return np.asarray(sheet)


def _mark_ends(found: FoundRuling) -> list[tuple[int, NDArray[np.float64]]]:
    """Number and end points, of shape (2, 2), of each mark as far along as it was used."""
    lattice, kept = found.fit.lattice, found.fit.kept
    level, marks = lattice.level(found.sightings.xy[kept]), found.sightings.marks[kept]
    ends = []
    for mark in found.marks:
        own = level[marks == mark]
        reach = np.array([own.min(), own.max()])
        ends.append((int(mark), lattice.place(np.full(2, float(mark)), reach)))
    return ends
