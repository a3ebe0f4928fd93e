"""The network: EfficientNet-Lite0 features, a three-level pyramid and a centre-point head at stride 8.

Each cell of the head speaks for a square of 8 x 8 pixels. Where the centre of an object lies in a cell, it
says how much the place looks like an egg, oocyst or cyst (`HEAT`), which group it resembles (`GROUPS`),
how far away the four edges of its box are (`BOX`) and which ellipse its outline is (`ELLIPSE`).
`triage.head` turns these maps into boxes. A network that knows scales is told that of each tile, as
`triage.scale_code` writes it, and adds to each level of the pyramid what it has learnt for that scale.

References
----------
Features: Tan & Le 2019, "EfficientNet: Rethinking Model Scaling for Convolutional Neural Networks"
(ICML), in the "lite" variant that its authors published: no squeeze-and-excitation, ReLU6, stem and last
stage not scaled. Pyramid: Lin et al. 2017, "Feature Pyramid Networks for Object Detection" (CVPR).
Centre points: Zhou et al. 2019, "Objects as Points" (arXiv 1904.07850).
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor, nn
from torch.nn import functional as F
from torch.nn.utils.fusion import fuse_conv_bn_eval

from triage.head import HeadLayout
from triage.scale_code import KNOTS_UM_PER_PX

BATCH_NORM_EPS = 1e-3
BATCH_NORM_MOMENTUM = 0.03
IMAGE_MEAN = 127.0
IMAGE_SCALE = 128.0
HEAT_PRIOR = 0.01
SCALE_SPREAD = 0.5
"""Of what a new network adds for a scale; of the size of what it is added to, or it would learn it late."""


@dataclass(frozen=True)
class Stage:
    """A run of like blocks of the feature extractor."""

    repeats: int
    kernel: int
    stride: int
    expansion: int
    channels: int


LITE0_STAGES = (
    Stage(1, 3, 1, 1, 16),
    Stage(2, 3, 2, 6, 24),
    Stage(2, 5, 2, 6, 40),
    Stage(3, 3, 2, 6, 80),
    Stage(3, 5, 1, 6, 112),
    Stage(4, 5, 2, 6, 192),
    Stage(1, 3, 1, 6, 320),
)
"""Tan & Le 2019, table 1, at the scale of the lite variant 0."""

PYRAMID_STAGES = (1, 2, 4, 6)
"""The last stages at stride 4, 8, 16 and 32."""


class SameConv(nn.Conv2d):
    """Convolution whose output has ceil(input / stride) cells, padded as the published weights expect.

    At stride 2 an even input gets its odd row of padding at the bottom and right, not at the top and left.
    """

    def __init__(self, n_in: int, n_out: int, kernel: int, *, stride: int = 1, groups: int = 1) -> None:
        padding = kernel // 2 if stride == 1 else 0
        super().__init__(n_in, n_out, kernel, stride, padding, groups=groups, bias=False)
        spare = max(kernel - stride, 0)
        self._edges = (spare // 2, spare - spare // 2) * 2

    def forward(self, input: Tensor) -> Tensor:
        """Map (N, n_out, H / stride, W / stride); H and W must be multiples of the stride."""
        return super().forward(self.pad_edges(input))

    def pad_edges(self, input: Tensor) -> Tensor:
        """The map with what padding at uneven edges adds; even padding is left to the convolution."""
        return F.pad(input, self._edges) if self.stride[0] > 1 else input


def _normed(
    n_in: int, n_out: int, kernel: int, *, stride: int = 1, groups: int = 1, active: bool = True
) -> nn.Sequential:
    """Convolution, batch norm and, where `active`, ReLU6."""
    layers: list[nn.Module] = [
        SameConv(n_in, n_out, kernel, stride=stride, groups=groups),
        nn.BatchNorm2d(n_out, eps=BATCH_NORM_EPS, momentum=BATCH_NORM_MOMENTUM),
    ]
    return nn.Sequential(*layers, nn.ReLU6()) if active else nn.Sequential(*layers)


class InvertedBottleneck(nn.Module):
    """Widen, filter each channel, narrow again; added to its input where the shapes allow."""

    def __init__(self, n_in: int, n_out: int, *, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        n_wide = n_in * expansion
        self.expand = _normed(n_in, n_wide, 1) if expansion > 1 else nn.Identity()
        self.depthwise = _normed(n_wide, n_wide, kernel, stride=stride, groups=n_wide)
        self.project = _normed(n_wide, n_out, 1, active=False)
        self.is_residual = stride == 1 and n_in == n_out

    def forward(self, x: Tensor) -> Tensor:
        """Map of `n_out` channels, added to the input where the two have one shape."""
        y: Tensor = self.project(self.depthwise(self.expand(x)))
        return x + y if self.is_residual else y


class LiteFeatures(nn.Module):
    """EfficientNet-Lite0 without its classifier: maps at stride 4, 8, 16 and 32."""

    channels = tuple(LITE0_STAGES[index].channels for index in PYRAMID_STAGES)

    def __init__(self) -> None:
        super().__init__()
        self.stem = _normed(3, 32, 3, stride=2)
        self.stages = nn.ModuleList()
        n_in = 32
        for stage in LITE0_STAGES:
            self.stages.append(_build_stage(n_in, stage))
            n_in = stage.channels

    def forward(self, x: Tensor) -> list[Tensor]:
        """Maps of `channels` channels at stride 4, 8, 16 and 32 of a normalised image (N, 3, H, W)."""
        maps = []
        x = self.stem(x)
        for index, stage in enumerate(self.stages):
            x = stage(x)
            if index in PYRAMID_STAGES:
                maps.append(x)
        return maps


def _build_stage(n_in: int, stage: Stage) -> nn.Sequential:
    """The blocks of one stage; only the first changes stride and width."""
    blocks = []
    for repeat in range(stage.repeats):
        blocks.append(
            InvertedBottleneck(
                n_in if repeat == 0 else stage.channels,
                stage.channels,
                kernel=stage.kernel,
                stride=stage.stride if repeat == 0 else 1,
                expansion=stage.expansion,
            )
        )
    return nn.Sequential(*blocks)


class Mix(nn.Module):
    """A 5 x 5 filter in each channel, then a blend of channels, added to the input."""

    def __init__(self, n_channels: int) -> None:
        super().__init__()
        self.filter = _normed(n_channels, n_channels, 5, groups=n_channels, active=False)
        self.blend = _normed(n_channels, n_channels, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Map of the input's shape: the input and what was mixed."""
        y: Tensor = self.blend(self.filter(x))
        return x + y


