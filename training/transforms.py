"""Augmentation: of whole batches on the device that trains, and of labelled pictures on the CPU.

Drawn tiles arrive already on the device; everything a camera, a program or a messenger does to a picture
is added there, batch by batch, from one seeded generator.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from training.parallel import Share
from training.synthesize.jpeg import squeeze

Target = dict[str, Tensor]
"""Rows for the objects of a tile by name, and perhaps `TILE_SCALE`."""
TILE_SCALE = "um_per_px"
"""Of a target: the tile's pixel size in µm, of shape (1,); NaN, or left out, where it isn't known."""

SEED_STRIDE = 1_000_003
"""Apart from each other, so that runs of neighbouring seeds share no batch and no change of one."""
BLUR_TAPS = 9
CUT_PX = 48


@dataclass(frozen=True)
class Chances:
    """How often each change is made, 0 to 1 a tile."""

    grey: float = 0.08
    blur: float = 0.35
    resample: float = 0.3
    jpeg: float = 0.25
    cut: float = 0.15
    noise: float = 0.6
    border: float = 0.15
    no_scale: float = 0.5


class Augmenter:
    """Changes whole batches, reproducibly: the same seed gives the same changes on any device.

    Parameters
    ----------
    seed : int
        Start of the generator.
    chances : Chances, optional
        How often each change is made.
    share : Share, optional
        Which tiles of a batch are given, where several processes share it equally. Each tile is changed as
        it would be in the whole batch.
    """

    def __init__(self, seed: int, chances: Chances | None = None, share: Share | None = None) -> None:
        self._seed = seed
        self._generator = torch.Generator().manual_seed(seed)
        self._chances = chances or Chances()
        self._share = share or Share()

    def start_at(self, step: int) -> None:
        """Change the next batch as that of this step, whatever was changed before."""
        self._generator.manual_seed(self._seed * SEED_STRIDE + step)

    def __call__(self, tiles: Tensor, targets: list[Target]) -> tuple[Tensor, list[Target]]:
        """Changed copies of tiles (N, 3, S, S), 0 to 255, as float32, and of their targets."""
        images = tiles.float()
        images, targets = self._turn(images, targets)
        images, targets = self._cut(images, targets)
        images, targets = self._end_early(images, targets)
        images = self._resample(images)
        images = self._blur(images)
        images = self._recolour(images)
        images = self._add_noise(images)
        images = self._compress(images)
        return images.clamp(0.0, 255.0).round(), self._forget_scale(images, targets)

    def _draw(self, images: Tensor, low: float, high: float, *shape: int) -> Tensor:
        """Uniform numbers (N, *shape), on the device of `images`."""
        return (self._take_numbers(images, *shape) * (high - low) + low).to(images.device)

    def _take_numbers(self, images: Tensor, *shape: int) -> Tensor:
        """The generator's next numbers (N, *shape) for these tiles, 0 to 1, in main memory."""
        n = images.shape[0]
        return self._own(torch.rand((n * self._share.n, *shape), generator=self._generator), n)

    def _own(self, numbers: Tensor, n: int) -> Tensor:
        """The rows of this process's `n` tiles, of those of a whole batch."""
        return numbers[n * self._share.rank : n * (self._share.rank + 1)]

    def _chosen(self, images: Tensor, chance: float) -> Tensor:
        """Which tiles are changed: (N, 1, 1, 1), bool."""
        return self._draw(images, 0.0, 1.0, 1, 1, 1) < chance

    def _pick(self, images: Tensor, chance: float) -> Tensor:
        """Numbers of the tiles that are changed, where changing all and taking some would cost much more."""
        return torch.nonzero(self._take_numbers(images) < chance)[:, 0]

    def _turn(self, images: Tensor, targets: list[Target]) -> tuple[Tensor, list[Target]]:
        """One of the eight ways to lay a square, for the whole batch."""
        quarter_turns, is_mirrored = divmod(int(torch.randint(8, (), generator=self._generator)), 2)
        return turn_batch(images, targets, quarter_turns=quarter_turns, is_mirrored=bool(is_mirrored))

    def _cut(self, images: Tensor, targets: list[Target]) -> tuple[Tensor, list[Target]]:
        """A small square of some tiles is covered with the tile's mean colour."""
        side = int(torch.randint(8, CUT_PX, (), generator=self._generator))
        last = max(images.shape[-1] - side, 1)
        x, y = (int(torch.randint(last, (), generator=self._generator)) for _ in range(2))
        chosen = self._chosen(images, self._chances.cut)
        covered = images.clone()
        mean = images.mean(dim=(2, 3), keepdim=True)
        covered[:, :, y : y + side, x : x + side] = mean
        hole = torch.tensor([x, y, x + side, y + side], dtype=torch.float32)
        hidden = [
            _hide(target, hole) if is_cut else target
            for target, is_cut in zip(targets, chosen.flatten().tolist(), strict=True)
        ]
        return torch.where(chosen, covered, images), hidden

    def _end_early(self, images: Tensor, targets: list[Target]) -> tuple[Tensor, list[Target]]:
        """Some tiles end before their right and bottom edge, as those of a small picture do."""
        side = images.shape[-1]
        width, height = (int(torch.randint(side // 3, side, (), generator=self._generator)) for _ in range(2))
        chosen = self._pick(images, self._chances.border)
        if not len(chosen):
            return images, targets
        where = chosen.to(images.device)
        inside = images[where, :, :height, :width]
        ended = inside.flatten(2).median(dim=2).values[:, :, None, None].repeat(1, 1, side, side)
        ended[:, :, :height, :width] = inside
        shortened = list(targets)
        for index in chosen.tolist():
            shortened[index] = clip_target(targets[index], width, height)
        return images.index_copy(0, where, ended), shortened

    def _resample(self, images: Tensor) -> Tensor:
        """Smaller and back, as a picture that was sent or zoomed."""
        factor = float(torch.rand((), generator=self._generator)) * 0.6 + 0.35
        chosen = self._pick(images, self._chances.resample).to(images.device)
        if not len(chosen):
            return images
        small = F.interpolate(images[chosen], scale_factor=factor, mode="bilinear", antialias=True)
        return images.index_copy(0, chosen, F.interpolate(small, size=images.shape[-2:], mode="bicubic"))

    def _blur(self, images: Tensor) -> Tensor:
        """Soft focus: a Gaussian of 0.3 to 2 pixels."""
        sigma = self._draw(images, 0.3, 2.0)
        chosen = self._pick(images, self._chances.blur).to(images.device)
        if not len(chosen):
            return images
        offsets = torch.arange(BLUR_TAPS, device=images.device) - BLUR_TAPS // 2
        taps = torch.exp(-0.5 * (offsets[None] / sigma[chosen, None]) ** 2)
        taps = (taps / taps.sum(dim=1, keepdim=True)).repeat_interleave(3, dim=0)
        flat = F.pad(images[chosen], (BLUR_TAPS // 2,) * 4, mode="reflect").flatten(0, 1)[None]
        flat = F.conv2d(flat, taps[:, None, None, :], groups=len(taps))
        flat = F.conv2d(flat, taps[:, None, :, None], groups=len(taps))
        return images.index_copy(0, chosen, flat.view(-1, *images.shape[1:]))

    def _recolour(self, images: Tensor) -> Tensor:
        """Lamp, white balance, gamma, contrast and saturation of another camera; some tiles turn grey."""
        share = (images / 255.0).clamp(1e-4, 1.0)
        share = share ** torch.exp(self._draw(images, -0.35, 0.35, 1, 1, 1))
        share = share * torch.exp(self._draw(images, -0.15, 0.15, 3, 1, 1))
        mean = share.mean(dim=(1, 2, 3), keepdim=True)
        share = mean + (share - mean) * torch.exp(self._draw(images, -0.4, 0.3, 1, 1, 1))
        share = share * torch.exp(self._draw(images, -0.25, 0.12, 1, 1, 1))
        grey = share.mean(dim=1, keepdim=True)
        colour = self._draw(images, 0.4, 1.5, 1, 1, 1)
        colour = torch.where(self._chosen(images, self._chances.grey), torch.zeros_like(colour), colour)
        return (grey + (share - grey) * colour).clamp(0.0, 1.0) * 255.0

    def _add_noise(self, images: Tensor) -> Tensor:
        """Grain, up to 8 grey levels."""
        seed = int(torch.randint(2**31, (), generator=self._generator))
        on_device = torch.Generator(device=images.device).manual_seed(seed)
        whole = (images.shape[0] * self._share.n, *images.shape[1:])
        grain = self._own(torch.randn(whole, generator=on_device, device=images.device), images.shape[0])
        level = self._draw(images, 0.0, 8.0, 1, 1, 1)
        return images + grain * level * self._chosen(images, self._chances.noise)

    def _forget_scale(self, images: Tensor, targets: list[Target]) -> list[Target]:
        """Some tiles are shown as those of pictures whose scale nobody knows."""
        is_forgotten = (self._take_numbers(images) < self._chances.no_scale).tolist()
        return [
            {name: value for name, value in target.items() if name != TILE_SCALE} if forgotten else target
            for target, forgotten in zip(targets, is_forgotten, strict=True)
        ]

    def _compress(self, images: Tensor) -> Tensor:
        """Saved once more as JPEG, at quality 30 to 90."""
        quality = self._draw(images, 30.0, 90.0)
        chosen = self._chosen(images, self._chances.jpeg)[:, 0, 0, 0]
        unchanged = torch.full_like(quality, 101.0)
        return squeeze(images, torch.where(chosen, quality, unchanged), self._draw(images, 0.0, 8.0, 2))


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


def _hide(target: Target, hole_xyxy: Tensor) -> Target:
    """The target with what a covered square takes from the visible fraction of each object."""
    box = target["boxes"]
    hole = hole_xyxy.to(box.device)
    overlap = (torch.minimum(box[:, 2:], hole[2:]) - torch.maximum(box[:, :2], hole[:2])).clamp(min=0)
    area = (box[:, 2:] - box[:, :2]).prod(dim=1).clamp(min=1e-6)
    visible = target.get("visible", torch.ones_like(area))
    return {**target, "visible": visible * (1 - overlap.prod(dim=1) / area)}


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
