"""One epoch of training, and the losses of a network on held-out tiles."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from copy import deepcopy
from dataclasses import dataclass, field

import torch
from torch import Tensor, nn

from training.losses import LossWeights, detection_losses, gather_objects
from training.parallel import agree, n_processes, share_network, total
from training.targets import Batch, Target, list_scales
from training.transforms import Augmenter
from training.watch import Watch
from triage.network import CentrePointNetwork
from triage.scale_code import encode_scales

Forward = Callable[[Tensor, Tensor], Tensor]
"""Maps tiles and the codes of their scales to the head's map."""


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
        Is followed; its weights are the start.
    decay : float
        Share of the old mean that stays at each step, once enough steps were made.
    """

    def __init__(self, network: CentrePointNetwork, decay: float = 0.998) -> None:
        self.network = deepcopy(network).eval().requires_grad_(False)
        self._decay = decay
        self.n_updates = 0
        # Listed once: looking them up at every step would take longer than the mean itself.
        self._mine, self._theirs = _floating(self.network), _floating(network)

    @torch.no_grad()
    def update(self) -> None:
        """Move the mean towards the network as it is now."""
        self.n_updates += 1
        keep = min(self._decay, self.n_updates / (self.n_updates + 9))
        torch._foreach_lerp_(self._mine, self._theirs, 1 - keep)


def _floating(network: nn.Module) -> list[Tensor]:
    """The network's own weights and running means, in its order."""
    return [value for value in network.state_dict().values() if value.is_floating_point()]


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
    compiled_for : int or None
        Batches of so many tiles run through the network compiled, which is faster on a GPU; None compiles
        nothing. Shorter ones don't, since each length would be compiled anew.
    step : int
        Steps made.
    elapsed_before_s : float
        Seconds trained before this part.
    sums : dict of str to Tensor
        Each loss, summed since the last report.
    watch : Watch
        What checks on held-out pictures said.
    """

    network: CentrePointNetwork
    schedule: Schedule
    n_candidate_groups: int
    augment: Augmenter | None = None
    weights: LossWeights = field(default_factory=LossWeights)
    compiled_for: int | None = None
    step: int = 0
    elapsed_before_s: float = 0.0
    sums: dict[str, Tensor] = field(default_factory=dict)
    watch: Watch = field(default_factory=Watch)

    def __post_init__(self) -> None:
        self.device = next(self.network.parameters()).device
        self.average = MovingAverage(self.network)
        self.optimizer = build_optimizer(self.network, self.schedule)
        self._base_rates = [group["lr"] for group in self.optimizer.param_groups]
        self.forward = share_network(self.network)
        self._compiled = None if self.compiled_for is None else torch.compile(self.forward)
        self._started_s: float | None = None

    def start_clock(self) -> None:
        """Begin to count the seconds of this part, once its first step is made.

        Until then batches are drawn ahead, and what is fastest on this device is looked for.
        """
        self._started_s = time.monotonic()

    @property
    def elapsed_s(self) -> float:
        """Seconds trained, over all parts."""
        now = 0.0 if self._started_s is None else time.monotonic() - self._started_s
        return self.elapsed_before_s + now

    def choose_forward(self, n_tiles: int) -> Forward:
        """What maps a batch of `n_tiles` tiles, and their scales, to the head's map."""
        if self._compiled is None or n_tiles != self.compiled_for:
            return self.forward
        return self._compiled

    def find_progress(self) -> float:
        """Share of the training that is done, the same in all processes."""
        elapsed_s = agree(self.elapsed_s, self.device) if math.isfinite(self.schedule.limit_s) else 0.0
        return self.schedule.progress(self.step, elapsed_s)

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
    # Fused, a step is a few kernels and not hundreds; on a CPU that gains nothing.
    return torch.optim.AdamW(groups, fused=next(network.parameters()).is_cuda)


