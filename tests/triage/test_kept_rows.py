from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile

from triage import kept_rows
from triage.images import Limits, open_picture
from triage.kept_rows import keep_rows


@pytest.mark.parametrize("most_bytes", [kept_rows._MOST_BYTES, 0])
def test_rows_that_were_read_are_not_read_from_the_file_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_bytes: int
) -> None:
    monkeypatch.setattr(kept_rows, "_MOST_BYTES", most_bytes)
    pixels = np.random.default_rng(3).integers(1, 256, (800, 64, 3), dtype=np.uint8)
    path = tmp_path / "a.tif"
    # Not packed, so that what lies in the file under its tiles is read without complaint.
    tifffile.imwrite(path, pixels, photometric="rgb", tile=(16, 16))
    with tifffile.TiffFile(path) as file:
        start = min(file.pages.first.aspage().dataoffsets)
    with open_picture(path, limits=Limits(max_memory_pixels=100)) as picture:
        doubled = [picture.read_region(0, y, 128, 64, scaled_to_hw=(1600, 128)) for y in range(0, 1536, 64)]
        with path.open("r+b") as written:
            written.seek(start)
            written.write(bytes(path.stat().st_size - start))
        again = picture.read_region(0, 0, 128, 1536, scaled_to_hw=(1600, 128))
        assert np.array_equal(again, np.concatenate(doubled)) == (most_bytes > 0)
        assert not picture.read_region(0, 784, 64, 16).any()


def test_rows_of_a_whole_coverslip_are_kept_and_those_of_wider_files_and_large_tiles_not() -> None:
    kept = []
    for tile_px, width in ((256, 22_000), (256, 50_000), (1024, 22_000)):
        pixels = pyvips.Image.black(width, 10, bands=3)
        for name in ("tile-width", "tile-height"):
            pixels.set_type(pyvips.GValue.gint_type, name, tile_px)
        kept.append(keep_rows(pixels) is not pixels)
    assert kept == [True, False, False]
