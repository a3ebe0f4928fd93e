"""What is known of the objects of a tile, and where they lie once the tile was turned, cut or covered."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

Target = dict[str, Tensor]
"""Rows for the objects of a tile by name, and perhaps `TILE_SCALE`."""
TILE_SCALE = "um_per_px"
"""Of a target: the tile's pixel size in µm, of shape (1,); NaN, or left out, where it isn't known."""
Batch = tuple[Tensor, list[Target]]
"""Tiles (N, 3, S, S) uint8, and one target per tile."""


def turn_batch(
    images: Tensor, targets: list[Target], *, quarter_turns: int, is_mirrored: bool
) -> tuple[Tensor, list[Target]]:
    """Square images mirrored left to right, then turned by quarters (x axis towards y axis), with targets."""
    side = images.shape[-1]
    if is_mirrored:
        images = images.flip(-1)
    images = torch.rot90(images, -quarter_turns, (-2, -1))
    # All targets are turned at once: one after the other they would take longer than the network.
    known = set(targets[0]).intersection(*targets) - {TILE_SCALE}
    target = {name: torch.cat([one[name] for one in targets]) for name in known}
    if is_mirrored:
        target = _mirror(target, side)
    for _ in range(quarter_turns % 4):
        target = _quarter_turn(target, side)
    lengths = [len(one["boxes"]) for one in targets]
    parts = {name: value.split(lengths) for name, value in target.items()}
    return images, [
        {name: part[i] for name, part in parts.items()} | _take_scale(one) for i, one in enumerate(targets)
    ]


def _take_scale(target: Target) -> Target:
    """What a target says of its tile and not of objects."""
    return {TILE_SCALE: target[TILE_SCALE]} if TILE_SCALE in target else {}


def list_scales(targets: Sequence[Target]) -> list[float | None]:
    """The pixel size of each tile, in µm; None where it isn't known."""
    sizes = [float(one[TILE_SCALE]) if TILE_SCALE in one else math.nan for one in targets]
    return [None if math.isnan(size) else size for size in sizes]


def _mirror(target: Target, side: int) -> Target:
    box = target["boxes"]
    mirrored = {**target, "boxes": torch.stack((side - box[:, 2], box[:, 1], side - box[:, 0], box[:, 3]), 1)}
    if "ellipses" in target:
        cx, cy, length, width, angle = target["ellipses"].unbind(1)
        mirrored["ellipses"] = torch.stack((side - cx, cy, length, width, -angle), 1)
    return mirrored


def _quarter_turn(target: Target, side: int) -> Target:
    """(x, y) goes to (side - y, x)."""
    box = target["boxes"]
    turned = {**target, "boxes": torch.stack((side - box[:, 3], box[:, 0], side - box[:, 1], box[:, 2]), 1)}
    if "ellipses" in target:
        cx, cy, length, width, angle = target["ellipses"].unbind(1)
        turned["ellipses"] = torch.stack((side - cy, cx, length, width, angle + 90.0), 1)
    return turned


def hide_square(target: Target, hole_xyxy: Tensor) -> Target:
    """The target with what a covered square takes from the visible fraction of each object."""
    box = target["boxes"]
    hole = hole_xyxy.to(box.device)
    overlap = (torch.minimum(box[:, 2:], hole[2:]) - torch.maximum(box[:, :2], hole[:2])).clamp(min=0)
    area = (box[:, 2:] - box[:, :2]).prod(dim=1).clamp(min=1e-6)
    visible = target.get("visible", torch.ones_like(area))
    return {**target, "visible": visible * (1 - overlap.prod(dim=1) / area)}


def move_target(target: Target, *, scale: float, shift_xy: NDArray[np.float64], side_px: int) -> Target:
    """The target in a square of `side_px`, after pixels were scaled and then shifted.

    Boxes are clipped to the square and `visible` says what is left of each; objects outside are left out.
    """
    shift = torch.as_tensor(shift_xy, dtype=torch.float32)
    ellipses = target["ellipses"].clone()
    ellipses[:, :4] *= scale
    ellipses[:, :2] += shift
    moved = {**target, "boxes": target["boxes"] * scale + shift.repeat(2), "ellipses": ellipses}
    if TILE_SCALE in moved:
        moved[TILE_SCALE] = moved[TILE_SCALE] / scale
    return clip_target(moved, side_px, side_px)


def clip_target(target: Target, width: int, height: int) -> Target:
    """The target of a picture that ends at `width` and `height`: boxes clipped, less visible, some gone."""
    boxes = target["boxes"]
    edges = boxes.new_tensor([width, height, width, height])
    clipped = torch.minimum(boxes.clamp(min=0.0), edges)
    area = (boxes[:, 2:] - boxes[:, :2]).prod(dim=1).clamp(min=1e-6)
    left = (clipped[:, 2:] - clipped[:, :2]).clamp(min=0.0).prod(dim=1) / area
    visible = target.get("visible", torch.ones_like(left)) * left
    kept = {**target, "boxes": clipped, "visible": visible}
    return take_rows(kept, left > 0)


def take_rows(target: Target, chosen: Tensor) -> Target:
    """The target with the chosen objects alone, by mask."""
    return {name: value if name == TILE_SCALE else value[chosen] for name, value in target.items()}