def train_one_epoch(
    trainer: Trainer,
    batches: Iterable[Batch],
    *,
    report_every: int = 50,
    on_report: Callable[[dict[str, float]], None] | None = None,
    on_step: Callable[[], bool] | None = None,
) -> bool:
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
        Takes a dict with `step`, `seconds`, `seconds_left` (an estimate), `rate` and the mean of each loss
        since the last report.
    on_step : callable, optional
        Called after each step, to write a checkpoint, say; True ends this part.

    Returns
    -------
    is_done : bool
        False where `on_step` ended it.

    Raises
    ------
    TrainingError
        If the loss is not finite; the message gives the step and the parts.
    """
    trainer.network.train()
    for number, (tiles, targets) in enumerate(batches):
        progress = trainer.find_progress()
        if progress >= 1.0:
            break
        rate = trainer.set_rate(progress)
        losses = _train_step(trainer, tiles, targets)
        if number == 0:
            trainer.start_clock()
        trainer.step += 1
        trainer.sums = {name: trainer.sums.get(name, 0.0) + value.detach() for name, value in losses.items()}
        if trainer.step % report_every == 0:
            means = _take_means(trainer, report_every)
            if on_report:
                on_report({"step": trainer.step, **_tell_time(trainer), "rate": rate, **means})
        if on_step and on_step():
            return False
    return True


def _take_means(trainer: Trainer, n_steps: int) -> dict[str, float]:
    """The mean of each loss since the last report; the sums begin anew."""
    means = {name: round(float(total(value)) / n_steps, 5) for name, value in trainer.sums.items()}
    trainer.sums = {}
    return means


def _tell_time(trainer: Trainer) -> dict[str, float]:
    """Seconds trained, and an estimate of those left, which supposes that steps take as long as before."""
    elapsed_s = trainer.elapsed_s
    progress = trainer.schedule.progress(trainer.step, elapsed_s)
    return {
        "seconds": round(elapsed_s, 1),
        "seconds_left": round(elapsed_s * (1 - progress) / max(progress, 1e-9), 1),
    }


def _train_step(trainer: Trainer, tiles: Tensor, targets: list[Target]) -> dict[str, Tensor]:
    images = tiles.to(trainer.device, non_blocking=True)
    if trainer.augment:
        trainer.augment.start_at(trainer.step)
        images, targets = trainer.augment(images, targets)
    objects = gather_objects(targets, trainer.n_candidate_groups).to(trainer.device)
    head = _run(trainer.choose_forward(len(images)), images, targets)
    losses = detection_losses(head, objects, trainer.network.layout, trainer.weights, total=total)
    # Asked here, the answer is waited for while little is under way on the device.
    _stop_if_not_finite(losses, trainer.step)
    trainer.optimizer.zero_grad(set_to_none=True)
    # Gradients come back as means over the processes, but the losses are parts of a sum.
    (losses["total"] * n_processes()).backward()
    nn.utils.clip_grad_norm_(trainer.network.parameters(), 5.0, error_if_nonfinite=False)
    trainer.optimizer.step()
    trainer.average.update()
    return losses


def _stop_if_not_finite(losses: dict[str, Tensor], step: int) -> None:
    if not bool(torch.isfinite(losses["total"])):
        parts = ", ".join(f"{name} {value.item():.4g}" for name, value in losses.items())
        raise TrainingError(
            f"The loss of step {step} is not a finite number ({parts}). Lower the learning rate, "
            "or look for a damaged picture or box in the data."
        )


def _run(network: Forward, images: Tensor, targets: Sequence[Target]) -> Tensor:
    """The head's map of a batch, told as much of its tiles' scales as the targets say."""
    with _autocast(images.device):
        codes = code_scales(list_scales(targets), images.device)
        head = network(images.contiguous(memory_format=torch.channels_last), codes)
    return head


def code_scales(um_per_px: Sequence[float | None], device: torch.device) -> Tensor:
    """The scales of tiles as the network is told them, on its device."""
    return torch.from_numpy(encode_scales(um_per_px)).to(device)


def _autocast(device: torch.device) -> AbstractContextManager[None]:
    """bfloat16 on a GPU; on a CPU it would only be slower."""
    return torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda")


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
        head = _run(network, tiles.to(device).float(), targets)
        losses = detection_losses(head, objects, network.layout)
        sums = {name: sums.get(name, 0.0) + float(value) for name, value in losses.items()}
        n_batches += 1
    return {name: value / n_batches for name, value in sums.items()}
