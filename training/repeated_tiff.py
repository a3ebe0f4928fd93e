"""Writes a large mosaic of drawn squares in seconds: its tiles repeat, so each is encoded once."""

from __future__ import annotations

import math
import struct
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyvips
import tifffile

TILE_PX = 256
_ACROSS = 4
_QUALITY = 92
# Field types of a TIFF directory and how their values are packed (BigTIFF, as the TIFF 6.0 specification
# extended to offsets of 8 bytes; libtiff's page "The BigTIFF File Format").
_SHORT, _UNDEFINED, _LONG8 = (3, "H"), (7, "B"), (16, "Q")
_HEADER_BYTES = 16


@dataclass(frozen=True)
class _Block:
    """Encoded tiles, rows of them, and what a decoder must know of them."""

    tiles: tuple[tuple[bytes, ...], ...]
    jpegtables: bytes
    photometric: int


def write_mosaic(squares: Sequence[Path], path: Path, side_px: int) -> None:
    """A tiled JPEG TIFF of this side, the squares repeated over and over.

    Parameters
    ----------
    squares : sequence of Path
        Pictures of one size.
    path : Path
        Every tile of it has bytes of its own, as in any other file.
    side_px : int
        Of the mosaic.
    """
    drawn = [pyvips.Image.new_from_file(str(square)) for square in squares]
    image = pyvips.Image.arrayjoin(drawn, across=min(_ACROSS, len(drawn)))
    # Tiles repeat with the block where its sides are whole tiles.
    times = [math.lcm(side, TILE_PX) // side for side in (image.width, image.height)]
    block = _encode(image.replicate(*times))
    a_side = -(-side_px // TILE_PX)
    offsets, sizes = [], []
    with path.open("wb") as file:
        file.seek(_HEADER_BYTES)
        for row in range(a_side):
            tiles = block.tiles[row % len(block.tiles)]
            for column in range(a_side):
                tile = tiles[column % len(tiles)]
                offsets.append(file.tell())
                sizes.append(len(tile))
                file.write(tile)
        start = file.tell()
        file.write(_pack_directory(block, side_px, offsets, sizes, start))
        file.seek(0)
        file.write(struct.pack("<2sHHHQ", b"II", 43, 8, 0, start))


def _encode(image: pyvips.Image) -> _Block:
    """The tiles of a picture as libvips encodes them."""
    with tempfile.TemporaryDirectory() as folder:
        once = Path(folder) / "once.tif"
        size = {"tile_width": TILE_PX, "tile_height": TILE_PX}
        image.tiffsave(str(once), tile=True, **size, compression="jpeg", Q=_QUALITY)
        data = once.read_bytes()
        with tifffile.TiffFile(once) as file:
            page = file.pages.first.aspage()
            places = list(zip(page.dataoffsets, page.databytecounts, strict=True))
            across = image.width // TILE_PX
            rows = [places[start : start + across] for start in range(0, len(places), across)]
            tiles = tuple(tuple(data[at : at + size] for at, size in row) for row in rows)
            return _Block(tiles, page.jpegtables or b"", int(page.photometric))


def _pack_directory(block: _Block, side_px: int, offsets: list[int], sizes: list[int], start: int) -> bytes:
    """The directory at `start`, followed by the values that are too long for it."""
    fields = [
        (256, _LONG8, [side_px]),
        (257, _LONG8, [side_px]),
        (258, _SHORT, [8, 8, 8]),
        (259, _SHORT, [int(tifffile.COMPRESSION.JPEG)]),
        (262, _SHORT, [block.photometric]),
        (277, _SHORT, [3]),
        (284, _SHORT, [1]),
        (322, _SHORT, [TILE_PX]),
        (323, _SHORT, [TILE_PX]),
        (324, _LONG8, offsets),
        (325, _LONG8, sizes),
        (347, _UNDEFINED, list(block.jpegtables)),
    ]
    entries, values = struct.pack("<Q", len(fields)), b""
    end = start + 8 + 20 * len(fields) + 8
    for tag, (kind, letter), numbers in fields:
        packed = struct.pack(f"<{len(numbers)}{letter}", *numbers)
        entries += struct.pack("<HHQ", tag, kind, len(numbers))
        entries += packed.ljust(8, b"\0") if len(packed) <= 8 else struct.pack("<Q", end + len(values))
        values += packed if len(packed) > 8 else b""
    return entries + struct.pack("<Q", 0) + values
