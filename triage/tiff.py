"""What a TIFF file says about its own layout: whether it is all there, and in which pieces it lies."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import tifffile

from triage.errors import ImageError


@dataclass(frozen=True)
class TiffLayout:
    """Layout of the first page.

    Attributes
    ----------
    is_complete : bool
        Whether every strip or tile lies inside the file.
    held_bytes : int
        Of the largest strip or tile that a decoder must hold as a whole: an uncompressed strip is read
        row by row, a compressed one only once all its bytes are there.
    tile_px : int or None
        Longer side of a tile, where the pixels lie in tiles and can be read in any order.
    """

    is_complete: bool
    held_bytes: int
    tile_px: int | None


def read_tiff_layout(path: Path, name: str) -> TiffLayout:
    """Layout of the first page of a TIFF file.

    Raises
    ------
    ImageError
        If its directory can't be read.

    Notes
    -----
    libtiff guesses the size of a strip that the file's end cuts off and fills it with zeros, so a decoder's
    silence is no proof that the file is whole.
    """
    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages.first.aspage()
            ends = [offset + size for offset, size in zip(page.dataoffsets, page.databytecounts, strict=True)]
            is_complete = bool(ends) and max(ends) <= path.stat().st_size and min(page.databytecounts) > 0
            is_read_by_rows = not page.is_tiled and page.compression == tifffile.COMPRESSION.NONE
            return TiffLayout(
                is_complete,
                held_bytes=0 if is_read_by_rows else max(page.databytecounts, default=0),
                tile_px=max(page.tilewidth, page.tilelength) if page.is_tiled else None,
            )
    except (
        tifffile.TiffFileError,
        ValueError,
        KeyError,
        IndexError,
        TypeError,
        OSError,
        struct.error,
    ) as err:
        raise ImageError(
            f"{name} is cut short or damaged: its TIFF directory can't be read ({err}). "
            "Copy or upload the whole file again."
        ) from err