class Pyramid(nn.Module):
    """What is seen at stride 32 and 16, brought down to stride 8, so that a cell knows a whole large object.

    Stride 4 adds the fine detail that the smallest cysts, about 12 pixels long, are known by.
    """

    def __init__(self, n_channels: int) -> None:
        super().__init__()
        detail, *rest = LiteFeatures.channels
        self.detail = _normed(detail, n_channels, 3, stride=2, active=False)
        self.laterals = nn.ModuleList(_normed(n_in, n_channels, 1, active=False) for n_in in rest)
        self.mixes = nn.ModuleList(
            (Mix(n_channels), Mix(n_channels), nn.Sequential(Mix(n_channels), Mix(n_channels)))
        )

    def forward(self, maps: list[Tensor], of_scale: Tensor | None = None) -> Tensor:
        """One map (N, n_channels, H / 8, W / 8).

        Parameters
        ----------
        maps : list of Tensor
            At stride 4, 8, 16 and 32.
        of_scale : Tensor of shape (N, 3 * n_channels), optional
            What each channel gets at stride 8, 16 and 32 for the scale of the tile.
        """
        levels = [lateral(x) for lateral, x in zip(self.laterals, maps[1:], strict=True)]
        if of_scale is not None:
            shifts = of_scale[:, :, None, None].chunk(len(levels), dim=1)
            levels = [level + shift for level, shift in zip(levels, shifts, strict=True)]
        fine, middle, coarse = levels
        coarse = self.mixes[2](coarse)
        middle = self.mixes[1](middle + F.interpolate(coarse, scale_factor=2.0, mode="nearest"))
        fine = fine + self.detail(maps[0]) + F.interpolate(middle, scale_factor=2.0, mode="nearest")
        mixed: Tensor = self.mixes[0](fine)
        return mixed


