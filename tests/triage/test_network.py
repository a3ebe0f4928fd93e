from __future__ import annotations

from pathlib import Path

import pytest
import torch
from torch import nn

from triage.errors import WeightsError
from triage.network import CentrePointNetwork, LiteFeatures, SameConv, fold_norms
from triage.network_file import read_network, write_network
from triage.weights import WEIGHTS_FILE, WeightsRecord


def small_network() -> CentrePointNetwork:
    torch.manual_seed(3)
    return CentrePointNetwork(4, 16).eval()


def record_of_small_network(*, n_groups: int = 4) -> WeightsRecord:
    return WeightsRecord(
        name="small",
        groups=tuple(f"group {number}" for number in range(n_groups)),
        um_per_px=0.5,
        tile_px=64,
        default_cut=0.5,
        network={"n_channels": 16},
        recipe={},
    )


@pytest.mark.parametrize(("height", "width"), [(64, 64), (96, 160)])
def test_network_gives_one_cell_for_eight_pixels(height: int, width: int) -> None:
    head = small_network()(torch.zeros(2, 3, height, width))
    assert head.shape == (2, 15, height // 8, width // 8)


def test_features_have_the_stated_widths_and_strides() -> None:
    maps = LiteFeatures().eval()(torch.zeros(1, 3, 64, 64))
    assert [tuple(one.shape[1:]) for one in maps] == [(24, 16, 16), (40, 8, 8), (112, 4, 4), (320, 2, 2)]


@pytest.mark.parametrize("kernel", [3, 5])
def test_same_padding_puts_the_spare_row_at_the_end(kernel: int) -> None:
    """At stride 2 the first output of a ramp is centred half a pixel later than with even padding."""
    conv = SameConv(1, 1, kernel, stride=2)
    nn.init.zeros_(conv.weight)
    with torch.no_grad():
        conv.weight[0, 0, 0, 0] = 1.0
    rows = torch.arange(1.0, 9.0).view(1, 1, 8, 1).expand(1, 1, 8, 8)
    before = (kernel - 2) // 2
    wanted = [0.0 if row * 2 < before else row * 2 - before + 1.0 for row in range(4)]
    assert conv(rows)[0, 0, :, 3].tolist() == wanted


def test_bytes_and_floats_give_the_same() -> None:
    tiles = torch.randint(0, 256, (1, 3, 64, 64), dtype=torch.uint8)
    network = small_network()
    torch.testing.assert_close(network(tiles), network(tiles.float()))


def test_heat_begins_near_zero() -> None:
    head = CentrePointNetwork(4, 16).eval()(torch.full((1, 3, 64, 64), 127.0))
    assert torch.sigmoid(head[:, 0]).max() < 0.05


def test_folded_norms_give_the_same_map() -> None:
    network = CentrePointNetwork(3, 16).eval()
    torch.manual_seed(5)
    for layer in network.modules():
        if isinstance(layer, nn.BatchNorm2d):
            for values in (layer.running_mean, layer.bias):
                nn.init.normal_(values, std=0.2)
            for values in (layer.running_var, layer.weight):
                nn.init.uniform_(values, 0.5, 1.5)
    images = torch.randint(0, 256, (1, 3, 64, 64), dtype=torch.uint8)
    with torch.inference_mode():
        expected = network(images)
        fold_norms(network)
        assert not any(isinstance(layer, nn.BatchNorm2d) for layer in network.modules())
        torch.testing.assert_close(network(images), expected, rtol=1e-3, atol=1e-4)


def test_weights_come_back_as_written(tmp_path: Path) -> None:
    network = small_network()
    write_network(network, tmp_path)
    again = read_network(tmp_path, record_of_small_network())
    tiles = torch.randint(0, 256, (1, 3, 64, 64), dtype=torch.uint8)
    torch.testing.assert_close(again(tiles), network(tiles), rtol=0.02, atol=0.02)


def test_shipped_size_of_weights_stays_under_16_megabytes(tmp_path: Path) -> None:
    write_network(CentrePointNetwork(16), tmp_path)
    assert (tmp_path / WEIGHTS_FILE).stat().st_size < 16e6


def test_weights_of_another_network_are_refused(tmp_path: Path) -> None:
    write_network(small_network(), tmp_path)
    with pytest.raises(WeightsError, match="weights of a detector of 5 groups"):
        read_network(tmp_path, record_of_small_network(n_groups=5))


def test_pickled_weights_are_refused(tmp_path: Path) -> None:
    torch.save(small_network().state_dict(), tmp_path / WEIGHTS_FILE)
    with pytest.raises(WeightsError, match="Copy the whole folder again"):
        read_network(tmp_path, record_of_small_network())
