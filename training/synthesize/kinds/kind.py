"""The form every kind of drawn object has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from torch import Tensor

from training.synthesize.material import Material, Samples
from triage.groups import candidate_groups

Parameters = dict[str, NDArray[np.float32]]


@dataclass(frozen=True)
class Kind:
    """One kind of object: how it varies, where it ends, what it does to light.

    Attributes
    ----------
    name : str
        Key of the kind, such as "whipworm_egg".
    group : str
        Name of the group in the table of groups, candidate or look-alike.
    draw_parameters : callable(rng, n) -> dict of float32 arrays of shape (n, ...)
        Always with `length_um`, `width_um` (extents of the outer outline along and across the long axis)
        and `reach_um` (half the side of the square that holds all material); the rest is the kind's own.
    outline : callable(parameters) -> float32 array of shape (n, 96, 2)
        Outer outline, u and v in µm; its extents are `length_um` and `width_um`.
    material : callable(samples, parameters as tensors) -> Material
        What stands in the light at each sample; nothing outside `reach_um`.
    weight : float
        How often the kind is drawn among the kinds of its group.
    bodies : callable(parameters) -> float32 array of shape (n, 2, 96, 2), optional
        Outlines of two bodies that may as well be boxed apart; NaN where an object is one body alone.
    """

    name: str
    group: str
    draw_parameters: Callable[[np.random.Generator, int], Parameters]
    outline: Callable[[Parameters], NDArray[np.float32]]
    material: Callable[[Samples, dict[str, Tensor]], Material]
    weight: float = 1.0
    bodies: Callable[[Parameters], NDArray[np.float32]] | None = None

    @property
    def is_candidate(self) -> bool:
        """Whether the tool should propose it; look-alikes it should not."""
        return self.group in _candidate_names()


@cache
def _candidate_names() -> frozenset[str]:
    return frozenset(candidate_groups())
