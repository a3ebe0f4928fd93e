"""How far off the sizes are that a network reads of drawn rims."""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.known_pictures import FOCUS_STRATA
from training.rim_drawings import Rims
from training.rim_frames import extents, place
from training.rim_lessons import MOST_RADIUS_PX, read_once, sides_in_read
from training.rim_network import RimNetwork
from training.rim_reading import Reader
from training.rim_strata import KIND_NAMES
from triage.groups import candidate_groups

Floats = NDArray[np.float64]

_AT_ONCE = 1024


def judge(network: RimNetwork, reader: Reader, rows: Tensor, rims: Rims, *, passes: int) -> None:
    """Print bias, scatter and coverage of `rows`, as the search leaves them, by group, kind and focus."""
    rows = rows[reader.searched[rows, 0].isfinite().all(dim=1)]
    error, sd = read_sizes(network, reader, rows, passes=passes)
    labels = rims.groups[rows.cpu().numpy()]
    depths = rims.focus_depths[rows.cpu().numpy()]
    strata = [(name, labels == row) for row, name in enumerate(candidate_groups())]
    kinds = rims.kinds[rows.cpu().numpy()]
    named = [(row, name) for row, name in enumerate(KIND_NAMES) if name not in candidate_groups()]
    strata += [(name, kinds == row) for row, name in named]
    strata += [(name, (depths >= low) & (depths < high)) for low, high, name in FOCUS_STRATA]
    print(f"read {passes} times, one after the other")
    for name, is_in in [*strata, ("all", labels >= 0)]:
        if is_in.any():
            print(f"{name:<25} n {int(is_in.sum()):>5} {_sum_up(error[is_in], sd[is_in])}")


@torch.no_grad()
def read_sizes(network: RimNetwork, reader: Reader, rows: Tensor, *, passes: int) -> tuple[Floats, Floats]:
    """Relative errors (N, 2) of length and width read in the frames of the search, and their stated sd."""
    errors, sds = [torch.zeros(0, 2)], [torch.zeros(0, 2)]
    for some in rows.split(_AT_ONCE):
        frames = reader.searched[some, 0]
        halve = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt() > MOST_RADIUS_PX
        for _ in range(passes - 1):
            frames = read_once(network, reader, some, frames, halve)
        radii, log_sd = network(reader.read(some, frames, halve), sides_in_read(frames, halve))
        errors.append((extents(place(frames, radii)) / extents(reader.outlines[some]) - 1).cpu())
        sds.append(log_sd.exp().cpu())
    return torch.cat(errors).double().numpy(), torch.cat(sds).double().numpy()


def _sum_up(error: Floats, sd: Floats) -> str:
    """Bias, median error, stated sd, coverage, and the factor on the sd under which 95 % are covered."""
    z = np.abs(error / sd)
    return (
        f"bias {np.round(100 * error.mean(0), 2)} % "
        f"median abs {np.round(100 * np.median(np.abs(error), axis=0), 2)} % "
        f"sd {np.round(100 * np.median(sd, axis=0), 2)} % "
        f"covered {np.round((z <= 1.96).mean(0), 3)} "
        f"factor {np.round(np.quantile(z, 0.95, axis=0) / 1.96, 2)}"
    )
