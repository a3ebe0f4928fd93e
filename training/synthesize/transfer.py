"""From main memory to where tiles are drawn, without waiting: a GPU that is shared by several processes takes
its time to answer, and each wait lets it run dry.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

_ALIGN_BYTES = 16


def send_arrays(arrays: Sequence[NDArray[Any]], device: torch.device) -> list[Tensor]:
    """The arrays as tensors on `device`, each of its own shape and type.

    On a GPU they travel in one piece, from page-locked memory, while the host goes on.
    """
    if device.type == "cpu":
        return [torch.from_numpy(np.ascontiguousarray(array)) for array in arrays]
    sizes = np.array([-(-array.nbytes // _ALIGN_BYTES) * _ALIGN_BYTES for array in arrays], np.int64)
    starts = np.cumsum(sizes) - sizes
    locked = torch.empty(int(sizes.sum()), dtype=torch.uint8, pin_memory=device.type == "cuda")
    for start, array in zip(starts, arrays, strict=True):
        locked[start : start + array.nbytes] = torch.from_numpy(
            np.ascontiguousarray(array).reshape(-1).view(np.uint8)
        )
    there = locked.to(device, non_blocking=True)
    return [
        there[start : start + array.nbytes].view(torch.from_numpy(array[:0]).dtype).view(array.shape)
        for start, array in zip(starts, arrays, strict=True)
    ]


@cache
def constant(values: tuple[Any, ...], device: torch.device, dtype: torch.dtype = torch.float32) -> Tensor:
    """A tensor of fixed numbers that is sent once in a process; not to be changed."""
    return torch.tensor(values, dtype=dtype, device=device)
