from __future__ import annotations

import copy
from collections.abc import Callable

import pytest
import torch
from torch import Tensor, nn

from training.eight_bit import _round_layer, _Seen
from triage.network import SameConv

LAYERS: dict[str, Callable[[], nn.Conv2d]] = {
    "dense": lambda: nn.Conv2d(24, 8, 1),
    "uneven edges": lambda: SameConv(5, 7, 3, stride=2),
    "within channels": lambda: SameConv(12, 12, 5, groups=12),
}


def draw_maps(n_channels: int) -> Tensor:
    """A map whose places and channels are alike, as behind a clipped layer."""
    shared = nn.functional.interpolate(torch.rand(1, 3, 8, 8), size=(32, 32), mode="bilinear")
    mixed = nn.functional.conv2d(shared, 3 * torch.rand(n_channels, 3, 1, 1))
    return (mixed + 0.3 * torch.rand(mixed.shape)).clamp(0, 6)


@pytest.mark.parametrize("kind", LAYERS)
def test_rounded_weights_lie_on_a_grid_and_change_less_than_each_rounded_alone(kind: str) -> None:
    torch.manual_seed(4)
    layer = LAYERS[kind]()
    layer.bias = nn.Parameter(torch.rand(layer.out_channels))
    maps, seen = draw_maps(layer.in_channels), _Seen()
    seen.add(layer, maps)
    ours, alone = copy.deepcopy(layer), copy.deepcopy(layer)
    top = 127 if layer.groups > 1 else 64
    steps = layer.weight.detach().abs().amax(dim=(1, 2, 3), keepdim=True) / top
    alone.weight.data = (layer.weight.data / steps).round() * steps
    with torch.no_grad():
        _round_layer(ours, seen)
        error, error_alone = (one(maps) - layer(maps) for one in (ours, alone))
    torch.testing.assert_close(ours.weight / steps, (ours.weight / steps).round(), atol=1e-3, rtol=0)
    torch.testing.assert_close(ours.weight.abs().amax(dim=(1, 2, 3)), steps.flatten() * top)
    assert error.var(dim=(0, 2, 3)).mean() < 0.5 * error_alone.var(dim=(0, 2, 3)).mean()
    assert error.mean(dim=(0, 2, 3)).abs().max() < 0.01 * error_alone.abs().max()
