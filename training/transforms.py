"""Augmentation of whole batches on the device that trains.

Drawn tiles arrive already on the device; everything a camera, a program or a messenger does to a picture
is added there, batch by batch, from one seeded generator.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from training.parallel import Share
from training.synthesize.jpeg import squeeze
from training.targets import TILE_SCALE, Target, clip_target, hide_square, turn_batch

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
        chosen = self._pick(images, self._chances.cut)
        if not len(chosen):
            return images, targets
        where = chosen.to(images.device)
        covered = images[where]
        covered[:, :, y : y + side, x : x + side] = covered.mean(dim=(2, 3), keepdim=True)
        hole = torch.tensor([x, y, x + side, y + side], dtype=torch.float32)
        hidden = list(targets)
        for index in chosen.tolist():
            hidden[index] = hide_square(targets[index], hole)
        return images.index_copy(0, where, covered), hidden

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
