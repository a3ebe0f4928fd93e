"""Heaps of round cells packed into an ellipsoid, as in a morula."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.bodies import Column
from training.synthesize.kinds.chance import Array
from training.synthesize.kinds.light import in_chunks
from training.synthesize.material import Samples

_ROUNDS = 20
_FAR_UM = 1e6


def draw_cluster(rng: np.random.Generator, body: Array, counts: Array, n_most: int) -> Array:
    """Cells (n, n_most, 4): centre u, v, z and radius in µm; radius 0 beyond each object's count.

    The cells push each other apart inside the body until they are evenly spread.
    """
    n = len(body)
    half = body[:, [Column.HALF_LENGTH, Column.HALF_WIDTH, Column.HALF_DEPTH]]
    counts = np.clip(counts, 1, n_most)
    live = np.arange(n_most)[None] < counts[:, None]
    radius = 0.98 * np.cbrt(half.prod(1) / counts)
    radius = np.minimum(radius, half.min(1) * 0.95)
    room = np.maximum(half - 0.85 * radius[:, None], 0.02 * half)
    points = rng.normal(size=(n, n_most, 3))
    points *= np.cbrt(rng.random((n, n_most, 1))) / np.linalg.norm(points, axis=-1, keepdims=True)
    points *= room[:, None]
    for _ in range(_ROUNDS):
        points = _pull_inside(_push_apart(points, live, 1.8 * radius), room)
    points[..., :2] += body[:, None, [Column.CENTRE_U, Column.CENTRE_V]]
    sizes = radius[:, None] * rng.uniform(0.9, 1.1, (n, n_most)) * live
    return np.concatenate((points, sizes[..., None]), -1).astype(np.float32)


def _push_apart(points: np.ndarray, live: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    away = points[:, :, None] - points[:, None]
    distance = np.linalg.norm(away, axis=-1) + 1e-6
    lack = np.clip(wanted[:, None, None] - distance, 0, None) / distance
    lack *= live[:, :, None] & live[:, None]
    lack[:, np.arange(points.shape[1]), np.arange(points.shape[1])] = 0
    return points + 0.35 * (away * lack[..., None]).sum(2)


def _pull_inside(points: np.ndarray, room: np.ndarray) -> np.ndarray:
    rho = np.linalg.norm(points / room[:, None], axis=-1, keepdims=True)
    return points / np.maximum(rho, 1.0)


@dataclass(frozen=True)
class Heap:
    """What the light meets in a heap of cells.

    Attributes
    ----------
    thickness_um : Tensor of shape (S,)
        From the uppermost to the lowest surface, 0 beside the heap.
    groove : Tensor of shape (S,)
        1 in the furrow between two cells at the upper side, 0 on their backs.
    """

    thickness_um: Tensor
    groove: Tensor


def heap_up(samples: Samples, cells_um: Tensor, furrow_um: float = 0.7) -> Heap:
    """The heap of cells (n, K, 4) at each sample."""

    def surface(part: Samples) -> tuple[Tensor, Tensor]:
        cells = part.of(cells_um)
        rest = cells[..., 3] ** 2 - (part.u_um[:, None] - cells[..., 0]) ** 2
        rest = rest - (part.v_um[:, None] - cells[..., 1]) ** 2
        half, beside = rest.clamp_min(0).sqrt(), rest <= 0
        height = (cells[..., 2] + half).masked_fill(beside, -_FAR_UM)
        top, index = height.max(1, keepdim=True)
        second = height.scatter(1, index, -_FAR_UM).amax(1)
        low = (cells[..., 2] - half).masked_fill(beside, _FAR_UM).amin(1)
        thickness = (top[:, 0] - low).clamp_min(0)
        groove = torch.exp(-((top[:, 0] - second) / furrow_um).clamp(0, 30))
        return thickness, groove * (thickness > 0)

    return Heap(*in_chunks(samples, surface))


def nearest_ball(samples: Samples, balls_um: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Index (S,) of the ball (n, K, 3: u, v, radius) that a sample lies deepest in, u and v from its centre,
    and its radius; balls of radius 0 are left out unless there is no other."""

    def nearest(part: Samples) -> tuple[Tensor]:
        balls = part.of(balls_um)
        u, v = part.u_um[:, None] - balls[..., 0], part.v_um[:, None] - balls[..., 1]
        outside = (u**2 + v**2).sqrt() - balls[..., 2]
        return (outside.masked_fill(balls[..., 2] <= 0, _FAR_UM).argmin(1),)

    (index,) = in_chunks(samples, nearest)
    ball = balls_um[samples.owner, index]
    return index, samples.u_um - ball[:, 0], samples.v_um - ball[:, 1], ball[:, 2]
