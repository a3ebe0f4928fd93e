"""What a training remembers of the checks on what is held out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from torch import Tensor


@dataclass
class Watch:
    """What the checks said so far.

    Attributes
    ----------
    best_loss : float
        The lowest, of the check at `best_step`.
    n_checks, n_since_best : int
        Checks made, and those after the best.
    best : dict of str to Tensor
        Weights of the best check; empty before the first.
    """

    best_loss: float = math.inf
    best_step: int = 0
    n_checks: int = 0
    n_since_best: int = 0
    best: dict[str, Tensor] = field(default_factory=dict)

    def note(self, step: int, loss: float, weights: Mapping[str, Tensor]) -> None:
        """Remember a check; the first of equal losses stays the best."""
        self.n_checks += 1
        if loss < self.best_loss:
            self.best_loss, self.best_step, self.n_since_best = loss, step, 0
            self.best = {name: value.detach().clone() for name, value in weights.items()}
        else:
            self.n_since_best += 1

    def to_json(self) -> dict[str, Any]:
        """Everything but the weights."""
        return {
            "best_loss": self.best_loss,
            "best_step": self.best_step,
            "n_checks": self.n_checks,
            "n_since_best": self.n_since_best,
        }
