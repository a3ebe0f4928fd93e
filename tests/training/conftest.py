"""A stand-in for the renderer: flat ellipses of two colours, of known place, size and tilt."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image
from torch import Tensor, nn

from training.dataset import MarkedPicture, read_marked_pictures
from training.eight_bit import Shown
from training.export import export
from triage.groups import read_groups
from triage.network import CentrePointNetwork
from triage.network_file import write_network
from triage.scale_code import encode_scales
from triage.weights import WeightsRecord, write_record

DrawShapes = Callable[..., tuple[Tensor, Sequence[Any]]]
SIDE_PX = 96
"""Of a picture."""
COLOURS = ((60, 90, 120), (150, 60, 50))


def draw_shapes_in_tiles(
    seed: int, n: int, tile_px: int, device: torch.device, *, first: int = 0
) -> tuple[Tensor, list[SimpleNamespace]]:
    """Tiles with one or two ellipses each, whole and apart; label 0 is blue, label 1 red."""
    numbers = range(first, first + n)
    drawn = [_draw_tile(np.random.default_rng([seed, number]), tile_px) for number in numbers]
    tiles = torch.from_numpy(np.stack([pixels for pixels, _ in drawn])).permute(0, 3, 1, 2)
    return tiles.to(device), [truth for _, truth in drawn]


def _draw_tile(random: np.random.Generator, tile_px: int) -> tuple[np.ndarray, SimpleNamespace]:
    pixels = np.full((tile_px, tile_px, 3), 190.0)
    ellipses, labels = [], []
    for half in range(int(random.integers(1, 3))):
        length = random.uniform(0.2, 0.45) * tile_px
        centre = (random.uniform(0.4, 0.6) * tile_px, (0.25 + 0.5 * half) * tile_px)
        ellipses.append((*centre, length, length * random.uniform(0.5, 0.9), random.uniform(-30, 30)))
        labels.append(int(random.integers(0, 2)))
        pixels[_inside(ellipses[-1], tile_px)] = COLOURS[labels[-1]]
    pixels += random.normal(0, 3, pixels.shape)
    truth = SimpleNamespace(
        boxes_xyxy=np.array([_box_of(ellipse) for ellipse in ellipses]),
        ellipses=np.array(ellipses),
        labels=np.array(labels),
        visible=np.ones(len(labels)),
        um_per_px=0.5,
    )
    return pixels.clip(0, 255).astype(np.uint8), truth


def _inside(ellipse: tuple[float, ...], tile_px: int) -> np.ndarray:
    cx, cy, length, width, angle = ellipse
    y, x = np.mgrid[0:tile_px, 0:tile_px] + 0.5
    cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    along = ((x - cx) * cos + (y - cy) * sin) / (length / 2)
    across = ((y - cy) * cos - (x - cx) * sin) / (width / 2)
    return along**2 + across**2 < 1


def _box_of(ellipse: tuple[float, ...]) -> tuple[float, float, float, float]:
    cx, cy, length, width, angle = ellipse
    cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    half_x, half_y = np.hypot(length * cos, width * sin) / 2, np.hypot(length * sin, width * cos) / 2
    return cx - half_x, cy - half_y, cx + half_x, cy + half_y


def write_shapes_as_pictures(folder: Path, n: int, seed: int) -> list[MarkedPicture]:
    if not folder.is_dir():
        (folder / "images").mkdir(parents=True)
        tiles, truths = draw_shapes_in_tiles(seed, n, SIDE_PX, torch.device("cpu"))
        names = [group.name for group in read_groups()]
        images, annotations = [], []
        for number, (tile, truth) in enumerate(zip(tiles, truths, strict=True)):
            Image.fromarray(tile.permute(1, 2, 0).numpy()).save(folder / "images" / f"{number}.png")
            images.append({"id": number, "file_name": f"{number}.png", "um_per_px": 0.5})
            for box, label in zip(truth.boxes_xyxy, truth.labels, strict=True):
                bbox = [box[0], box[1], box[2] - box[0], box[3] - box[1]]
                annotations.append({"image_id": number, "category_id": int(label), "bbox": bbox})
        categories = [{"id": number, "name": name} for number, name in enumerate(names)]
        content = {"images": images, "annotations": annotations, "categories": categories}
        (folder / "annotations.json").write_text(json.dumps(content))
    return read_marked_pictures(folder)


@pytest.fixture(scope="session")
def write_shapes() -> Callable[[Path, int, int], list[MarkedPicture]]:
    """Pictures of such shapes with their marks, in a folder as COCO has it; read where it is there."""
    return write_shapes_as_pictures


@pytest.fixture(scope="session")
def draw_shapes() -> DrawShapes:
    """What `training.train.train` takes as `draw`."""
    return draw_shapes_in_tiles


@pytest.fixture(scope="session")
def weights_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A weights folder of an untrained network that proposes something in most places."""
    torch.manual_seed(5)
    names = tuple(group.name for group in read_groups())
    network = CentrePointNetwork(len(names), 16, knows_scale=True)
    what = network.what[-1]
    assert isinstance(what, nn.Conv2d) and what.bias is not None
    nn.init.normal_(what.weight, std=0.5)
    assert network.scale is not None
    nn.init.normal_(network.scale.weight, std=0.001)
    with torch.no_grad():
        what.bias[0] = 0.0
    folder = tmp_path_factory.mktemp("weights")
    write_network(network, folder)
    record = WeightsRecord(
        name="untrained",
        groups=names,
        um_per_px=0.5,
        tile_px=128,
        default_cut=0.5,
        network={"n_channels": 16, "knows_scale": True},
        recipe={},
    )
    write_record(folder, record)
    random = np.random.default_rng(6)
    codes = encode_scales([None, 0.5])
    shown = random.integers(0, 256, (2, record.tile_px, record.tile_px, 3), dtype=np.uint8)
    export(folder, draw=lambda _: Shown(shown, codes))
    return folder
