"""What the first bytes of a file say: whether it is a picture, and how large, long before it is all there."""

from __future__ import annotations

import struct

from triage.errors import ImageError
from triage.limits import Limits

# By then the header of a photograph has come; a TIFF's directory may stand anywhere, even last.
HEADER_BYTES = 1024 * 1024
_LONGEST_START = 16
# JPEG (ITU-T T.81, table B.1): the frame headers, and the markers that stand alone.
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_JPEG_ALONE = frozenset((0x01, *range(0xD0, 0xD8)))
# TIFF 6.0, section 8: ImageWidth, ImageLength; values of type SHORT, LONG, and LONG8 of BigTIFF.
_TIFF_SIDES = (256, 257)
_TIFF_FORMATS = {3: "H", 4: "I", 16: "Q"}

_Size = tuple[int, int]


def name_kind(head: bytes, name: str) -> str:
    """`jpeg`, `png`, `tiff` or `heic`, told by the first 16 bytes.

    Raises
    ------
    ImageError
        If it is none of them.
    """
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"hevc"):
        return "heic"
    raise ImageError(
        f"{name} is no picture that can be read: it starts with {_show(head[:8])}. "
        "Use a JPEG, PNG, TIFF or HEIC file."
    )


def _show(start: bytes) -> str:
    """As letters where it is text, else as hexadecimal numbers."""
    is_text = start.isascii() and start.decode("ascii").isprintable()
    return f'"{start.decode("ascii")}"' if is_text else start.hex(" ")


def check_first_bytes(head: bytes, name: str, *, limits: Limits | None = None) -> bool:
    """Whether enough has come to say that this is a picture within the limits, as far as its header shows.

    Parameters
    ----------
    head : bytes
        What has come so far, from the first byte on; no more than `HEADER_BYTES` are looked at.
    name : str
        For the message.
    limits : Limits, optional

    Returns
    -------
    is_decided : bool
        False: ask again with more. True says nothing of the pixels, which only decoding shows.

    Raises
    ------
    ImageError
        If it is no picture, or states a size beyond the limits.
    """
    if len(head) < _LONGEST_START:
        return False
    kind = name_kind(head, name)
    size = _SIZES[kind](head[:HEADER_BYTES]) if kind in _SIZES else None
    if size is not None:
        (limits or Limits()).check_size(name, *size)
    return size is not None or kind not in _SIZES or len(head) >= HEADER_BYTES


def _size_of_png(head: bytes) -> _Size | None:
    if len(head) < 24:
        return None
    width, height = struct.unpack_from(">II", head, 16)
    return width, height


def _size_of_jpeg(head: bytes) -> _Size | None:
    at = 2
    while at + 9 <= len(head) and head[at] == 0xFF:
        marker = head[at + 1]
        if marker in _JPEG_FRAMES:
            height, width = struct.unpack_from(">HH", head, at + 5)
            return width, height
        # Markers may be preceded by any number of fill bytes.
        if marker == 0xFF:
            at += 1
        elif marker in _JPEG_ALONE:
            at += 2
        else:
            at += 2 + int.from_bytes(head[at + 2 : at + 4], "big")
    return None


def _size_of_tiff(head: bytes) -> _Size | None:
    order = "<" if head[:2] == b"II" else ">"
    is_big = 43 in (head[2], head[3])
    offset_at, offset_format, count_format, entry_bytes, value_at = (
        (8, "Q", "Q", 20, 12) if is_big else (4, "I", "H", 12, 8)
    )
    (offset,) = struct.unpack_from(order + offset_format, head, offset_at)
    count_bytes = struct.calcsize(count_format)
    if offset + count_bytes > len(head):
        return None
    (count,) = struct.unpack_from(order + count_format, head, offset)
    sides: dict[int, int] = {}
    for index in range(min(count, 4096)):
        at = offset + count_bytes + index * entry_bytes
        if at + entry_bytes > len(head):
            return None
        tag, kind = struct.unpack_from(order + "HH", head, at)
        if tag in _TIFF_SIDES and kind in _TIFF_FORMATS:
            (sides[tag],) = struct.unpack_from(order + _TIFF_FORMATS[kind], head, at + value_at)
    return (sides[256], sides[257]) if len(sides) == 2 else None


_SIZES = {"png": _size_of_png, "jpeg": _size_of_jpeg, "tiff": _size_of_tiff}
