"""The network's weights on disk, as safetensors."""

from __future__ import annotations

from pathlib import Path

import torch
from safetensors import SafetensorError
from safetensors.torch import load_file, save
from torch import Tensor, nn

from triage.errors import WeightsError
from triage.network import CentrePointNetwork
from triage.weights import WEIGHTS_FILE, WeightsRecord


def write_network(network: CentrePointNetwork, folder: Path) -> None:
    """Write the weights into a folder as safetensors: half precision, batch norms in full."""
    in_full = {
        f"{name}.{key}"
        for name, layer in network.named_modules()
        if isinstance(layer, nn.BatchNorm2d)
        for key in layer.state_dict()
    }
    tensors = {
        key: (value if key in in_full else value.half()).contiguous().cpu()
        for key, value in network.state_dict().items()
    }
    (folder / WEIGHTS_FILE).write_bytes(save(tensors))


def read_network(folder: Path, record: WeightsRecord) -> CentrePointNetwork:
    """The network of a weights folder with the weights that `write_network` wrote there, ready to serve.

    Parameters
    ----------
    folder : Path
    record : WeightsRecord
        Of that folder; says which network it is.

    Raises
    ------
    WeightsError
        If the file can't be read, or doesn't hold exactly the tensors of this network.
    """
    path, n_groups = folder / WEIGHTS_FILE, len(record.groups)
    network = CentrePointNetwork(n_groups, **record.network)
    try:
        tensors = load_file(path)
        network.load_state_dict({key: value.to(_wanted_type(value)) for key, value in tensors.items()})
    except (OSError, SafetensorError, RuntimeError) as err:
        raise WeightsError(
            f"{path} doesn't hold the weights of a detector of {n_groups} groups and {network.n_channels} "
            f"channels ({str(err).splitlines()[0]}). Copy the whole folder again."
        ) from err
    return network.eval()


def _wanted_type(value: Tensor) -> torch.dtype:
    return torch.float32 if value.is_floating_point() else value.dtype
