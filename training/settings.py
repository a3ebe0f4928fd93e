"""What a training's command line asks for."""

from __future__ import annotations

import argparse
import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SERVED_TILE_PX = 512


@dataclass(frozen=True)
class Settings:
    """What the command line asks for."""

    out: Path
    steps: int = 2000
    batch: int = 32
    seed: int = 1
    tile_px: int = 384
    start: str = "imagenet"
    data: Path | None = None
    drawn_share: float = 0.5
    device: str = "auto"
    minutes: float | None = None
    rate: float = 2e-3
    echoes: int = 1
    workers: int = 0
    held_out: int = 16
    name: str = "coverslip-triage"
    um_per_px: float = 0.5
    resume: bool = False
    stop_after: float | None = None
    checkpoint_every: float = 120.0
    report_every: int = 50
    drawn_tiles: int | None = None
    patience: int | None = None
    check_every: int = 25
    compiled: bool = False
    draw_device: str | None = None


FREE_SETTINGS = frozenset(
    (
        "out",
        "device",
        "draw_device",
        "compiled",
        "workers",
        "held_out",
        "name",
        "um_per_px",
        "resume",
        "stop_after",
        "checkpoint_every",
    )
)
"""Settings that may differ when a training goes on: they change nothing in what is learnt."""


ADAPTING: dict[str, Any] = {"start": "shipped", "steps": 300, "rate": 3e-4, "drawn_tiles": 512}
"""What `--from-shipped` sets where nothing else is given: a few gentle rounds of a few dozen pictures.

The steps are those of a trial that gained on 47 pictures.
"""


def fixed_settings(settings: Settings) -> dict[str, str]:
    """What must stay the same when a training goes on, as text."""
    return {
        key: str(value) for key, value in dataclasses.asdict(settings).items() if key not in FREE_SETTINGS
    }


def served_tile_px(settings: Settings) -> int:
    """Side of the tiles that the detector is judged and served on."""
    return SERVED_TILE_PX if settings.tile_px > 256 else settings.tile_px


def parse_settings(arguments: list[str] | None = None) -> Settings:
    """The settings of a command line."""
    parser = argparse.ArgumentParser(
        prog="python -m training.train",
        description="Train a detector on drawn slides, or on a labelled set.",
        argument_default=argparse.SUPPRESS,
    )
    parser.add_argument("--out", type=Path, required=True, help="folder to write")
    parser.add_argument("--steps", type=int, help="training steps at most")
    parser.add_argument("--batch", type=int, help="tiles in a step")
    parser.add_argument("--seed", type=int)
    parser.add_argument("--tile-px", type=int, help="side of the training tiles")
    starts = parser.add_mutually_exclusive_group()
    starts.add_argument("--start", help="imagenet, none, shipped, or a folder of weights to go on from")
    starts.add_argument(
        "--from-shipped",
        action="store_true",
        help="with --data: adapt the shipped detector to the set, with fewer steps and a lower rate",
    )
    starts.add_argument(
        "--adapt",
        metavar="FOLDER",
        help="with --data: the same with the detector of this folder",
    )
    parser.add_argument(
        "--data", type=Path, help="labelled set whose train split to learn, beside drawn slides"
    )
    parser.add_argument(
        "--drawn-share",
        type=float,
        help="with --data: share of drawn tiles in a batch, against forgetting",
    )
    parser.add_argument(
        "--drawn-tiles", type=int, help="draw only so many tiles and show them in turn (default: each new)"
    )
    parser.add_argument("--device", help="auto, cpu, cuda or cuda:0")
    parser.add_argument("--draw-device", help="where tiles are drawn (default: where the network learns)")
    parser.add_argument("--minutes", type=float, help="end the training after this time at the latest")
    parser.add_argument("--rate", type=float, help="highest learning rate")
    parser.add_argument("--echoes", type=int, help="times that a drawn tile is shown")
    parser.add_argument("--workers", type=int, help="processes that draw ahead")
    parser.add_argument("--held-out", type=int, help="drawn batches to judge on")
    parser.add_argument("--name", help="name and version of the detector")
    parser.add_argument(
        "--resume", action="store_true", help="go on at the last checkpoint in --out, if there is one"
    )
    parser.add_argument(
        "--stop-after", type=float, help="end this part after so many minutes, with a checkpoint to resume"
    )
    parser.add_argument("--checkpoint-every", type=float, help="seconds between checkpoints")
    parser.add_argument(
        "--compiled", action="store_true", help="compile the network first: pays in long trainings on a GPU"
    )
    parser.add_argument("--report-every", type=int, help="steps between reports")
    parser.add_argument("--um-per-px", type=float, help="scale it is served at")
    parser.add_argument(
        "--patience",
        type=int,
        help="with --data: end after so many checks in a row without a lower loss on the held-out split, and "
        "take the weights of the best check",
    )
    parser.add_argument("--check-every", type=int, help="steps between these checks")
    return _choose_settings(parser, vars(parser.parse_args(arguments)))


def _choose_settings(parser: argparse.ArgumentParser, given: dict[str, Any]) -> Settings:
    """What was given, over the defaults of what is to be done."""
    adapted = "shipped" if given.pop("from_shipped", False) else given.pop("adapt", None)
    if adapted is not None and "data" not in given:
        parser.error("--from-shipped and --adapt adapt to a labelled set. Name it with --data.")
    if "patience" in given and "data" not in given:
        parser.error("--patience watches a labelled set's held-out split. Name the set with --data.")
    for name in ("patience", "check_every"):
        if given.get(name, 1) < 1:
            parser.error(f"--{name.replace('_', '-')} is {given[name]}; it must be 1 or more.")
    adapting = {} if adapted is None else {**ADAPTING, "start": adapted}
    return Settings(**{**adapting, **given})
