"""How plainly each drawn candidate stands out: its own mark on the light, against all else that lies there.

The candidates alone are looked at once more, through the same microscope at half the pixels, so that each
one's contrast is known apart from the debris and the look-alikes it lies in. What counts is how much its mark
differs from what its halo spreads around it: defocus, haze and a thin shell all make this small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.synthesize.canvas import MARGIN_PX, Canvas
from training.synthesize.optics import WAVELENGTHS_UM, Optics, form_image

LEAST_VISIBLE = 0.5
"""Of an object that counts. Below it nobody could be asked to see the object: in training nothing is learnt
there, in judging a candidate there counts neither way. The one threshold of `visible`."""
LEAST_CONTRAST = 0.03
"""Standing out this much, in log intensity over noise of its own, an object can just be seen on clean glass.

Chosen by eye on drawn stacks (no source).
"""
MOST_BLUR = 0.19
"""Blur (deviation over the object's width) at which an outline can just be told; by eye, no source."""
COARSENESS = 2
"""Pixels of a picture to one of its `Sight`, each way."""
COVERING_DENSITY = 0.2
"""From here on debris counts as cover in the figures by stratum; an object still shows through it."""
_TEXTURE_SHARE = 3.0
"""Texture hides this much of its deviation over the square root of the grains that an outline runs across.

An outline is followed across texture, and the more easily the more grains it is longer than: the signal of
a matched filter grows with the root of the independent samples (textbook statistics, from memory). The
factor is chosen by eye on drawn stacks (no source).
"""
_GRAIN_PX = 4.0
_GRAIN_UM = 2.0
"""Size of a grain of texture: of debris, or what the camera parts, whichever is larger (by eye)."""
_GRAIN_SHARE = 0.25
"""Grain is finer than an object, and averages out over it (by eye)."""


@dataclass(frozen=True)
class Sight:
    """What objects are seen by and what hides them, for one picture at half its pixels.

    Attributes
    ----------
    marks : ndarray of shape (3, h, w), float32
        Log intensity that the candidates alone add, in red, green and blue.
    level : ndarray of shape (h, w), float32
        Light that reaches the camera, objects and all, mean of the colours; 1 is full.
    debris : ndarray of shape (h, w), float32
        Optical density of debris and specks.
    """

    marks: NDArray[np.float32]
    level: NDArray[np.float32]
    debris: NDArray[np.float32]

    def read(self, name: str, points_xy: NDArray[np.float64]) -> NDArray[np.float32]:
        """Values (..., n, k) of a plane nearest to points (n, k, 2) in pixels of the picture."""
        plane: NDArray[np.float32] = getattr(self, name)
        height, width = plane.shape[-2:]
        column = (points_xy[..., 0] / COARSENESS).astype(np.int64).clip(0, width - 1)
        row = (points_xy[..., 1] / COARSENESS).astype(np.int64).clip(0, height - 1)
        return plane[..., row, column]


def shrink(canvas: Canvas) -> Canvas:
    """The same canvas at half the pixels."""
    # Twice as fast as average pooling; the sides of a canvas are even.
    rows = canvas.planes[..., ::2, :] + canvas.planes[..., 1::2, :]
    return Canvas(
        (rows[..., ::2] + rows[..., 1::2]) / COARSENESS**2,
        canvas.um_per_px * COARSENESS,
        canvas.host_um_per_px * COARSENESS,
    )


def take_away(canvas: Canvas, before: Canvas) -> Canvas:
    """What was added to a canvas since `before`."""
    return Canvas(canvas.planes - before.planes, canvas.um_per_px, canvas.host_um_per_px)


def see_objects(
    objects: Canvas,
    before: Canvas,
    lit: Tensor,
    optics: dict[str, Tensor],
    contrast: Tensor,
) -> list[Sight]:
    """The sight of each picture of a batch.

    Parameters
    ----------
    objects : Canvas
        The candidates alone, stained, shrunk.
    before : Canvas
        Debris and specks, shrunk.
    lit : Tensor of shape (B, 3, H, W)
        What the camera gets of the pictures, margins cropped.
    optics : dict of Tensor
        The fields of `Optics`, one row a picture.
    contrast : Tensor of shape (B,)
        Exponent on the relative intensity.
    """
    height, width = (-(-side // COARSENESS) for side in lit.shape[-2:])
    start = MARGIN_PX // COARSENESS
    seen = form_image(objects, optics) * contrast[:, None, None, None]
    planes = torch.cat(
        [
            seen[..., start : start + height, start : start + width],
            torch.nn.functional.avg_pool2d(lit.mean(dim=1, keepdim=True), COARSENESS, ceil_mode=True),
            before.density()[:, None, start : start + height, start : start + width],
        ],
        dim=1,
    )
    # Half precision halves what leaves a GPU; the eye asks for no more.
    rows = planes.half().cpu().float().numpy()
    return [Sight(row[:3], row[3], row[4]) for row in rows]


def measure_contrast(
    sight: Sight,
    inside_xy: NDArray[np.float64],
    around_xy: NDArray[np.float64],
    shows: NDArray[np.bool_],
    shows_around: NDArray[np.bool_],
    grain: float,
    n_grains: NDArray[np.float64],
) -> NDArray[np.float64]:
    """How many times each candidate's mark exceeds the least that can be seen where it lies.

    Parameters
    ----------
    sight : Sight
    inside_xy : ndarray of shape (n, k, 2)
        Points within and just beyond each outline, in pixels of the picture.
    around_xy : ndarray of shape (n, m, 2)
        Points around it.
    shows, shows_around : ndarray of shape (n, k) and (n, m), bool
        Which points are in the picture, lit, and not hidden; the others don't count.
    grain : float
        Deviation of the camera's noise, of the full range.
    n_grains : ndarray of shape (n,)
        Grains of texture along each outline, from `count_grains`.

    Returns
    -------
    contrasts : ndarray of shape (n,)
        1 is just seen; 0 where nothing shows.

    Notes
    -----
    Root mean square of the mark over what the object's halo spreads around it (its median there), in log
    intensity, over the root sum of squares of the least contrast, a share of the texture's deviation within
    and around the outline, and a share of the grain. Where candidates overlap, each is seen by both their
    marks.
    """
    n_shown = np.maximum(shows.sum(axis=1), 1)
    marks = sight.read("marks", inside_xy) - np.median(
        sight.read("marks", around_xy), axis=-1, keepdims=True
    ).astype(np.float32)
    power = ((marks**2).mean(axis=0) * shows).sum(axis=1) / n_shown
    everywhere = np.concatenate([inside_xy, around_xy], axis=1)
    counts = np.concatenate([shows, shows_around], axis=1).astype(np.float64)
    level = np.maximum(sight.read("level", everywhere), 0.02).astype(np.float64)
    rest = np.log(level) - sight.read("marks", everywhere).mean(axis=0)
    noise = np.sqrt(
        LEAST_CONTRAST**2
        + _TEXTURE_SHARE**2 / n_grains * _variance(rest, counts)
        + (_GRAIN_SHARE * grain) ** 2 / (_mean(level, counts) ** 2).clip(min=4e-4)
    )
    return np.asarray(np.sqrt(power) / noise)


def count_grains(outlines_xy: NDArray[np.float64], um_per_px: float) -> NDArray[np.float64]:
    """Grains of texture along each closed outline (n, k, 2) in pixels of the picture; at least 1; (n,)."""
    steps = np.linalg.norm(outlines_xy - np.roll(outlines_xy, 1, axis=1), axis=2).sum(axis=1)
    return np.asarray((steps / max(_GRAIN_PX, _GRAIN_UM / um_per_px)).clip(min=1.0))


def _mean(values: NDArray[np.float64], counts: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((values * counts).sum(axis=1) / counts.sum(axis=1).clip(min=1.0))


def _variance(values: NDArray[np.float64], counts: NDArray[np.float64]) -> NDArray[np.float64]:
    return _mean((values - _mean(values, counts)[:, None]) ** 2, counts)


def measure_definition(
    width_um: NDArray[np.float64], focus_um: NDArray[np.float64], optics: Optics, camera_blur_um: float
) -> NDArray[np.float64]:
    """How many times more blur each outline could bear.

    Parameters
    ----------
    width_um, focus_um : ndarray of shape (n,)
        Width of each object, and its height over the plane of focus.
    optics : Optics
    camera_blur_um : float
        Deviation of the camera's blur.

    Returns
    -------
    definition : ndarray of shape (n,)
        1 is just told, above 0.

    Notes
    -----
    Deviations add in squares: z NA_c / 2 for a cone of NA_c seen z out of focus (as in
    `training.synthesize.optics`), 0.21 lambda / NA for the objective (the Gaussian nearest to Airy's disc,
    textbook optics, from memory), and the camera's. Out of focus a clear object may stand out more than in
    focus, yet as a shapeless blot.
    """
    of_focus = focus_um * optics.condenser_na / 2
    of_lens = 0.21 * WAVELENGTHS_UM[1] / optics.na
    blur_um = np.sqrt(of_focus**2 + of_lens**2 + camera_blur_um**2)
    return np.asarray(MOST_BLUR * width_um / np.maximum(blur_um, 1e-9))


def to_share_seen(contrasts: NDArray[np.float64], definition: NDArray[np.float64]) -> NDArray[np.float64]:
    """0 to 1, the worse of both: `LEAST_VISIBLE` where an object is just seen, 1 from twice that on."""
    return np.clip(LEAST_VISIBLE * np.minimum(contrasts, definition), 0.0, 1.0)
