"""Scenes to pictures: material on the canvas, through the microscope, into the camera."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
import torch
from torch import Tensor

from training.synthesize.camera import light_up, take_picture
from training.synthesize.canvas import MARGIN_PX, Canvas, Things, blank_canvas, splat
from training.synthesize.clutter import SPECKS
from training.synthesize.debris import add_debris
from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind
from training.synthesize.optics import form_image
from training.synthesize.scene import Scene
from training.synthesize.sight import see_objects, shrink, take_away
from training.synthesize.transfer import send_arrays
from training.synthesize.truth import HIDING_DENSITY, TileTruth, tell_truth

_MOST_STAINED_UM = 0.6
"""Thicker material takes up hardly more stain."""


@torch.no_grad()
def render_scenes(
    scenes: Sequence[Scene], device: torch.device | str = "cpu", *, kinds: Mapping[str, Kind] = KINDS
) -> tuple[Tensor, list[TileTruth]]:
    """Pictures of `scenes` (all of one size) and what is in them.

    Parameters
    ----------
    scenes : sequence of Scene
    device : torch.device or str
    kinds : mapping of str to Kind
        Where the scenes' objects are looked up.

    Returns
    -------
    pictures : Tensor of shape (B, 3, H, W), uint8, on `device`
    truths : list of TileTruth

    Notes
    -----
    A picture depends on its own scene alone, whatever stands beside it in the batch. On a GPU sums run
    in no fixed order, so single pixels may differ by a grey level between runs.
    """
    device = torch.device(device)
    canvas = blank_canvas(scenes[0].shape_hw, [scene.um_per_px for scene in scenes], device)
    splat(canvas, SPECKS, [scene.specks for scene in scenes])
    add_debris(canvas, [scene.debris for scene in scenes])
    hiding = _crop(canvas.density() > HIDING_DENSITY, scenes[0].shape_hw)
    before = shrink(canvas)
    splat(canvas, kinds, [_pick(scene, kinds, are_candidates=False) for scene in scenes])
    beside = shrink(canvas)
    splat(canvas, kinds, [_pick(scene, kinds, are_candidates=True) for scene in scenes])
    objects = take_away(shrink(canvas), beside)
    light = _rows([scene.light for scene in scenes], device)
    optics = _rows([scene.optics for scene in scenes], device)
    for each in (canvas, objects):
        _stain(each, light)
    lit = light_up(_crop(form_image(canvas, optics), scenes[0].shape_hw), light)
    sights = see_objects(objects, before, lit, optics, light["contrast"])
    (keys,) = send_arrays([np.array([scene.key for scene in scenes], np.int64)], device)
    camera = _rows([scene.camera for scene in scenes], device)
    pictures = take_picture(lit, camera, _rows([scene.marks for scene in scenes], device), keys)
    truths = [
        tell_truth(scene, over, sight, kinds)
        for scene, over, sight in zip(scenes, hiding.cpu().numpy(), sights, strict=True)
    ]
    return pictures, truths


def _pick(scene: Scene, kinds: Mapping[str, Kind], *, are_candidates: bool) -> dict[str, Things]:
    """The candidates of a scene, or its look-alikes."""
    return {
        name: things for name, things in scene.objects.items() if kinds[name].is_candidate is are_candidates
    }


def _rows(records: Sequence[Any], device: torch.device) -> dict[str, Tensor]:
    """The fields of equal records as tensors, one row a record."""
    names = [each.name for each in fields(records[0])]
    arrays = [np.array([getattr(record, name) for record in records], np.float32) for name in names]
    return dict(zip(names, send_arrays(arrays, device), strict=True))


def _crop(planes: Tensor, shape_hw: tuple[int, int]) -> Tensor:
    return planes[..., MARGIN_PX : MARGIN_PX + shape_hw[0], MARGIN_PX : MARGIN_PX + shape_hw[1]]


def _stain(canvas: Canvas, light: dict[str, Tensor]) -> None:
    """Colour the material: tint what absorbs, and let a stain sit in what is denser than the fluid."""
    path = _MOST_STAINED_UM * torch.tanh(canvas.planes[3].clamp(min=0) / _MOST_STAINED_UM)
    for colour in range(3):
        tint, stain = (light[name][:, colour, None, None, None] for name in ("tint", "stain"))
        canvas.planes[colour].mul_(tint).addcmul_(path, stain)
