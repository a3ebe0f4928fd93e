"""Groups, kinds and focus as strata, and what is learnt so that none is read too large or too surely.

Squared or absolute errors let a few gross ones, or a group that looks like another, decide where the rest
lies. Here each stratum's mean error is followed over some steps, and all its objects are pushed the other
way; its share of errors outside the stated interval is held at 5 % alike. Group and focus alone hid that
whipworm eggs were read too long and capillarid eggs too short, those in focus too long and those above it too
short.
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.known_pictures import FOCUS_STRATA
from training.synthesize.kinds import KINDS
from triage.groups import candidate_groups

KIND_NAMES = [name for name, kind in KINDS.items() if kind.is_candidate]
_N_GROUPS, _N_FOCUS = len(candidate_groups()), len(FOCUS_STRATA)
N_STRATA = _N_GROUPS + _N_FOCUS + _N_GROUPS * _N_FOCUS + len(KIND_NAMES) + 1
STRATA_OF_ONE = 4
PLAIN_STRATUM = N_STRATA - 1
"""Plain discs and rings, which have no group, focus or kind."""
_KEPT = 0.98


def label_strata(
    groups: NDArray[np.int64], kinds: NDArray[np.int64], focus_depths: NDArray[np.float32]
) -> NDArray[np.int64]:
    """Strata (N, STRATA_OF_ONE) of objects: of the group, of the focus, of both together, of the kind."""
    above = np.array([high for _, high, _ in FOCUS_STRATA[:-1]])
    focus = np.searchsorted(above, focus_depths, side="right")
    first = np.cumsum([0, _N_GROUPS, _N_FOCUS, _N_GROUPS * _N_FOCUS])
    rows = np.stack([groups, focus, groups * _N_FOCUS + focus, kinds], axis=1)
    strata: NDArray[np.int64] = rows + first
    return strata


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
        strata : Tensor of shape (B, K), int64
        counts : Tensor of shape (B,), bool
            Which objects are followed and pushed.
        """
        belongs = torch.nn.functional.one_hot(strata, N_STRATA).amax(dim=1).to(signal) * counts[:, None]
        number = belongs.sum(dim=0)[:, None]
        latest = belongs.T @ signal.detach() / number.clamp_min(1)
        kept = torch.where(number > 0, _KEPT, 1.0)
        self.mean = kept * self.mean + (1 - kept) * latest
        return ((belongs @ self.mean) * handle).sum() / (2 * counts.sum().clamp_min(1))
