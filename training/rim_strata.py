"""Groups and focus as strata, and what is learnt so that none of them is read too large or too surely.

Squared or absolute errors let a few gross ones, or a group that looks like another, decide where the rest
lies. Here each stratum's mean error is followed over some steps, and all its objects are pushed the other
way; its share of errors outside the stated interval is held at 5 % alike.
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.known_pictures import FOCUS_STRATA
from triage.groups import candidate_groups

N_STRATA = len(candidate_groups()) + len(FOCUS_STRATA) + 1
PLAIN_STRATUM = N_STRATA - 1
"""Plain discs and rings, which have neither group nor focus."""
_KEPT = 0.98


def label_strata(groups: NDArray[np.int64], focus_depths: NDArray[np.float32]) -> NDArray[np.int64]:
    """Strata (N, 2) of objects: that of the group and that of the focus."""
    above = np.array([high for _, high, _ in FOCUS_STRATA[:-1]])
    focus = len(candidate_groups()) + np.searchsorted(above, focus_depths, side="right")
    return np.stack([groups, focus], axis=1).astype(np.int64)


class Leanings:
    """Running means of two signals, for length and width, in each stratum."""

    def __init__(self, device: torch.device) -> None:
        self.mean = torch.zeros(N_STRATA, 2, device=device)

    def push(self, signal: Tensor, handle: Tensor, strata: Tensor, counts: Tensor) -> Tensor:
        """A term whose gradient lowers `handle` where the stratum's mean `signal` is above 0.

        Parameters
        ----------
        signal, handle : Tensor of shape (B, 2)
            What should come to 0 in the mean, and what moves it; gradients go through `handle` alone.
        strata : Tensor of shape (B, 2), int64
        counts : Tensor of shape (B,), bool
            Which objects are followed and pushed.
        """
        belongs = torch.nn.functional.one_hot(strata, N_STRATA).amax(dim=1).to(signal) * counts[:, None]
        number = belongs.sum(dim=0)[:, None]
        latest = belongs.T @ signal.detach() / number.clamp_min(1)
        kept = torch.where(number > 0, _KEPT, 1.0)
        self.mean = kept * self.mean + (1 - kept) * latest
        return ((belongs @ self.mean) * handle).sum() / (2 * counts.sum().clamp_min(1))
