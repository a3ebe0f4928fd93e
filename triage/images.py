"""Opens a photograph or mosaic: upright, RGB, 8 bit, read by regions in bounded memory.

A file that can only be decoded from top to bottom (JPEG, PNG, TIFF in strips) is decoded in one such pass:
into memory, or where it is large into a tiled copy that regions are read from. A large tiled TIFF is read in
place.
"""

from __future__ import annotations

import secrets
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray

from triage.digests import file_sha256
from triage.disk import is_disk_full, say_disk_full
from triage.doubling import read_doubled
from triage.errors import ImageError
from triage.file_scale import read_file_scale
from triage.first_bytes import name_kind
from triage.kept_rows import keep_rows
from triage.limits import Limits
from triage.records import CodedNote
from triage.reduced import MOST_OVERVIEW_PX, ReducedCopy
from triage.tiff import TiffLayout, read_tiff_layout

__all__ = ["Limits", "Picture", "PixelFile", "open_picture", "open_pixels", "say_damaged", "to_grey"]

# Bits that cameras fill; 10, 12 and 14 bit sensors are often stored in 16 bit files without stretching.
_SENSOR_BITS = (8, 10, 12, 14, 16)
# Of the tiled copy that a large picture is read from.
_COPY_TILE_PX = 256
# Whoever reads so much of a reduced picture at a time reads all of it, in pieces that overlap.
_READS_ALL_PX = 512


@dataclass(frozen=True)
class PixelFile:
    """The tiled file that a large picture is read from by regions; another process may open it as well.

    Attributes
    ----------
    path : Path
    orientation : int
        How it is turned, as EXIF counts.
    is_copy : bool
        Whether it is our own copy; else the file as it came.
    """

    path: Path
    orientation: int
    is_copy: bool


