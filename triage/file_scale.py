"""The scale that a TIFF file states about itself, in µm per pixel."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import tifffile

# Beyond these no brightfield photograph of a slide is meant: 72 or 300 dots per inch is a printer's figure
# that image editors write into any file. Bounds are our own choice, no source.
_PLAUSIBLE_UM_PER_PX = (0.02, 6.0)
_UM_PER_UNIT = {"m": 1e6, "cm": 1e4, "mm": 1e3, "µm": 1.0, "μm": 1.0, "um": 1.0, "micron": 1.0, "nm": 1e-3}
_UM_PER_RESOLUTION_UNIT = {2: 25_400.0, 3: 10_000.0}
# Pixels that are not square have no single scale.
_MOST_ASPECT_DIFFERENCE = 0.02


def read_file_scale(path: Path) -> float | None:
    """µm per pixel from OME metadata, a `unit` note, or the resolution tags; None where none is usable.

    Notes
    -----
    Tags as in TIFF 6.0, section 8 (XResolution, YResolution, ResolutionUnit); PhysicalSizeX as in the
    OME data model. A scale outside 0.02 to 6 µm per pixel, or one that differs between x and y by more than
    2 %, is taken as not stated.
    """
    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages.first.aspage()
            xy = _ome_scale(file) or _unit_note_scale(page) or _resolution_scale(page)
    except (tifffile.TiffFileError, ValueError, KeyError, IndexError, OSError, ElementTree.ParseError):
        return None
    return _agree(xy) if xy else None


def _agree(xy: tuple[float, float]) -> float | None:
    low, high = _PLAUSIBLE_UM_PER_PX
    if not all(low <= um_per_px <= high for um_per_px in xy):
        return None
    if abs(xy[0] - xy[1]) > _MOST_ASPECT_DIFFERENCE * max(xy):
        return None
    return (xy[0] + xy[1]) / 2


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
