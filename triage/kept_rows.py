"""Keeps of a large tiled file what the next row of the detector's tiles reads again.

For tiles in another frame than the picture's own; of its own pixels `triage.row_reader` keeps what is needed.
The detector's tiles overlap and don't begin where the file's do, so a row of them ends within tiles of the
file that the next row needs as well. Decoding these twice is a third of what reading a coverslip takes.
"""

from __future__ import annotations

import pyvips

# Height of a large picture's tiles (`triage.detector.LARGE_TILE_PX`).
_READ_PX = 768
# In so many rows a file of 24,500 px in tiles of 256 px has 79 million bytes. libvips takes two to four
# times as much: for a file of 50,000 px 330 MiB while it is looked through, and 560 MiB once it is measured.
_MOST_BYTES = 80_000_000


def keep_rows(pixels: pyvips.Image) -> pyvips.Image:
    """The same pixels, those of the last rows of the file's tiles kept for whoever reads them again.

    Parameters
    ----------
    pixels : pyvips.Image
        As a tiled file holds them, read from left to right and from above.

    Returns
    -------
    kept : pyvips.Image
        `pixels` itself where the rows would take too much memory.
    """
    width, height = pixels.get("tile-width"), pixels.get("tile-height")
    rows = (_READ_PX - 2) // height + 2
    # What the first tile of the next row needs goes only when that row is well begun.
    n = rows * (-(-pixels.width // width) + rows)
    if n * width * height * pixels.bands > _MOST_BYTES:
        return pixels
    return pixels.tilecache(tile_width=width, tile_height=height, max_tiles=n, access="random", threaded=True)
