"""What a TIFF file says about its own layout: whether it is all there, and how much of it is one piece."""

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
    is_one_piece : bool
        Whether all pixels are a single strip, which a decoder must hold as a whole.
    """

    is_complete: bool
    is_one_piece: bool


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
            return TiffLayout(is_complete, is_one_piece=not page.is_tiled and len(ends) == 1)
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
