from __future__ import annotations

import hashlib
import struct
import subprocess
import sys
import textwrap
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
import pyvips
import tifffile
from numpy.typing import NDArray
from PIL import Image

from triage.errors import ImageError, StorageError
from triage.images import Limits, Picture, open_picture


@pytest.fixture
def rgb() -> NDArray[np.uint8]:
    """A smooth picture of 60 x 90 px that no format blurs much: red grows right, green grows down."""
    y, x = np.mgrid[0:60, 0:90]
    return np.stack([x * 2.5, y * 4, 200 - x], axis=-1).astype(np.uint8)


def read_all(picture: Picture) -> NDArray[np.int16]:
    return picture.read_region(0, 0, picture.width, picture.height).astype(np.int16)


def save(path: Path, image: Image.Image, **options: object) -> Path:
    image.save(path, **options)
    return path


def test_open_picture_reads_png_exactly(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    with open_picture(save(tmp_path / "a.png", Image.fromarray(rgb))) as picture:
        assert (picture.width, picture.height) == (90, 60)
        np.testing.assert_array_equal(read_all(picture), rgb)


@pytest.mark.parametrize("name", ["a.jpg", "a.tif", "a.heic"])
def test_open_picture_reads_format(tmp_path: Path, rgb: NDArray[np.uint8], name: str) -> None:
    pillow_heif.register_heif_opener()
    path = save(tmp_path / name, Image.fromarray(rgb), quality=95)
    with open_picture(path) as picture:
        assert np.abs(read_all(picture) - rgb).max() <= 12


def test_open_picture_reads_progressive_jpeg(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = save(tmp_path / "a.jpg", Image.fromarray(rgb), quality=95, progressive=True)
    with open_picture(path) as picture:
        assert np.abs(read_all(picture) - rgb).max() <= 12


def test_open_picture_reads_an_interlaced_file_that_was_written_again(
    tmp_path: Path, rgb: NDArray[np.uint8]
) -> None:
    for pixels in (rgb, 255 - rgb):
        whole = pyvips.Image.new_from_array(pixels).copy(interpretation="srgb")
        whole.pngsave(str(tmp_path / "a.png"), interlace=True)
        with open_picture(tmp_path / "a.png") as picture:
            np.testing.assert_array_equal(read_all(picture), pixels)


def test_open_picture_hashes_original_bytes(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = save(tmp_path / "a.jpg", Image.fromarray(rgb))
    with open_picture(path) as picture:
        assert picture.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_open_picture_reports_given_file_name(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = save(tmp_path / "0f3a", Image.fromarray(rgb), format="PNG")
    with open_picture(path, file_name="field 3.png") as picture:
        assert picture.file_name == "field 3.png"


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("max_memory_pixels", [10, 10_000_000])
def test_open_picture_turns_upright(
    tmp_path: Path, rgb: NDArray[np.uint8], orientation: int, max_memory_pixels: int
) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = save(tmp_path / "a.png", Image.fromarray(rgb), exif=exif)
    # What the EXIF standard says the eight values mean, as row and column operations on the stored pixels.
    upright = {
        1: rgb,
        2: rgb[:, ::-1],
        3: rgb[::-1, ::-1],
        4: rgb[::-1],
        5: rgb.transpose(1, 0, 2),
        6: np.rot90(rgb, -1),
        7: rgb[::-1, ::-1].transpose(1, 0, 2),
        8: np.rot90(rgb),
    }[orientation]
    with open_picture(path, limits=Limits(max_memory_pixels=max_memory_pixels)) as picture:
        np.testing.assert_array_equal(read_all(picture), upright)


def test_open_picture_reads_grey_as_three_equal_channels(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    grey = np.ascontiguousarray(rgb[..., 0])
    with open_picture(save(tmp_path / "a.png", Image.fromarray(grey))) as picture:
        np.testing.assert_array_equal(read_all(picture), np.repeat(grey[..., None], 3, axis=2))


def test_open_picture_lays_transparency_on_white(tmp_path: Path) -> None:
    rgba = np.zeros((20, 20, 4), dtype=np.uint8)
    rgba[:, 10:, 3] = 255
    with open_picture(save(tmp_path / "a.png", Image.fromarray(rgba))) as picture:
        pixels = read_all(picture)
    assert (pixels[:, :10] == 255).all() and (pixels[:, 10:] == 0).all()


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_open_picture_reads_one_bit(tmp_path: Path, name: str) -> None:
    bits = np.zeros((16, 24), dtype=bool)
    bits[4:8] = True
    with open_picture(save(tmp_path / name, Image.fromarray(bits))) as picture:
        np.testing.assert_array_equal(read_all(picture)[..., 0], bits * 255)


@pytest.mark.parametrize("name", ["a.jpg", "a.tif"])
def test_open_picture_turns_cmyk_to_rgb(tmp_path: Path, name: str) -> None:
    cmyk = np.zeros((20, 40, 4), dtype=np.uint8)
    cmyk[:, 20:] = (0, 0, 0, 255)
    with open_picture(save(tmp_path / name, Image.fromarray(cmyk, mode="CMYK"))) as picture:
        pixels = read_all(picture)
    assert pixels[:, :18].min() > 240 and pixels[:, 22:].max() < 60


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_open_picture_stretches_sensor_bits_in_16(tmp_path: Path, bits: int) -> None:
    brightest = (1 << bits) - 1
    grey = np.linspace(0, brightest, 256).round().astype(np.uint16).reshape(16, 16)
    tifffile.imwrite(tmp_path / "a.tif", grey)
    with open_picture(tmp_path / "a.tif") as picture:
        pixels = read_all(picture)[..., 0]
    assert np.abs(pixels.ravel() - np.arange(256)).max() <= 1


def test_open_picture_reads_16_bit_rgb_png(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    wide = pyvips.Image.new_from_array(rgb.astype(np.uint16) * 257).copy(interpretation="rgb16")
    wide.pngsave(str(tmp_path / "a.png"))
    with open_picture(tmp_path / "a.png") as picture:
        np.testing.assert_array_equal(read_all(picture), rgb)


def test_open_picture_says_that_further_pages_were_not_read(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.stack([rgb, rgb, rgb]), photometric="rgb")
    with open_picture(tmp_path / "a.tif") as picture:
        assert [one.text for one in picture.remarks] == ["The file has 3 pages; only the first was read."]


def test_open_picture_is_the_same_from_memory_and_from_file(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = save(tmp_path / "a.png", Image.fromarray(rgb))
    with open_picture(path) as kept, open_picture(path, limits=Limits(max_memory_pixels=100)) as streamed:
        np.testing.assert_array_equal(read_all(kept), read_all(streamed))


def test_close_removes_temporary_file(
    tmp_path: Path, rgb: NDArray[np.uint8], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    path = save(tmp_path / "a.png", Image.fromarray(rgb))
    picture = open_picture(path, limits=Limits(max_memory_pixels=100))
    assert list((tmp_path / "temporary").iterdir())
    picture.close()
    assert not list((tmp_path / "temporary").iterdir())


def test_open_picture_removes_temporary_file_of_a_damaged_picture(
    tmp_path: Path, rgb: NDArray[np.uint8], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    path = save(tmp_path / "a.png", Image.fromarray(np.random.default_rng(0).permutation(rgb)))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(ImageError, match="cut short or damaged"):
        open_picture(path, limits=Limits(max_memory_pixels=100))
    assert not list((tmp_path / "temporary").iterdir())


@pytest.mark.parametrize("factor", [0.25, 0.5, 2.0])
def test_read_region_of_a_scaled_frame_is_part_of_the_whole(
    tmp_path: Path, rgb: NDArray[np.uint8], factor: float
) -> None:
    with open_picture(save(tmp_path / "a.png", Image.fromarray(rgb))) as picture:
        frame_hw = (round(60 * factor), round(90 * factor))
        whole = picture.read_region(0, 0, frame_hw[1], frame_hw[0], scaled_to_hw=frame_hw)
        part = picture.read_region(5, 3, 10, 8, scaled_to_hw=frame_hw)
    np.testing.assert_array_equal(part, whole[3:11, 5:15])


def test_read_region_refuses_what_lies_outside(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    with (
        open_picture(save(tmp_path / "a.png", Image.fromarray(rgb))) as picture,
        pytest.raises(ValueError, match=r"must lie inside rows, columns \(60, 90\)"),
    ):
        picture.read_region(85, 0, 10, 10)


def test_overview_of_one_size_is_made_once_and_not_written_to(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    with open_picture(save(tmp_path / "a.png", Image.fromarray(rgb))) as picture:
        first = picture.read_overview(20)
        assert picture.read_overview(20) is first and picture.read_overview(10) is not first
        with pytest.raises(ValueError, match="read-only"):
            first[0, 0] = 0


def test_open_picture_reads_one_pixel(tmp_path: Path) -> None:
    path = save(tmp_path / "a.png", Image.new("RGB", (1, 1), (9, 8, 7)))
    with open_picture(path) as picture:
        assert read_all(picture).tolist() == [[[9, 8, 7]]]
        assert picture.read_overview(1024).shape == (1, 1, 3)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.heic"])
@pytest.mark.parametrize("share", [0.4, 0.9])
def test_open_picture_refuses_truncated_file(tmp_path: Path, name: str, share: float) -> None:
    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    path = save(tmp_path / name, Image.fromarray(noise))
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    with pytest.raises(ImageError, match=rf"{name} is cut short or damaged"):
        open_picture(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "holds zero bytes"),
        (b"Dear colleague, attached", "is no picture that can be read"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "is no picture that can be read"),
        (b"\xff\xd8\xff", "is cut short or damaged"),
        (b"\x89PNG\r\n\x1a\n", "is cut short or damaged"),
        (b"II*\0", "is cut short or damaged"),
        (b"\0\0\0\x18ftypheic", "is cut short or damaged"),
    ],
)
def test_open_picture_refuses_what_is_no_picture(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    with pytest.raises(ImageError, match=rf"^a\.jpg {message}"):
        open_picture(path)


def test_open_picture_refuses_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"can.t be opened \(No such file"):
        open_picture(tmp_path / "a.png")


def test_open_picture_refuses_float_samples(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.ones((8, 8), dtype=np.float32))
    with pytest.raises(ImageError, match="samples of type float; only 8 and 16 bit"):
        open_picture(tmp_path / "a.tif")


@pytest.mark.parametrize("limits", [Limits(max_pixels=5000), Limits(max_side=80)])
def test_open_picture_refuses_beyond_limits(tmp_path: Path, rgb: NDArray[np.uint8], limits: Limits) -> None:
    path = save(tmp_path / "a.png", Image.fromarray(rgb))
    with pytest.raises(ImageError, match="is 90 x 60 px; at most"):
        open_picture(path, limits=limits)


@pytest.mark.parametrize("name", ["a.jpg", "a.heic"])
def test_open_picture_limits_pictures_that_decoders_hold_whole(
    tmp_path: Path, rgb: NDArray[np.uint8], name: str
) -> None:
    pillow_heif.register_heif_opener()
    path = save(tmp_path / name, Image.fromarray(rgb), progressive=True)
    with pytest.raises(ImageError, match="at most 5,000 px in all"):
        open_picture(path, limits=Limits(max_whole_pixels=5000))


def pack_png_chunk(chunk: tuple[bytes, bytes]) -> bytes:
    kind, content = chunk
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def test_open_picture_refuses_bomb_before_decoding(tmp_path: Path) -> None:
    # A PNG that says it is 60,000 px square; its pixels are never asked for.
    path = tmp_path / "bomb.png"
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(bytes(10_000))), (b"IEND", b""))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(map(pack_png_chunk, chunks)))
    with pytest.raises(ImageError, match="is 60000 x 60000 px; at most 2,500,000,000 px"):
        open_picture(path)


MEASURED_RUN = """
    import resource, sys
    from pathlib import Path
    from triage.images import open_picture
    start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with open_picture(Path(sys.argv[1])) as picture:
        assert picture.width == 40_000, picture.width
        picture.read_region(39_000, 2_000, 1_000, 1_000)
        picture.read_region(0, 0, 5_000, 750, scaled_to_hw=(750, 10_000))
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - start)
"""


def test_open_picture_of_40000_px_width_needs_bounded_memory(tmp_path: Path) -> None:
    # 120 Mpx are 343 MiB of RGB; the reader may need far less than that.
    path = tmp_path / "wide.jpg"
    pyvips.Image.black(40_000, 3_000, bands=3).copy(interpretation="srgb").jpegsave(str(path))
    run = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(MEASURED_RUN), str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert int(run.stdout) < 200 * 1024


def test_open_picture_reads_large_tiles_in_place(
    tmp_path: Path, rgb: NDArray[np.uint8], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    tifffile.imwrite(tmp_path / "a.tif", rgb, photometric="rgb", tile=(16, 32), bigtiff=True)
    copy_path = tmp_path / "copy.tif"
    with open_picture(
        tmp_path / "a.tif", limits=Limits(max_memory_pixels=100), copy_path=copy_path
    ) as picture:
        np.testing.assert_array_equal(read_all(picture), rgb)
        np.testing.assert_array_equal(picture.read_region(33, 20, 40, 30), rgb[20:50, 33:73])
    assert not copy_path.exists()


def test_open_picture_refuses_a_damaged_tile_where_it_is_read(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", tile=(16, 32), compression="zlib")
    overwrite_piece(path)
    with (
        open_picture(path, limits=Limits(max_memory_pixels=100)) as picture,
        pytest.raises(ImageError, match=r"a\.tif is cut short or damaged"),
    ):
        read_all(picture)


@pytest.mark.parametrize("pieces", [{"tile": (16, 32)}, {"rowsperstrip": 16}], ids=["tiles", "strips"])
def test_open_picture_refuses_a_piece_that_was_overwritten(
    tmp_path: Path, rgb: NDArray[np.uint8], pieces: dict[str, Any]
) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", compression="zlib", **pieces)
    overwrite_piece(path)
    with pytest.raises(ImageError, match=r"a\.tif is cut short or damaged"):
        open_picture(path)


def overwrite_piece(path: Path) -> None:
    with tifffile.TiffFile(path) as file:
        offset = file.pages.first.dataoffsets[2]
    data = bytearray(path.read_bytes())
    data[offset : offset + 8] = b"\xff" * 8
    path.write_bytes(data)


@pytest.mark.parametrize(
    "options",
    [{"rowsperstrip": 60}, {"rowsperstrip": 60, "compression": "zlib"}, {"rowsperstrip": 7}],
    ids=["one strip", "one compressed strip", "many strips"],
)
def test_open_picture_reads_strips_once_into_a_tiled_copy(
    tmp_path: Path, rgb: NDArray[np.uint8], options: dict[str, Any]
) -> None:
    path, copy_path = tmp_path / "a.tif", tmp_path / "copy.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", **options)
    limits = Limits(max_memory_pixels=100, max_whole_pixels=100)
    with open_picture(path, limits=limits, copy_path=copy_path) as picture:
        np.testing.assert_array_equal(read_all(picture), rgb)
    written = copy_path.stat().st_mtime_ns
    with open_picture(path, limits=limits, copy_path=copy_path) as picture:
        np.testing.assert_array_equal(read_all(picture), rgb)
    assert copy_path.stat().st_mtime_ns == written, "the copy was made again"


def test_open_picture_limits_compressed_pieces(tmp_path: Path, rgb: NDArray[np.uint8]) -> None:
    tifffile.imwrite(tmp_path / "a.tif", rgb, photometric="rgb", rowsperstrip=60, compression="zlib")
    with pytest.raises(ImageError, match="compressed bytes in one piece; at most 99 are read"):
        open_picture(tmp_path / "a.tif", limits=Limits(max_piece_bytes=99))


def test_copy_of_a_damaged_picture_is_not_left(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    path = save(tmp_path / "a.png", Image.fromarray(noise))
    path.write_bytes(path.read_bytes()[:-9000])
    with pytest.raises(ImageError, match="cut short or damaged"):
        open_picture(path, limits=Limits(max_memory_pixels=100), copy_path=tmp_path / "copy.tif")
    assert [one.name for one in tmp_path.iterdir()] == ["a.png"]


def test_full_disk_is_told_and_leaves_no_copy(tmp_path: Path, largest_file: Callable[[int], Any]) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (900, 900, 3), dtype=np.uint8)
    path = save(tmp_path / "a.jpg", Image.fromarray(noise), quality=80)
    with (
        largest_file(400_000),
        pytest.raises(StorageError, match=r"no room on the service's disk for the pixels of a"),
    ):
        open_picture(path, limits=Limits(max_memory_pixels=100), copy_path=tmp_path / "copy.tif")
    assert [one.name for one in tmp_path.iterdir()] == ["a.jpg"]
