from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image

from triage.errors import ImageError
from triage.first_bytes import HEADER_BYTES, check_first_bytes
from triage.limits import Limits

SIDE_PX = 90
SMALL, LARGE = Limits(max_side=SIDE_PX - 1), Limits(max_side=SIDE_PX)


def written(form: str) -> bytes:
    """A picture of 90 x 60 px in some form."""
    pixels = np.random.default_rng(3).integers(0, 256, (60, SIDE_PX, 3), dtype=np.uint8)
    file = io.BytesIO()
    if form.endswith("tiff"):
        byteorder = ">" if form == "big-endian tiff" else "<"
        tifffile.imwrite(file, pixels, photometric="rgb", bigtiff=form == "bigtiff", byteorder=byteorder)
    else:
        Image.fromarray(pixels).save(file, form.split()[0], progressive=form.endswith("progressive"))
    return file.getvalue()


FORMS = ("png", "jpeg", "jpeg progressive", "bigtiff", "big-endian tiff")


@pytest.mark.parametrize("form", FORMS)
def test_size_is_known_from_the_header_alone(form: str) -> None:
    head = written(form)[:2000]
    assert check_first_bytes(head, "a", limits=LARGE)
    with pytest.raises(ImageError, match="is 90 x 60 px; at most"):
        check_first_bytes(head, "a", limits=SMALL)


@pytest.mark.parametrize("form", FORMS)
def test_every_shorter_head_asks_for_more_or_is_decided(form: str) -> None:
    data = written(form)
    decided = [check_first_bytes(data[:n], "a", limits=LARGE) for n in range(0, 2000)]
    assert decided == sorted(decided) and decided[15] is False and decided[-1] is True


def test_words_are_refused_as_soon_as_sixteen_bytes_are_there() -> None:
    assert not check_first_bytes(b"Dear colleague", "letter.tif")
    with pytest.raises(
        ImageError, match=r"letter\.tif is no picture that can be read: it starts with \"Dear col\"\."
    ):
        check_first_bytes(b"Dear colleague, attached", "letter.tif")
    with pytest.raises(ImageError, match=r"it starts with 50 4b 03 04 14 00 06 00\."):
        check_first_bytes(b"PK\x03\x04\x14\0\x06\0" + bytes(16), "letter.tif")


def test_directory_at_the_end_is_waited_for_no_longer_than_a_header_may_be() -> None:
    picture = pyvips.Image.black(SIDE_PX, 60).tiffsave_buffer()
    (offset,) = struct.unpack_from("<I", picture, 4)
    assert not check_first_bytes(picture[:offset], "a")
    assert check_first_bytes(picture, "a")
    far = b"II*\0" + struct.pack("<I", 2 * HEADER_BYTES)
    assert not check_first_bytes(far + bytes(HEADER_BYTES - 9), "a")
    assert check_first_bytes(far + bytes(HEADER_BYTES - 8), "a")


def test_heic_is_told_by_its_first_box() -> None:
    assert check_first_bytes(b"\0\0\0\x18ftypheic\0\0\0\0", "a.heic")


@pytest.mark.parametrize("byte", [0x00, 0x7F, 0xFF])
def test_garbage_after_a_right_start_is_no_crash(byte: int) -> None:
    for start in (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        head = start + bytes([byte]) * HEADER_BYTES
        try:
            assert check_first_bytes(head, "a")
        except ImageError as err:
            assert "px in all" in str(err)
