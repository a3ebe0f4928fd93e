"""Photographs of stage micrometers, drawn with a known scale: what a calibration is judged against."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter, map_coordinates

Floats = NDArray[np.float64]

DIVISION_UM = 10.0
# Room for the ruling's ends, the numbers and a little glass around them.
_TEXTURE_UM_PER_PX = 0.5
_SUBPIXELS = 2


@dataclass(frozen=True)
class Ruling:
    """A stage micrometer under the camera.

    Attributes
    ----------
    shape_hw : tuple of int
        Rows and columns of the picture.
    um_per_px : float
        Along the ruling's axis, at the picture's centre: the truth that a calibration must meet.
    angle_deg : float
        From the picture's x axis (right) to the ruling's axis, towards y (down), at the centre.
    centre_uv_um : tuple of float
        Place on the ruling that lies at the picture's centre: along the axis from the first mark, and across
        it from the foot of the marks.
    keystone_xy : tuple of float
        Relative change of the viewing distance per pixel along x and y; 0 looks straight down.
    n_divisions : int
        The ruling has one mark more than this.
    mark_um : float
        Width of a mark.
    lengths_um : tuple of float
        Of an ordinary mark, of each fifth and of each tenth.
    is_centred : bool
        The marks stand on both sides of the axis, not on one.
    has_base_line, has_numbers : bool
        A line joins the feet of the marks; each tenth mark has its number.
    contrast : float
        Light that a mark keeps out, as a share.
    blur_px : float
        Standard deviation of the blur.
    noise : float
        Standard deviation of the camera's noise, in grey levels of 255.
    light : tuple of float
        Relative brightness gained across the picture along x and along y, and lost towards its corners.
    jitter_um : float
        Standard deviation of the marks' own misplacement.
    n_specks : int
        Dirt on the glass.
    jpeg_quality : int or None
        None leaves the pixels as they are.
    """

    shape_hw: tuple[int, int] = (600, 800)
    um_per_px: float = 0.5
    angle_deg: float = 0.0
    centre_uv_um: tuple[float, float] = (500.0, 25.0)
    keystone_xy: tuple[float, float] = (0.0, 0.0)
    n_divisions: int = 100
    mark_um: float = 2.0
    lengths_um: tuple[float, float, float] = (50.0, 65.0, 80.0)
    is_centred: bool = False
    has_base_line: bool = False
    has_numbers: bool = True
    contrast: float = 0.6
    blur_px: float = 0.8
    noise: float = 2.0
    light: tuple[float, float, float] = (0.0, 0.0, 0.0)
    jitter_um: float = 0.0
    n_specks: int = 0
    jpeg_quality: int | None = None


def draw_ruling(ruling: Ruling, seed: int) -> NDArray[np.uint8]:
    """The photograph, of shape (height, width, 3); the same seed gives the same noise, dirt and jitter."""
    random = np.random.default_rng(seed)
    u_um, v_um = place_on_ruling(ruling, *_subpixel_grid(ruling.shape_hw))
    cover = np.maximum(_cover_marks(ruling, u_um, v_um, random), _cover_specks(ruling, u_um, v_um, random))
    if ruling.has_numbers:
        cover = np.maximum(cover, _cover_numbers(ruling, u_um, v_um))
    cover = gaussian_filter(cover, ruling.blur_px * _SUBPIXELS)
    height, width = ruling.shape_hw
    cover = cover.reshape(height, _SUBPIXELS, width, _SUBPIXELS).mean(axis=(1, 3))
    light = 205.0 * _shade(ruling) * (1 - ruling.contrast * cover)
    tint = np.array([1.0, 0.98, 0.92])
    pixels = light[..., None] * tint + random.normal(0, ruling.noise, (height, width, 3))
    return _through_jpeg(pixels.clip(0, 255).round().astype(np.uint8), ruling.jpeg_quality)


def place_on_ruling(ruling: Ruling, x_px: Floats, y_px: Floats) -> tuple[Floats, Floats]:
    """Place on the ruling (along, across, in µm) of picture places, pixel edges at whole numbers.

    Notes
    -----
    A plane seen by a pinhole camera: the homography is the identity times the scale at the centre, with the
    distance changing linearly over the picture (Hartley and Zisserman, Multiple View Geometry, 2nd edition,
    section 2.3, from memory). It is built so that the derivative at the centre is exactly `um_per_px`.
    """
    height, width = ruling.shape_hw
    dx, dy = x_px - width / 2, y_px - height / 2
    depth = 1 + ruling.keystone_xy[0] * dx + ruling.keystone_xy[1] * dy
    cos, sin = math.cos(math.radians(ruling.angle_deg)), math.sin(math.radians(ruling.angle_deg))
    along = (dx * cos + dy * sin) * ruling.um_per_px / depth
    across = (dy * cos - dx * sin) * ruling.um_per_px / depth
    return ruling.centre_uv_um[0] + along, ruling.centre_uv_um[1] + across


def count_marks_in_view(ruling: Ruling) -> int:
    """Marks of which the middle half of their ordinary length lies inside the picture."""
    height, width = ruling.shape_hw
    x, y = np.meshgrid(np.arange(0.5, width, 2), np.arange(0.5, height, 2))
    u_um, v_um = place_on_ruling(ruling, x, y)
    foot = -ruling.lengths_um[0] / 2 if ruling.is_centred else 0.0
    whole = np.ones(ruling.n_divisions + 1, bool)
    for share in (0.25, 0.75):
        level = foot + share * ruling.lengths_um[0]
        near = np.abs(v_um - level) < 3 * ruling.um_per_px
        index = np.rint(u_um[near] / DIVISION_UM).astype(int)
        seen = np.zeros_like(whole)
        on_mark = np.abs(u_um[near] / DIVISION_UM - index) < 0.3
        seen[index[on_mark & (index >= 0) & (index < len(seen))]] = True
        whole &= seen
    return int(whole.sum())


def draw_any_ruling(seed: int, index: int) -> Ruling:
    """A ruling chosen at random within what a calibration promises; at least eight marks are in view.

    Notes
    -----
    Rotation 0 to 180 degrees, 0.2 to 3 µm per pixel (each magnification as likely), tilt up to 2 degrees
    seen from 1 to 8 picture diagonals: a phone at an eyepiece is near, an objective's own view far.
    """
    random = np.random.default_rng((seed, index))
    while True:
        ruling = _choose(random)
        if count_marks_in_view(ruling) >= 8:
            return ruling


def _choose(random: np.random.Generator) -> Ruling:
    um_per_px = math.exp(random.uniform(math.log(0.2), math.log(3.0)))
    width = int(random.integers(640, 961))
    height = int(width * random.choice([0.6, 0.667, 0.75]))
    short_um = random.uniform(40, 80)
    lengths_um = (short_um, short_um * random.uniform(1.15, 1.4), short_um * random.uniform(1.45, 1.8))
    division_px = DIVISION_UM / um_per_px
    tilt = math.tan(math.radians(random.uniform(0, 2)))
    keystone = tilt / (math.exp(random.uniform(0, math.log(8))) * math.hypot(width, height))
    direction = random.uniform(0, 2 * math.pi)
    ruling = Ruling(
        shape_hw=(height, width),
        um_per_px=um_per_px,
        angle_deg=random.uniform(0, 180),
        keystone_xy=(keystone * math.cos(direction), keystone * math.sin(direction)),
        mark_um=random.uniform(1.5, 3.0),
        lengths_um=lengths_um,
        is_centred=bool(random.random() < 0.3),
        has_base_line=bool(random.random() < 0.3),
        has_numbers=bool(random.random() < 0.8),
        contrast=random.uniform(0.3, 0.85),
        blur_px=random.uniform(0.4, max(0.5, min(4.0, 0.22 * division_px))),
        noise=random.uniform(0.5, 6.0),
        light=(random.uniform(-0.3, 0.3), random.uniform(-0.3, 0.3), random.uniform(0, 0.4)),
        jitter_um=float(random.choice([0.0, 0.05])),
        n_specks=int(random.integers(0, 12)),
        jpeg_quality=None if random.random() < 0.3 else int(random.integers(70, 97)),
    )
    reach_um = 0.3 * min(height, width) * um_per_px
    centre_u = random.uniform(-0.2 * reach_um, 1000 + 0.2 * reach_um)
    return replace(ruling, centre_uv_um=(centre_u, random.uniform(-reach_um, reach_um + short_um)))


def _subpixel_grid(shape_hw: tuple[int, int]) -> tuple[Floats, Floats]:
    rows, columns = (np.arange(0.5, side * _SUBPIXELS) / _SUBPIXELS for side in shape_hw)
    x, y = np.meshgrid(columns, rows)
    return x, y


def _cover_marks(ruling: Ruling, u_um: Floats, v_um: Floats, random: np.random.Generator) -> Floats:
    jitter = random.normal(0, 1, ruling.n_divisions + 1) * ruling.jitter_um
    index = np.rint(u_um / DIVISION_UM).clip(0, ruling.n_divisions).astype(int)
    length = np.full(ruling.n_divisions + 1, ruling.lengths_um[0])
    length[::5], length[::10] = ruling.lengths_um[1], ruling.lengths_um[2]
    length = length[index]
    foot = -length / 2 if ruling.is_centred else np.zeros_like(length)
    off_um = u_um - (index * DIVISION_UM + jitter[index])
    across = _overlap(off_um, ruling.mark_um, ruling.um_per_px / _SUBPIXELS)
    along = _overlap(v_um - (foot + length / 2), length, ruling.um_per_px / _SUBPIXELS)
    cover: Floats = across * along
    if ruling.has_base_line:
        axis = _overlap(v_um, ruling.mark_um, ruling.um_per_px / _SUBPIXELS)
        end_um = ruling.n_divisions * DIVISION_UM
        cover = np.maximum(cover, axis * _overlap(u_um - end_um / 2, end_um, ruling.um_per_px / _SUBPIXELS))
    return cover


def _overlap(off_um: Floats, width_um: Floats | float, pixel_um: float) -> Floats:
    """Share of a pixel that a bar covers, the pixel's centre lying `off_um` from the bar's."""
    right = np.minimum(off_um + pixel_um / 2, np.asarray(width_um) / 2)
    left = np.maximum(off_um - pixel_um / 2, -np.asarray(width_um) / 2)
    share: Floats = np.clip(right - left, 0, None) / pixel_um
    return share


def _cover_numbers(ruling: Ruling, u_um: Floats, v_um: Floats) -> Floats:
    """Ink of the numbers, written beyond the ends of the longest marks."""
    per_px, margin_um, tall_um = _TEXTURE_UM_PER_PX, 30.0, 36.0
    n_columns = int((ruling.n_divisions * DIVISION_UM + 2 * margin_um) / per_px)
    page = Image.new("L", (n_columns, int(tall_um / per_px)))
    pen, font = ImageDraw.Draw(page), ImageFont.load_default(size=int(26 / per_px))
    for mark in range(0, ruling.n_divisions + 1, 10):
        place = ((mark * DIVISION_UM + margin_um) / per_px, page.height / 2)
        pen.text(place, str(mark // 10), fill=255, font=font, anchor="mm")
    end_um = ruling.lengths_um[2] * (0.5 if ruling.is_centred else 1.0) + 4
    rows, columns = (v_um - end_um) / per_px, (u_um + margin_um) / per_px
    ink: Floats = map_coordinates(np.asarray(page, float) / 255, [rows, columns], order=1, cval=0.0)
    return ink


def _cover_specks(ruling: Ruling, u_um: Floats, v_um: Floats, random: np.random.Generator) -> Floats:
    cover = np.zeros_like(u_um)
    height, width = cover.shape
    for _ in range(ruling.n_specks):
        row, column = int(random.integers(height)), int(random.integers(width))
        reach = np.hypot(u_um - u_um[row, column], v_um - v_um[row, column])
        cover = np.maximum(cover, random.uniform(0.3, 1) * (reach < random.uniform(1, 12) * ruling.um_per_px))
    return cover


def _shade(ruling: Ruling) -> Floats:
    """Brightness over the picture, 1 at its centre."""
    height, width = ruling.shape_hw
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, width), np.linspace(-0.5, 0.5, height))
    return 1 + ruling.light[0] * x + ruling.light[1] * y - 2 * ruling.light[2] * (x**2 + y**2)


def _through_jpeg(pixels: NDArray[np.uint8], quality: int | None) -> NDArray[np.uint8]:
    if quality is None:
        return pixels
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=quality)
    return np.asarray(Image.open(file))
