"""The scale that a picture's file states about itself, in µm per pixel."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pyvips
import tifffile
from PIL import Image

# Beyond these no brightfield photograph of a slide is meant: 72 or 300 dots per inch is a printer's figure
# that image editors write into any file. Bounds are our own choice, no source.
_PLAUSIBLE_UM_PER_PX = (0.02, 6.0)
_UM_PER_UNIT = {"m": 1e6, "cm": 1e4, "mm": 1e3, "µm": 1.0, "μm": 1.0, "um": 1.0, "micron": 1.0, "nm": 1e-3}
_UM_PER_RESOLUTION_UNIT = {2: 25_400.0, 3: 10_000.0}
# Pixels that are not square have no single scale.
_MOST_ASPECT_DIFFERENCE = 0.02


# XResolution, YResolution, ResolutionUnit in an EXIF block (EXIF 2.3, 4.6.4), the numbers of TIFF 6.0.
_EXIF_X, _EXIF_Y, _EXIF_UNIT = 282, 283, 296
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True)
class FileScale:
    """What a file says of its own scale, for a person to confirm.

    Attributes
    ----------
    um_per_px : float
        Mean of both axes.
    source : str
        Where it stands in the file.
    """

    um_per_px: float
    source: str


def read_file_scale(path: Path) -> float | None:
    """µm per pixel from a TIFF's OME metadata, `unit` note or resolution tags; None where none is usable.

    Notes
    -----
    Tags as in TIFF 6.0, section 8 (XResolution, YResolution, ResolutionUnit); PhysicalSizeX as in the
    OME data model. A scale outside 0.02 to 6 µm per pixel, or one that differs between x and y by more than
    2 %, is taken as not stated.
    """
    stated = _find_in_tiff(path)
    return None if stated is None else stated.um_per_px


def find_file_scale(path: Path) -> FileScale | None:
    """What any kind of picture says of its scale: a TIFF as in `read_file_scale`, others in their EXIF block.

    Notes
    -----
    An EXIF resolution is a printer's figure more often than a microscope's, so nothing may use it before a
    person has confirmed it.
    """
    try:
        with path.open("rb") as file:
            is_tiff = file.read(4) in _TIFF_STARTS
    except OSError:
        return None
    return _find_in_tiff(path) if is_tiff else _find_in_exif(path)


def _find_in_tiff(path: Path) -> FileScale | None:
    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages.first.aspage()
            if (xy := _ome_scale(file)) is not None:
                return _agree(xy, "OME metadata")
            if (xy := _unit_note_scale(page)) is not None:
                return _agree(xy, "unit note and resolution of the TIFF")
            xy = _resolution_scale(page)
    except (tifffile.TiffFileError, ValueError, KeyError, IndexError, OSError, ElementTree.ParseError):
        return None
    return None if xy is None else _agree(xy, "resolution of the TIFF")


def _find_in_exif(path: Path) -> FileScale | None:
    try:
        header = pyvips.Image.new_from_file(str(path), access="sequential")
        block = header.get("exif-data") if header.get_typeof("exif-data") else b""
        exif = Image.Exif()
        exif.load(block)
        um_per_unit = _UM_PER_RESOLUTION_UNIT[int(exif.get(_EXIF_UNIT, 2))]
        x, y = (um_per_unit / float(exif[tag]) for tag in (_EXIF_X, _EXIF_Y))
    # Whatever a camera wrote there, it is no reason to refuse the picture.
    except (pyvips.Error, OSError, SyntaxError, ValueError, TypeError, KeyError, ZeroDivisionError):
        return None
    return _agree((x, y), "resolution in the EXIF block")


def _agree(xy: tuple[float, float], source: str) -> FileScale | None:
    low, high = _PLAUSIBLE_UM_PER_PX
    if not all(low <= um_per_px <= high for um_per_px in xy):
        return None
    if abs(xy[0] - xy[1]) > _MOST_ASPECT_DIFFERENCE * max(xy):
        return None
    return FileScale((xy[0] + xy[1]) / 2, source)


def _ome_scale(file: tifffile.TiffFile) -> tuple[float, float] | None:
    if not file.is_ome or file.ome_metadata is None:
        return None
    pixels = ElementTree.fromstring(file.ome_metadata).find(".//{*}Pixels")
    if pixels is None or "PhysicalSizeX" not in pixels.attrib:
        return None
    x = _to_um(pixels.get("PhysicalSizeX"), pixels.get("PhysicalSizeXUnit"))
    y = _to_um(pixels.get("PhysicalSizeY", pixels.get("PhysicalSizeX")), pixels.get("PhysicalSizeYUnit"))
    return (x, y)


def _to_um(value: str | None, unit: str | None) -> float:
    return float(value or "nan") * _UM_PER_UNIT[unit or "µm"]


def _unit_note_scale(page: tifffile.TiffPage) -> tuple[float, float] | None:
    note = re.search(r"^unit=(\S+)\s*$", page.description, flags=re.MULTILINE)
    unit = note.group(1).replace("\\u00B5", "µ") if note else None
    if unit not in _UM_PER_UNIT:
        return None
    return _per_pixel(page, _UM_PER_UNIT[unit])


def _resolution_scale(page: tifffile.TiffPage) -> tuple[float, float] | None:
    unit = page.tags.get("ResolutionUnit")
    um_per_unit = _UM_PER_RESOLUTION_UNIT.get(int(unit.value) if unit else 2)
    return _per_pixel(page, um_per_unit) if um_per_unit else None


def _per_pixel(page: tifffile.TiffPage, um_per_unit: float) -> tuple[float, float] | None:
    tags = [page.tags.get(name) for name in ("XResolution", "YResolution")]
    ratios = [tag.value for tag in tags if tag is not None and 0 not in tag.value]
    if len(ratios) < 2:
        return None
    x, y = (um_per_unit * per / pixels for pixels, per in ratios)
    return (x, y)