class CentrePointNetwork(nn.Module):
    """From RGB pixels to the head's map; normalisation is part of the network.

    Parameters
    ----------
    n_groups : int
        Rows of the group table that it was trained with, look-alikes included.
    n_channels : int
        Width of pyramid and head.
    knows_scale : bool
        Whether it is told the scale of each tile.
    """

    def __init__(self, n_groups: int, n_channels: int = 96, *, knows_scale: bool = False) -> None:
        super().__init__()
        self.layout = HeadLayout(n_groups)
        self.n_channels = n_channels
        self.features = LiteFeatures()
        self.pyramid = Pyramid(n_channels)
        self.what = nn.Sequential(Mix(n_channels), Mix(n_channels), nn.Conv2d(n_channels, 1 + n_groups, 1))
        self.where = nn.Sequential(Mix(n_channels), Mix(n_channels), nn.Conv2d(n_channels, 10, 1))
        self.scale: nn.Linear | None = None
        if knows_scale:
            self.scale = nn.Linear(len(KNOTS_UM_PER_PX), 3 * n_channels, bias=False)
            nn.init.normal_(self.scale.weight, std=SCALE_SPREAD)
        self._start_head()

    @property
    def knows_scale(self) -> bool:
        """Whether it is told the scale of each tile."""
        return self.scale is not None

    def forward(self, images: Tensor, codes: Tensor | None = None) -> Tensor:
        """The head's map of a batch.

        Parameters
        ----------
        images : Tensor of shape (N, 3, H, W)
            RGB, 0 to 255, uint8 or floating; H and W multiples of 32.
        codes : Tensor of shape (N, K), optional
            Scales as `triage.scale_code` writes them; none is known where they are left out. A network that
            doesn't know scales takes no notice.

        Returns
        -------
        head : Tensor of shape (N, layout.n_channels, H / 8, W / 8)
            Raw values; `layout` says which channel holds what.
        """
        normalised = (images.float() - IMAGE_MEAN) / IMAGE_SCALE
        of_scale = None if self.scale is None or codes is None else self.scale(codes)
        fine = self.pyramid(self.features(normalised), of_scale)
        return torch.cat((self.what(fine), self.where(fine)), dim=1)

    def _start_head(self) -> None:
        """Begin with heat near 0, or the first steps are spent on unlearning it everywhere."""
        what, where = self.what[-1], self.where[-1]
        assert isinstance(what, nn.Conv2d) and isinstance(where, nn.Conv2d)
        for layer in (what, where):
            nn.init.normal_(layer.weight, std=0.01)
            assert layer.bias is not None
            nn.init.zeros_(layer.bias)
        assert what.bias is not None
        with torch.no_grad():
            what.bias[0] = float(torch.logit(torch.tensor(HEAT_PRIOR)))


class ServedNetwork(nn.Module):
    """The network as it is served: takes tiles as they lie in memory, (N, H, W, 3) uint8."""

    def __init__(self, network: CentrePointNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, tiles: Tensor, codes: Tensor | None = None) -> Tensor:
        """The head's map in float32."""
        head: Tensor = self.network(tiles.permute(0, 3, 1, 2), codes)
        return head.float()


def fold_norms(network: CentrePointNetwork) -> None:
    """Put each batch norm into the convolution before it, in place: the same map, fewer passes over memory.

    What follows the last stage without a bend in between becomes one convolution with it.

    For serving alone; the network can't be trained or written any more.
    """
    for layers in [one for one in network.modules() if isinstance(one, nn.Sequential)]:
        if len(layers) > 1 and isinstance(layers[0], SameConv) and isinstance(layers[1], nn.BatchNorm2d):
            layers[0], layers[1] = fuse_conv_bn_eval(layers[0], layers[1]), nn.Identity()
    _join_last_stage(network)


def _join_last_stage(network: CentrePointNetwork) -> None:
    """Make one convolution of the two that follow each other between the last stage and the pyramid."""
    stage, lateral = network.features.stages[-1], network.pyramid.laterals[-1]
    assert isinstance(stage, nn.Sequential) and isinstance(lateral, nn.Sequential)
    block = stage[-1]
    assert isinstance(block, InvertedBottleneck)
    narrow, widen = block.project[0], lateral[0]
    assert isinstance(narrow, nn.Conv2d) and isinstance(widen, nn.Conv2d)
    joined = nn.Conv2d(narrow.in_channels, widen.out_channels, 1).to(widen.weight)
    assert narrow.bias is not None and widen.bias is not None and joined.bias is not None
    first, second = narrow.weight[:, :, 0, 0].double(), widen.weight[:, :, 0, 0].double()
    with torch.no_grad():
        joined.weight.copy_((second @ first)[:, :, None, None])
        joined.bias.copy_(second @ narrow.bias.double() + widen.bias.double())
    block.project[0], network.pyramid.laterals[-1] = joined, nn.Identity()
