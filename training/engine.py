"""One epoch of training, and the losses of a network on held-out tiles."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field

import torch
from torch import Tensor, nn

from training.losses import LossWeights, Objects, detection_losses, gather_objects
from training.transforms import Augmenter, Target
from triage.network import CentrePointNetwork

Batch = tuple[Tensor, list[Target]]
"""Tiles (N, 3, S, S) uint8, and one target per tile."""


class TrainingError(RuntimeError):
    """Training can't go on, for example because the loss is no longer a number."""


@dataclass(frozen=True)
class Schedule:
    """How long to train and how fast to learn.

    Attributes
    ----------
    n_steps : int
        Steps after which training ends.
    limit_s : float
        Seconds after which training ends, whatever the steps.
    learning_rate : float
        Of pyramid and head, at its highest; the features learn at `feature_share` of it.
    warm_up : float
        Share of the whole in which the rate rises.
    """

    n_steps: int
    limit_s: float = math.inf
    learning_rate: float = 2e-3
    feature_share: float = 0.5
    warm_up: float = 0.04

    def progress(self, step: int, elapsed_s: float) -> float:
        """Share of the training that is done, by steps or by time, whichever is further; 1 ends it."""
        return min(max(step / self.n_steps, elapsed_s / self.limit_s), 1.0)

    def factor(self, progress: float) -> float:
        """Share of the highest rate: a straight rise, then half a cosine down to a hundredth."""
        if progress < self.warm_up:
            return (progress + 1e-3) / (self.warm_up + 1e-3)
        late = (progress - self.warm_up) / (1 - self.warm_up)
        return 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * late))


class MovingAverage:
    """A running mean of a network's weights, which judges better than the last step's.

    Parameters
    ----------
    network : CentrePointNetwork
        Its weights are the start.
    decay : float
        Share of the old mean that stays at each step, once enough steps were made.
    """

    def __init__(self, network: CentrePointNetwork, decay: float = 0.998) -> None:
        self.network = CentrePointNetwork(network.layout.n_groups, network.n_channels)
        self.network.load_state_dict(network.state_dict())
        self.network.to(next(network.parameters()).device).eval().requires_grad_(False)
        self._decay = decay
        self._n_updates = 0

    @torch.no_grad()
    def update(self, network: CentrePointNetwork) -> None:
        """Move the mean towards `network`."""
        self._n_updates += 1
        keep = min(self._decay, self._n_updates / (self._n_updates + 9))
        theirs = network.state_dict()
        mine = self.network.state_dict()
        floating = [key for key, value in mine.items() if value.is_floating_point()]
        torch._foreach_lerp_([mine[key] for key in floating], [theirs[key] for key in floating], 1 - keep)


@dataclass
class Trainer:
    """What training changes as it goes.

    Attributes
    ----------
    network : CentrePointNetwork
        Is trained in place.
    schedule : Schedule
        How long and how fast.
    augment : Augmenter or None
        Changes each batch on the device; None leaves it as it is.
    n_candidate_groups : int
        Labels at or above it are look-alikes.
    """

    network: CentrePointNetwork
    schedule: Schedule
    n_candidate_groups: int
    augment: Augmenter | None = None
    weights: LossWeights = field(default_factory=LossWeights)
    step: int = 0

    def __post_init__(self) -> None:
        self.device = next(self.network.parameters()).device
        self.average = MovingAverage(self.network)
        self.optimizer = build_optimizer(self.network, self.schedule)
        self._base_rates = [group["lr"] for group in self.optimizer.param_groups]
        self.started_s = time.monotonic()

    @property
    def progress(self) -> float:
        """Share of the training that is done."""
        return self.schedule.progress(self.step, time.monotonic() - self.started_s)

    def set_rate(self, progress: float) -> float:
        """Set the learning rate for this share of the training; returns that of the head."""
        factor = self.schedule.factor(progress)
        for group, base in zip(self.optimizer.param_groups, self._base_rates, strict=True):
            group["lr"] = base * factor
        return self.schedule.learning_rate * factor


