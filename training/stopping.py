"""Ends a training on a labelled set before its last step: when what is held out gains nothing any more."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

from training.cut import judge_tiles
from training.engine import Trainer, evaluate
from training.parallel import agree
from training.settings import Settings
from training.supply import Given
from training.targets import Batch
from triage.groups import candidate_groups
from triage.network import CentrePointNetwork

SQUARES_OF_A_PICTURE = 4
MOST_SQUARES = 64
SQUARES_SEED = 7_000_003
"""Held-out squares are cut by a seed of their own, the same at every check."""
QUOTED_RATE = 1.0
"""Recall is noted at so many false positives a square; the loss decides."""


def cut_held_out(settings: Settings, given: Given) -> list[Batch]:
    """Squares of the set's held-out pictures; none where nothing is to be checked or nothing is held out."""
    if settings.patience is None or settings.data is None or given.pictures is not None:
        return []
    # Reading pictures needs libraries that a machine which only draws may lack.
    from training.dataset import labelled_batches, read_marked_pictures
    from training.splits import take_split
    from triage.labelled_set import HELD_OUT

    pictures = take_split(read_marked_pictures(settings.data), HELD_OUT)
    if not pictures:
        return []
    n_squares = min(SQUARES_OF_A_PICTURE * len(pictures), MOST_SQUARES)
    n_tiles = min(settings.batch, n_squares)
    squares = labelled_batches(
        pictures,
        tile_px=settings.tile_px,
        n_tiles=n_tiles,
        seed=SQUARES_SEED,
        um_per_px=settings.um_per_px,
    )
    return list(itertools.islice(squares, math.ceil(n_squares / n_tiles)))


class HeldOutChecks:
    """Looks every so many steps what the held-out squares say; the same in all processes.

    Parameters
    ----------
    settings : Settings
        `patience` and `check_every`.
    trainer : Trainer
        Its moving average is judged; its `watch` remembers.
    squares : sequence of (tiles, targets)
        Empty: nothing is checked, and all steps are made.
    on_check : callable
        Takes `step`, `held_out_loss` and `held_out_recall` of each check.
    """

    def __init__(
        self,
        settings: Settings,
        trainer: Trainer,
        squares: Sequence[Batch],
        on_check: Callable[[dict[str, Any]], None],
    ) -> None:
        self._settings = settings
        self._trainer = trainer
        self._squares = squares
        self._on_check = on_check

    @property
    def is_over(self) -> bool:
        """Whether so many checks in a row brought nothing that the training ends."""
        patience = self._settings.patience
        return patience is not None and self._trainer.watch.n_since_best >= patience

    def __call__(self) -> bool:
        """Called after each step; True ends the training."""
        step, settings = self._trainer.step, self._settings
        if self._squares and (step % settings.check_every == 0 or step == settings.steps):
            self._check()
        return self.is_over

    def _check(self) -> None:
        trainer = self._trainer
        network, n_groups = trainer.average.network, len(candidate_groups())
        said = evaluate(network, self._squares, n_candidate_groups=n_groups)["total"]
        curve = judge_tiles(network, self._squares, n_candidate_groups=n_groups).curve
        loss = agree(said, trainer.device)
        trainer.watch.note(trainer.step, loss, network.state_dict())
        recall = curve.recall_at(QUOTED_RATE) if curve.n_objects else None
        self._on_check({"step": trainer.step, "held_out_loss": round(loss, 5), "held_out_recall": recall})

    def take_best(self, network: CentrePointNetwork) -> None:
        """Set `network` to the weights of the best check, if there was one."""
        if self._trainer.watch.best:
            network.load_state_dict(self._trainer.watch.best)

    def describe(self) -> dict[str, Any]:
        """Where the training stopped and why, for its record."""
        settings, trainer, watch = self._settings, self._trainer, self._trainer.watch
        told = {"stopped_at": trainer.step, "steps_asked": settings.steps, "why": self._say_why()}
        if not watch.n_checks:
            return told
        return {
            **told,
            "patience": settings.patience,
            "check_every": settings.check_every,
            "checks": watch.n_checks,
            "weights_of_step": watch.best_step,
            "held_out_loss": round(watch.best_loss, 5),
        }

    def _say_why(self) -> str:
        settings, watch = self._settings, self._trainer.watch
        if self.is_over:
            return (
                f"The loss on the held-out split was lowest at step {watch.best_step}; "
                f"{watch.n_since_best} checks after it, {settings.check_every} steps apart, brought nothing."
            )
        made = "All steps were made" if self._trainer.step >= settings.steps else "The time was over"
        if settings.patience is not None and not self._squares:
            return f"{made}; no picture is held out, so that nothing could end it sooner."
        return f"{made}."