class Picture:
    """An opened picture; pixels are read by regions.

    Attributes
    ----------
    file_name : str
        Name of the file without its folder.
    sha256 : str
        Of the original bytes.
    width, height : int
        In pixels, upright.
    um_per_px : float or None
        Scale that the file itself states, in µm per pixel.
    remarks : tuple of CodedNote
        What a person should know about the file, for instance that only its first page was read.
    pixel_file : PixelFile or None
        What the pixels of a large picture are read from; None where they are in memory.
    rows_at_once : int
        Rows that are decoded together where reading means decoding; else 1.
    """

    def __init__(
        self,
        pixels: pyvips.Image,
        *,
        file_name: str,
        sha256: str,
        um_per_px: float | None = None,
        remarks: tuple[CodedNote, ...] = (),
        work_folder: tempfile.TemporaryDirectory[str] | None = None,
        reduced: ReducedCopy | None = None,
        pixel_file: PixelFile | None = None,
    ) -> None:
        self._pixels = pixels
        is_decoded = pixel_file is not None and not pixel_file.is_copy and pixel_file.orientation == 1
        self._kept = keep_rows(pixels) if is_decoded else pixels
        self.rows_at_once: int = pixels.get("tile-height") if is_decoded else 1
        self._reduced = reduced
        self._scaled: dict[tuple[int, int], pyvips.Image] = {}
        self._wholes: dict[tuple[int, int], NDArray[np.uint8]] = {}
        self._reducing = threading.Lock()
        self._overviews: dict[int, NDArray[np.uint8]] = {}
        self._work_folder = work_folder
        self.file_name = file_name
        self.sha256 = sha256
        self.width: int = pixels.width
        self.height: int = pixels.height
        self.um_per_px = um_per_px
        self.remarks = remarks
        self.pixel_file = pixel_file

    def read_region(
        self,
        x: int,
        y: int,
        width: int,
        height: int,
        *,
        scaled_to_hw: tuple[int, int] | None = None,
        above: NDArray[np.uint8] | None = None,
    ) -> NDArray[np.uint8]:
        """Pixels of a rectangle as an array of shape (height, width, 3).

        Parameters
        ----------
        x, y, width, height : int
            The rectangle; it must lie inside the picture.
        scaled_to_hw : tuple of int, optional
            Rows and columns of the whole picture after resampling; the rectangle is then in that frame.
        above : ndarray of shape (n, width, 3), n <= height, optional
            Its first rows, where they are known already; of a picture that isn't resampled.

        Raises
        ------
        ValueError
            If the rectangle is empty or leaves the picture.
        ImageError
            If the file turns out to be damaged at this place.
        """
        frame_hw = scaled_to_hw or (self.height, self.width)
        if min(x, y) < 0 or min(width, height) < 1 or x + width > frame_hw[1] or y + height > frame_hw[0]:
            raise ValueError(f"Region {(x, y, width, height)} must lie inside rows, columns {frame_hw}.")
        region: NDArray[np.uint8]
        try:
            if frame_hw == (self.height, self.width):
                region = self._fetch(x, y, width, height, above)
            elif frame_hw == (2 * self.height, 2 * self.width):
                region = read_doubled(self._fetch_kept, (self.height, self.width), x, y, width, height)
            elif self._reads_all(frame_hw, (height, width)):
                region = self._reduce_whole(frame_hw)[y : y + height, x : x + width]
            else:
                region = self._resampled(frame_hw).crop(x, y, width, height).numpy()
        except pyvips.Error as err:
            raise say_damaged(self.file_name, err) from err
        return region

    def _fetch(
        self, x: int, y: int, width: int, height: int, above: NDArray[np.uint8] | None = None
    ) -> NDArray[np.uint8]:
        pixels = np.zeros((0, width, 3), dtype=np.uint8) if above is None else above
        n = height - len(pixels)
        if n > 0:
            # A tenth of a crop's time: nothing is computed, so no threads are worth starting.
            data = pyvips.Region.new(self._pixels).fetch(x, y + len(pixels), width, n)
            read = np.frombuffer(data, dtype=np.uint8).reshape(n, width, 3)
            pixels = read if n == height else np.concatenate((pixels, read))
        return self._reduce(x, y, pixels)

    def _fetch_kept(self, x: int, y: int, width: int, height: int) -> NDArray[np.uint8]:
        """The same from what is kept of the last rows, for tiles in another frame than the picture's."""
        data = pyvips.Region.new(self._kept).fetch(x, y, width, height)
        return self._reduce(x, y, np.frombuffer(data, dtype=np.uint8).reshape(height, width, 3))

    def _reduce(self, x: int, y: int, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        if self._reduced is not None:
            self._reduced.add(x, y, pixels)
        return pixels

    def read_overview(self, max_side: int) -> NDArray[np.uint8]:
        """The whole picture, reduced so that its longer side is at most `max_side` pixels; read-only."""
        if max_side in self._overviews:
            return self._overviews[max_side]
        factor = min(1.0, max_side / max(self.width, self.height))
        scaled_to_hw = (max(1, round(self.height * factor)), max(1, round(self.width * factor)))
        overview = (
            self._reduce_copy(self._reduced, scaled_to_hw)
            if self._reduced is not None and max_side <= MOST_OVERVIEW_PX
            else self.read_region(0, 0, scaled_to_hw[1], scaled_to_hw[0], scaled_to_hw=scaled_to_hw)
        )
        overview.flags.writeable = False
        # Of a whole coverslip every one costs as much as decoding all of it.
        self._overviews[max_side] = overview
        return overview

    def _reduce_copy(self, reduced: ReducedCopy, shape_hw: tuple[int, int]) -> NDArray[np.uint8]:
        try:
            reduced.complete(self._fetch)
        except pyvips.Error as err:
            raise say_damaged(self.file_name, err) from err
        return reduced.reduce_to(shape_hw)

    def as_vips(self) -> pyvips.Image:
        """The upright RGB pixels for writers that stream, such as the viewer pyramid."""
        return self._pixels

    def close(self) -> None:
        """Let go of the pixels and remove the temporary file, if there is one."""
        self._scaled.clear()
        self._wholes.clear()
        self._overviews.clear()
        self._pixels = self._kept = None
        if self._work_folder is not None:
            self._work_folder.cleanup()

    def __enter__(self) -> Picture:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _reads_all(self, frame_hw: tuple[int, int], piece_hw: tuple[int, int]) -> bool:
        """Whether a piece is worth reducing all of a picture for: one that lies in memory."""
        is_small = self.width * self.height <= Limits.max_memory_pixels and frame_hw[1] < self.width
        return is_small and all(
            piece >= min(_READS_ALL_PX, side) for piece, side in zip(piece_hw, frame_hw, strict=True)
        )

    def _reduce_whole(self, frame_hw: tuple[int, int]) -> NDArray[np.uint8]:
        """All of the reduced picture, read-only; piece by piece libvips takes more than twice as long."""
        with self._reducing:
            if frame_hw not in self._wholes:
                self._wholes[frame_hw] = self._resampled(frame_hw).numpy()
                self._wholes[frame_hw].flags.writeable = False
            return self._wholes[frame_hw]

    def _resampled(self, frame_hw: tuple[int, int]) -> pyvips.Image:
        if frame_hw not in self._scaled:
            kernel = "lanczos3" if frame_hw[1] < self.width else "cubic"
            self._scaled[frame_hw] = self._kept.resize(
                frame_hw[1] / self.width, vscale=frame_hw[0] / self.height, kernel=kernel
            )
        return self._scaled[frame_hw]


def to_grey(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Mean of the three channels of (H, W, 3) pixels, 0 to 255, as (H, W)."""
    # A mean over so short an axis takes NumPy several times as long.
    return np.asarray(cv2.transform(pixels.astype(np.float32), np.full((1, 3), 1 / 3)), dtype=np.float32)


def open_picture(
    path: Path, *, limits: Limits | None = None, file_name: str | None = None, copy_path: Path | None = None
) -> Picture:
    """A picture whose pixels have all been decoded once, so that a cut-short file is refused here.

    Of a large tiled TIFF only the directory is read here; a damaged tile is refused where it is read.

    Parameters
    ----------
    path : Path
        JPEG, PNG, TIFF (8 or 16 bit, grey, RGB, CMYK, 1 bit) or HEIC; told by its bytes, not by its name.
    limits : Limits, optional
        Sizes beyond these are refused before anything is decoded.
    file_name : str, optional
        The name to report where `path` is a name of our own.
    copy_path : Path, optional
        Where the tiled copy of a large picture is read from, if one of the same bytes was left there, or else
        written, whole or not at all; it stays after `close`. Left out: a temporary file.

    Raises
    ------
    ImageError
        If it is no picture, is cut short or damaged, or is beyond the limits.
    StorageError
        If there is no room on the disk for the tiled copy.
    """
    limits = limits or Limits()
    name = file_name or path.name
    kind = _sniff(path, name)
    try:
        if kind == "heic":
            pixels, remarks, folder, pixel_file = _load_heic(path, name, limits)
        else:
            pixels, remarks, folder, pixel_file = _load_with_vips(path, name, kind, limits, copy_path)
    except pyvips.Error as err:
        raise say_damaged(name, err) from err
    um_per_px = read_file_scale(path) if kind == "tiff" else None
    return Picture(
        pixels,
        file_name=name,
        sha256=file_sha256(path),
        um_per_px=um_per_px,
        remarks=remarks,
        work_folder=folder,
        reduced=_begin_copy(pixels, limits),
        pixel_file=pixel_file,
    )


def open_pixels(pixel_file: PixelFile, file_name: str) -> Picture:
    """The pixels that another process reads, or another part of this one; it says nothing of the file itself.

    Raises
    ------
    ImageError
        If they aren't there any more.
    """
    try:
        return Picture(_open_tiled(pixel_file, file_name), file_name=file_name, sha256="")
    except pyvips.Error as err:
        raise say_damaged(file_name, err) from err


def _open_tiled(pixel_file: PixelFile, name: str) -> pyvips.Image:
    image = (
        pyvips.Image.tiffload(str(pixel_file.path), access="random", revalidate=True)
        if pixel_file.is_copy
        else _to_rgb8(_decode(pixel_file.path, "tiff", access="random"), name)
    )
    return _rotate(image, pixel_file.orientation)


def _begin_copy(pixels: pyvips.Image, limits: Limits) -> ReducedCopy | None:
    """Only for what isn't held in memory and would have to be decoded again."""
    if pixels.width * pixels.height <= limits.max_memory_pixels:
        return None
    reduced = ReducedCopy((pixels.height, pixels.width))
    return reduced if reduced.cell_px > 1 else None


def _sniff(path: Path, name: str) -> str:
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as err:
        raise ImageError(f"{name} can't be opened ({err.strerror}). Give the path of a picture.") from err
    if not head:
        raise ImageError(f"{name} holds zero bytes; a picture is needed. Copy or upload the file again.")
    return name_kind(head, name)


_Loaded = tuple[
    pyvips.Image, tuple[CodedNote, ...], tempfile.TemporaryDirectory[str] | None, PixelFile | None
]


def _load_heic(path: Path, name: str, limits: Limits) -> _Loaded:
    # The import costs a tenth of a second and loads a codec that most pictures don't need.
    import pillow_heif

    try:
        heif = pillow_heif.open_heif(path)
        limits.check_size(name, heif.size[0], heif.size[1], held_whole=True)
        # Another way through an image of Pillow's would hold all pixels four times.
        plain = heif if heif.mode in ("RGB", "RGBA") else heif.to_pillow().convert("RGB")
        pixels = np.asarray(plain)
    except (ValueError, OSError, EOFError, RuntimeError, SyntaxError) as err:
        raise say_damaged(name, err) from err
    rgb = _to_rgb8(pyvips.Image.new_from_array(pixels), name)
    return (rgb if pixels.shape[2] == 3 else rgb.copy_memory()), (), None, None


def _load_with_vips(path: Path, name: str, kind: str, limits: Limits, copy_path: Path | None) -> _Loaded:
    layout = read_tiff_layout(path, name) if kind == "tiff" else None
    if layout:
        limits.check_piece(name, layout.held_bytes)
    header = _decode(path, kind)
    limits.check_size(name, header.width, header.height, held_whole=bool(header.get_typeof("interlaced")))
    if layout and not layout.is_complete:
        raise say_damaged(name, "a strip or tile lies beyond its end")
    remarks = _count_pages(path, header)
    upright = header.get("orientation") if header.get_typeof("orientation") else 1
    rgb = _to_rgb8(header, name, brightest=_find_brightest(path, kind, header))
    if header.width * header.height <= limits.max_memory_pixels:
        return _rotate(rgb.copy_memory(), upright), remarks, None, None
    folder = None
    if layout and _can_read_in_place(layout, header, limits):
        pixel_file = PixelFile(path, upright, is_copy=False)
    elif copy_path is not None:
        pixel_file = PixelFile(copy_path, upright, is_copy=True)
        if not copy_path.exists():
            _write_copy(rgb, copy_path, name)
    else:
        folder = tempfile.TemporaryDirectory(prefix="coverslip-picture-", ignore_cleanup_errors=True)
        pixel_file = PixelFile(Path(folder.name) / "pixels.tif", upright, is_copy=True)
        try:
            _write_copy(rgb, pixel_file.path, name)
        except BaseException:
            folder.cleanup()
            raise
    return _open_tiled(pixel_file, name), remarks, folder, pixel_file


def _can_read_in_place(layout: TiffLayout, header: pyvips.Image, limits: Limits) -> bool:
    """Whether regions of a TIFF may be read in any order at little cost."""
    # What must be stretched or converted by a profile would be so again at every look.
    is_plain = header.format == "uchar" and header.interpretation != "cmyk"
    return is_plain and layout.tile_px is not None and layout.tile_px <= limits.max_tile_px


def _write_copy(rgb: pyvips.Image, path: Path, name: str) -> None:
    """Decode a picture once from top to bottom into a tiled file, whole or not at all."""
    unfinished = path.with_name(f"{path.stem}.{secrets.token_hex(4)}.part.tif")
    try:
        rgb.tiffsave(
            str(unfinished),
            tile=True,
            tile_width=_COPY_TILE_PX,
            tile_height=_COPY_TILE_PX,
            bigtiff=True,
            keep="none",
        )
        unfinished.replace(path)
    except pyvips.Error as err:
        if is_disk_full(err, path.parent):
            raise say_disk_full(f"the pixels of {name}", err) from err
        raise
    finally:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)


def _decode(path: Path, kind: str, **options: Any) -> pyvips.Image:
    load = {
        "jpeg": pyvips.Image.jpegload,
        "png": pyvips.Image.pngload,
        "tiff": pyvips.Image.tiffload,
    }[kind]
    # Our own limits are checked right after the header; the decoders' are lower than a whole coverslip.
    # A strip or tile of a TIFF that can't be decoded counts as a warning, and would stay black.
    fail_on = "warning" if kind == "tiff" else "truncated"
    settings = {"access": "sequential", "fail_on": fail_on, "revalidate": True, "unlimited": True}
    # An interlaced PNG is decoded whole and kept, so a file that was written again must be asked for anew.
    return load(str(path), **{**settings, **options})


def _count_pages(path: Path, header: pyvips.Image) -> tuple[CodedNote, ...]:
    pages = header.get("n-pages") if header.get_typeof("n-pages") else 1
    if pages < 2:
        return ()
    second = pyvips.Image.tiffload(str(path), page=1, revalidate=True)
    # The further pages of a pyramid are smaller copies of the first, so nothing is left out there.
    if (second.width, second.height) != (header.width, header.height):
        return ()
    sentence = f"The file has {pages} pages; only the first was read."
    return (CodedNote("first_page_only", sentence, {"pages": pages}),)


def _find_brightest(path: Path, kind: str, header: pyvips.Image) -> float | None:
    if header.format != "ushort":
        return None
    # A second look at the file: the first can be read only once, from top to bottom.
    return float(_decode(path, kind).max())


def _to_rgb8(image: pyvips.Image, name: str, *, brightest: float | None = None) -> pyvips.Image:
    if image.format not in ("uchar", "ushort"):
        raise ImageError(
            f"{name} holds samples of type {image.format}; only 8 and 16 bit whole numbers are read. "
            "Save it as 8 or 16 bit."
        )
    if brightest is not None:
        image = _to_8_bit(image, brightest)
    if image.interpretation == "cmyk":
        image = image.icc_transform("srgb", embedded=True, input_profile="cmyk")
    elif image.bands >= 3:
        image = image.copy(interpretation="srgb")
    else:
        image = image.copy(interpretation="b-w").colourspace("srgb")
    if image.hasalpha():
        image = image.flatten(background=255)
    if image.bands != 3:
        raise ImageError(f"{name} has {image.bands} channels; grey, RGB and CMYK are read. Export it as RGB.")
    return image.cast("uchar")


def _to_8_bit(image: pyvips.Image, brightest: float) -> pyvips.Image:
    bits = next(bits for bits in _SENSOR_BITS if brightest < 1 << bits)
    grey_or_rgb = {"grey16": "b-w", "rgb16": "srgb"}.get(image.interpretation, image.interpretation)
    return (image * (255.0 / ((1 << bits) - 1))).rint().cast("uchar").copy(interpretation=grey_or_rgb)


def _rotate(image: pyvips.Image, orientation: int) -> pyvips.Image:
    image = image.copy()
    image.set_type(pyvips.GValue.gint_type, "orientation", orientation)
    return image.autorot()


def say_damaged(name: str, err: Exception | str) -> ImageError:
    """The error of a file that the decoder gave up."""
    said = " ".join(str(err).split())
    return ImageError(
        f"{name} is cut short or damaged, so none of it was used (the decoder says: {said}). "
        "Copy or upload the whole file again."
    )
