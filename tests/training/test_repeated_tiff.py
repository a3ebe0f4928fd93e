from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips

from training.repeated_tiff import write_mosaic


@pytest.mark.parametrize(("square_px", "side_px"), [(256, 1000), (192, 512), (512, 300)])
def test_write_mosaic_shows_what_libvips_writes_of_the_same_squares(
    tmp_path: Path, square_px: int, side_px: int
) -> None:
    rng = np.random.default_rng(3)
    squares = [tmp_path / f"{n}.png" for n in range(5)]
    drawn = [
        pyvips.Image.new_from_array(rng.integers(0, 256, (square_px, square_px, 3), dtype=np.uint8))
        for _ in squares
    ]
    for image, path in zip(drawn, squares, strict=True):
        image.pngsave(str(path))
    write_mosaic(squares, tmp_path / "ours.tif", side_px)
    block = pyvips.Image.arrayjoin(drawn, across=4).replicate(4, 4).crop(0, 0, side_px, side_px)
    block.tiffsave(
        str(tmp_path / "theirs.tif"), tile=True, tile_width=256, tile_height=256, compression="jpeg", Q=92
    )
    ours, theirs = (
        pyvips.Image.tiffload(str(tmp_path / name), fail_on="warning").numpy()
        for name in ("ours.tif", "theirs.tif")
    )
    # Tiles at the edge go on with the next squares there and with nothing here, and JPEG mixes 8 x 8 pixels.
    within = side_px // 8 * 8
    assert ours.shape == theirs.shape
    assert np.array_equal(ours[:within, :within], theirs[:within, :within])
