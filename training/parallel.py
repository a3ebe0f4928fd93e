"""Training by several processes, each with its own GPU or processor, started by `torchrun`.

Every process draws its own share of each batch. Sums over a batch (the means and variances of batch norms,
the numbers of objects that losses are divided by, the gradients) are taken over all processes, so that the
network learns from the whole batch as one process would; only the order of the sums differs.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import torch
from torch import Tensor, distributed, nn
from torch.distributed.nn.functional import all_reduce
from torch.nn.parallel import DistributedDataParallel

from triage.network import CentrePointNetwork


@dataclass(frozen=True)
class Share:
    """Which part of each batch is this process's: number `rank` of `n` equal ones."""

    rank: int = 0
    n: int = 1

    @property
    def is_first(self) -> bool:
        """Whether this process writes the files and the reports."""
        return self.rank == 0

    def bounds(self, n_tiles: int) -> tuple[int, int]:
        """First tile of this share and the one after its last.

        Raises
        ------
        ValueError
            If there are fewer tiles than processes.
        """
        if n_tiles < self.n:
            raise ValueError(f"a batch of {n_tiles} tiles can't be shared by {self.n} processes")
        return n_tiles * self.rank // self.n, n_tiles * (self.rank + 1) // self.n


@contextmanager
def join_processes(device_name: str) -> Iterator[tuple[Share, torch.device]]:
    """This process's share of the work and its device; alone unless `torchrun` started it.

    Parameters
    ----------
    device_name : str
        `auto` is the GPU with this process's number if there is one, else the CPU.
    """
    local_rank = int(os.environ.get("LOCAL_RANK", "0"))
    device = choose_device(device_name, local_rank)
    if int(os.environ.get("WORLD_SIZE", "1")) == 1:
        yield Share(), device
        return
    if device.type == "cuda":
        torch.cuda.set_device(device)
    distributed.init_process_group("nccl" if device.type == "cuda" else "gloo")
    try:
        yield Share(distributed.get_rank(), distributed.get_world_size()), device
    finally:
        distributed.destroy_process_group()


def choose_device(name: str, local_rank: int = 0) -> torch.device:
    """The named device; `auto` and `cuda` are the GPU of this number, `auto` the CPU if there is none."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    return torch.device("cuda", local_rank) if name == "cuda" else torch.device(name)


def is_shared() -> bool:
    """Whether several processes train together."""
    return distributed.is_available() and distributed.is_initialized()


def total(value: Tensor) -> Tensor:
    """The sum of a value over all processes; takes no part in gradients."""
    if not is_shared():
        return value
    summed = value.detach().float().clone()
    distributed.all_reduce(summed)
    return summed


def agree(value: float, device: torch.device) -> float:
    """The first process's value, for instance its clock, in all of them."""
    if not is_shared():
        return value
    told = torch.tensor(value, dtype=torch.float64, device=device)
    distributed.broadcast(told, src=0)
    return float(told)


def n_processes() -> int:
    """How many processes train together."""
    return distributed.get_world_size() if is_shared() else 1


def share_network(network: CentrePointNetwork) -> nn.Module:
    """What is called in training: the network itself, or a wrapper whose gradients are means over processes.

    Batch norms of `network` are replaced in place by ones that take in the whole batch; the names of its
    tensors stay.
    """
    if not is_shared():
        return network
    device = next(network.parameters()).device
    if device.type == "cuda":
        nn.SyncBatchNorm.convert_sync_batchnorm(network)
        return DistributedDataParallel(network, device_ids=[device.index], broadcast_buffers=False)
    for layer in list(network.modules()):
        for name, child in layer.named_children():
            if isinstance(child, nn.BatchNorm2d):
                setattr(layer, name, SharedBatchNorm.like(child))
    return DistributedDataParallel(network, broadcast_buffers=False)


class SharedBatchNorm(nn.BatchNorm2d):
    """Batch norm over the batches of all processes, on a CPU, where torch's own has none."""

    @classmethod
    def like(cls, norm: nn.BatchNorm2d) -> SharedBatchNorm:
        """One with the parameters, running values and settings of `norm`."""
        shared = cls(norm.num_features, eps=norm.eps, momentum=norm.momentum)
        shared.weight, shared.bias = norm.weight, norm.bias
        shared.running_mean, shared.running_var = norm.running_mean, norm.running_var
        shared.num_batches_tracked = norm.num_batches_tracked
        return shared.train(norm.training)

    def forward(self, input: Tensor) -> Tensor:
        """Map of the input's shape."""
        if not self.training:
            return super().forward(input)
        n = total(torch.tensor(float(input.numel() // input.shape[1])))
        mean = all_reduce(input.sum(dim=(0, 2, 3))) / n
        centred = input - mean[:, None, None]
        variance = all_reduce((centred**2).sum(dim=(0, 2, 3))) / n
        self._remember(mean.detach(), variance.detach() * n / (n - 1))
        scale = self.weight / torch.sqrt(variance + self.eps)
        return centred * scale[:, None, None] + self.bias[:, None, None]

    @torch.no_grad()
    def _remember(self, mean: Tensor, variance: Tensor) -> None:
        assert self.running_mean is not None and self.running_var is not None
        assert self.num_batches_tracked is not None and self.momentum is not None
        self.running_mean.lerp_(mean, self.momentum)
        self.running_var.lerp_(variance, self.momentum)
        self.num_batches_tracked.add_(1)
