"""Squares cut out of labelled pictures at random places and scales, on the CPU."""

from __future__ import annotations

import math
import os
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from training.targets import Target, move_target

Picture = NDArray[np.uint8]

CENTRED_SHARE = 0.75
"""Of the squares that are cut from a picture with objects, so many show the middle of one."""


class CutSquare(Protocol):
    """Cuts a square out of a picture, with its target; the same seed cuts the same square."""

    def __call__(
        self, picture: Picture, target: Target, *, factors: tuple[float, float], seed: int
    ) -> tuple[Picture, Target]:
        """The square and its target, as `move_target` leaves it.

        Parameters
        ----------
        picture : ndarray of shape (H, W, 3), uint8
        target : dict of Tensor
        factors : tuple of float
            Least and greatest enlargement; in between, each doubling is as likely as the next.
        seed : int
        """


def labelled_transform(tile_px: int) -> CutSquare:
    """A function that cuts a random square out of a labelled picture at a random scale.

    Parameters
    ----------
    tile_px : int
        Side of the square.

    Returns
    -------
    transform : CutSquare

    Notes
    -----
    albumentations is imported here, so that drawn tiles train without it; its update check is switched
    off, or the import would call out.
    """
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")
    import albumentations as A

    def transform(
        picture: Picture, target: Target, *, factors: tuple[float, float], seed: int
    ) -> tuple[Picture, Target]:
        factor = math.exp(np.random.default_rng(seed).uniform(*np.log(factors)))
        side_px = max(round(tile_px / factor), 1)
        shrink, enlarge = 3, 2  # OpenCV's numbers of area and cubic interpolation
        crops = [
            A.CropNonEmptyMaskIfExists(side_px, side_px, p=CENTRED_SHARE),
            A.RandomCrop(side_px, side_px, p=1 - CENTRED_SHARE),
        ]
        compose = A.Compose(
            [
                A.PadIfNeeded(side_px, side_px, border_mode=1),
                A.OneOf(crops, p=1.0),
                A.Resize(tile_px, tile_px, interpolation=shrink if factor < 1 else enlarge),
            ],
            keypoint_params=A.KeypointParams(format="xy", remove_invisible=False),
            seed=seed,
        )
        corner_and_unit = np.array([[0.0, 0.0], [1000.0, 0.0]], dtype=np.float32)
        result = compose(image=picture, mask=_mask_middles(picture, target), keypoints=corner_and_unit)
        corner, unit = np.asarray(result["keypoints"], dtype=np.float64)
        scale = float(unit[0] - corner[0]) / 1000.0
        return result["image"], move_target(target, scale=scale, shift_xy=corner, side_px=tile_px)

    return transform


def _mask_middles(picture: Picture, target: Target) -> Picture:
    """1 at the middle of each object (H, W), 0 elsewhere; what nobody could see is none."""
    mask = np.zeros(picture.shape[:2], dtype=np.uint8)
    boxes = target["boxes"][target["visible"] > 0]
    x, y = ((boxes[:, :2] + boxes[:, 2:]) / 2).long().T.numpy()
    mask[y.clip(0, len(mask) - 1), x.clip(0, mask.shape[1] - 1)] = 1
    return mask