def build_optimizer(network: CentrePointNetwork, schedule: Schedule) -> torch.optim.AdamW:
    """AdamW with slower features, and decay for filters alone (not for biases and norms)."""
    groups = []
    for is_feature in (True, False):
        rate = schedule.learning_rate * (schedule.feature_share if is_feature else 1.0)
        for is_filter in (True, False):
            members = [
                parameter
                for name, parameter in network.named_parameters()
                if name.startswith("features.") is is_feature and (parameter.ndim > 1) is is_filter
            ]
            groups.append({"params": members, "lr": rate, "weight_decay": 0.02 if is_filter else 0.0})
    return torch.optim.AdamW(groups)


def train_one_epoch(
    trainer: Trainer,
    batches: Iterable[Batch],
    *,
    report_every: int = 50,
    on_report: Callable[[dict[str, float]], None] | None = None,
) -> None:
    """Train on `batches` until they end or the schedule does.

    Parameters
    ----------
    trainer : Trainer
        Its network, moving average and step count are changed.
    batches : iterable of (tiles, targets)
        An object-free tile is a target with zero boxes.
    report_every : int
        Steps between reports.
    on_report : callable, optional
        Takes a dict with `step`, `seconds`, `rate` and the mean of each loss since the last report.

    Raises
    ------
    TrainingError
        If the loss is not finite; the message gives the step and the parts.
    """
    trainer.network.train()
    sums: dict[str, Tensor] = {}
    for tiles, targets in batches:
        progress = trainer.progress
        if progress >= 1.0:
            break
        rate = trainer.set_rate(progress)
        losses = _train_step(trainer, tiles, targets)
        trainer.step += 1
        sums = {name: sums.get(name, 0.0) + value.detach() for name, value in losses.items()}
        if trainer.step % report_every == 0:
            report = _mean_losses(trainer, sums, report_every)
            sums = {}
            if on_report:
                seconds = time.monotonic() - trainer.started_s
                on_report({"step": trainer.step, "seconds": round(seconds, 1), "rate": rate, **report})


def _train_step(trainer: Trainer, tiles: Tensor, targets: list[Target]) -> dict[str, Tensor]:
    images = tiles.to(trainer.device, non_blocking=True)
    if trainer.augment:
        images, targets = trainer.augment(images, targets)
    objects = gather_objects(targets, trainer.n_candidate_groups).to(trainer.device)
    losses = _losses_of(trainer.network, images, objects, trainer.weights)
    trainer.optimizer.zero_grad(set_to_none=True)
    losses["total"].backward()
    nn.utils.clip_grad_norm_(trainer.network.parameters(), 5.0, error_if_nonfinite=False)
    _stop_if_not_finite(losses, trainer.step)
    trainer.optimizer.step()
    trainer.average.update(trainer.network)
    return losses


def _stop_if_not_finite(losses: dict[str, Tensor], step: int) -> None:
    if not bool(torch.isfinite(losses["total"])):
        parts = ", ".join(f"{name} {value.item():.4g}" for name, value in losses.items())
        raise TrainingError(
            f"The loss of step {step} is not a finite number ({parts}). Lower the learning rate, "
            "or look for a damaged picture or box in the data."
        )


def _losses_of(
    network: CentrePointNetwork, images: Tensor, objects: Objects, weights: LossWeights
) -> dict[str, Tensor]:
    with _autocast(images.device):
        head = network(images.contiguous(memory_format=torch.channels_last))
    return detection_losses(head, objects, network.layout, weights)


def _autocast(device: torch.device) -> AbstractContextManager[None]:
    """bfloat16 on a GPU; on a CPU it would only be slower."""
    return torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda")


def _mean_losses(trainer: Trainer, sums: dict[str, Tensor], n_steps: int) -> dict[str, float]:
    return {name: round(float(value) / n_steps, 5) for name, value in sums.items()}


@torch.no_grad()
def evaluate(
    network: CentrePointNetwork, batches: Iterable[Batch], *, n_candidate_groups: int
) -> dict[str, float]:
    """Mean of each loss over `batches`, without augmentation; empty if there are none."""
    device = next(network.parameters()).device
    network.eval()
    sums: dict[str, float] = {}
    n_batches = 0
    for tiles, targets in batches:
        objects = gather_objects(targets, n_candidate_groups).to(device)
        losses = _losses_of(network, tiles.to(device).float(), objects, LossWeights())
        sums = {name: sums.get(name, 0.0) + float(value) for name, value in losses.items()}
        n_batches += 1
    return {name: value / n_batches for name, value in sums.items()}
