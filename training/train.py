"""Train a detector on drawn slides, or on a labelled set.

    python -m training.train --out DIR --steps N --batch B --seed S [--minutes M] [--resume]
    torchrun --nproc-per-node GPUS -m training.train --out DIR ...

writes `detector.safetensors`, `record.json` and `curve.jsonl` (the losses, every 50 steps) to DIR.
`python -m training.export --weights DIR` then adds the graph that CPUs run. While it trains, DIR holds a
checkpoint; after a kill, or after `--stop-after`, the same command with `--resume` goes on there, to the same
result. `--minutes` counts over all parts. With several processes each draws its share of every batch.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import json
import shlex
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from importlib import metadata
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Self

import torch

from training.checkpoint import (
    find_checkpoint,
    load_checkpoint,
    read_standing,
    remove_checkpoints,
    write_checkpoint,
)
from training.cut import judge_tiles
from training.drawn import DrawBatch, DrawnBatches, draw_slides, first_shown, prefetch, show_again
from training.engine import Batch, Schedule, Trainer, TrainingError, evaluate, train_one_epoch
from training.parallel import Share, agree, join_processes
from training.start_weights import IMAGENET_LICENCE, load_imagenet_features
from training.synthesize.stock import store_stocks
from training.transforms import Augmenter
from triage.errors import TriageError
from triage.groups import candidate_groups, read_groups
from triage.network import CentrePointNetwork, read_network, write_network
from triage.weights import GRAPH_FILE, WEIGHTS_FILE, WeightsRecord, read_record, shipped_folder, write_record

HELD_OUT_SEED = 900_000_000
"""Held-out tiles are drawn from seeds that no training run reaches."""
SERVED_TILE_PX = 512
SERVED_UM_PER_PX = 0.5
QUOTED_PACKAGES = ("torch", "torchvision", "numpy", "safetensors")


@dataclasses.dataclass(frozen=True)
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
    name: str = "coverslip-triage first light"
    um_per_px: float = SERVED_UM_PER_PX
    resume: bool = False
    stop_after: float | None = None
    checkpoint_every: float = 120.0
    report_every: int = 50


FREE_SETTINGS = frozenset(
    ("out", "device", "workers", "held_out", "name", "um_per_px", "resume", "stop_after", "checkpoint_every")
)
"""Settings that may differ when a training goes on: they change nothing in what is learnt."""


def train(
    settings: Settings, *, command: str, draw: DrawBatch = draw_slides, started_s: float | None = None
) -> WeightsRecord | None:
    """Train, judge on held-out drawn tiles, and write a weights folder.

    Parameters
    ----------
    settings : Settings
        What to do.
    command : str
        The command line, for the record.
    draw : callable, optional
        What draws tiles.
    started_s : float, optional
        When this part began, by `time.monotonic`; `stop_after` counts from here.

    Returns
    -------
    record : WeightsRecord or None
        As written; None where `stop_after` ended this part, and in all processes but the first.

    Raises
    ------
    TrainingError
        If the loss is no longer a number, the folder holds a training that is not to be resumed or was begun
        with other settings, or a checkpoint is damaged.
    WeightsError
        If training starts from a detector whose files are damaged.
    """
    stop_at_s = stop_time(settings, time.monotonic() if started_s is None else started_s)
    with join_processes(settings.device) as (share, device):
        checkpoint = choose_checkpoint(settings)
        settings.out.mkdir(parents=True, exist_ok=True)
        start = describe_start(settings.start)
        trainer = start_trainer(settings, share, device)
        if checkpoint is not None:
            load_checkpoint(checkpoint, trainer)
        batches = open_batches(settings, device, draw, share=share, start=trainer.step)
        with Log(settings.out / "curve.jsonl", trainer.step, is_first=share.is_first) as log:
            keeper = Keeper(settings, trainer, share, stop_at_s)
            is_done = train_one_epoch(
                trainer, batches, report_every=settings.report_every, on_report=log.add, on_step=keeper
            )
            keeper.write()
            if not is_done or not share.is_first:
                return None
            held_out = list(draw_held_out(settings, device, draw))
            scores = {"steps": trainer.step, **judge(trainer.average.network, held_out)}
            log.add(scores)
        record = save(settings, trainer.average.network, scores, command=command, start=start)
        remove_checkpoints(settings.out)
        return record


def stop_time(settings: Settings, started_s: float) -> float:
    """When this part ends, by `time.monotonic`."""
    return started_s + settings.stop_after * 60 if settings.stop_after else float("inf")


def start_trainer(settings: Settings, share: Share, device: torch.device) -> Trainer:
    """A trainer before its first step."""
    torch.manual_seed(settings.seed)
    if settings.batch % share.n:
        raise TrainingError(
            f"A batch of {settings.batch} tiles can't be shared by {share.n} processes. "
            f"Give --batch a multiple of {share.n}."
        )
    network = start_network(settings.start).to(device).to(memory_format=torch.channels_last)
    limit_s = settings.minutes * 60 if settings.minutes else float("inf")
    return Trainer(
        network,
        Schedule(settings.steps, limit_s=limit_s, learning_rate=settings.rate),
        n_candidate_groups=len(candidate_groups()),
        augment=Augmenter(settings.seed, share=share),
    )


def fixed_settings(settings: Settings) -> dict[str, str]:
    """What must stay the same when a training goes on, as text."""
    return {
        key: str(value) for key, value in dataclasses.asdict(settings).items() if key not in FREE_SETTINGS
    }


def choose_checkpoint(settings: Settings) -> Path | None:
    """The checkpoint to go on from; None to begin.

    Raises
    ------
    TrainingError
        If there is one and it is not to be resumed, or was begun with other settings.
    """
    path = find_checkpoint(settings.out)
    if path is None:
        return None
    if not settings.resume:
        raise TrainingError(
            f"{settings.out} holds the checkpoint {path.name} of a training that has not ended. "
            "Add --resume to go on, or name another folder."
        )
    begun = read_standing(path).settings
    asked = fixed_settings(settings)
    differing = [key for key in asked if begun.get(key) != asked[key]]
    if differing:
        told = ", ".join(f"{key} {begun.get(key)} there, {asked[key]} now" for key in differing)
        raise TrainingError(
            f"{path} was begun with other settings ({told}). "
            "Resume with the same ones, or name another folder."
        )
    return path


class Keeper:
    """Writes a checkpoint every so often and says when this part ends; the same in all processes.

    Parameters
    ----------
    settings : Settings
        `checkpoint_every` and what must stay the same.
    trainer : Trainer
        Whose standing is written.
    share : Share
        The first process writes.
    stop_at_s : float
        When this part ends, by `time.monotonic`.
    """

    def __init__(self, settings: Settings, trainer: Trainer, share: Share, stop_at_s: float) -> None:
        self._settings = settings
        self._trainer = trainer
        self._share = share
        self._stop_at_s = stop_at_s
        self._written_s = time.monotonic()

    def __call__(self) -> bool:
        """Called after each step; True ends this part."""
        now = time.monotonic()
        if now - self._written_s >= self._settings.checkpoint_every:
            self.write()
        if self._stop_at_s == float("inf"):
            return False
        return bool(agree(float(now >= self._stop_at_s), self._trainer.device))

    def write(self) -> None:
        """Write a checkpoint now."""
        if self._share.is_first:
            write_checkpoint(self._settings.out, self._trainer, fixed_settings(self._settings))
        self._written_s = time.monotonic()


class Log:
    """The losses of a training, printed and written down, a line each; goes on where it was resumed.

    Parameters
    ----------
    path : Path
        Lines beyond `step`, of a part that was lost, are taken out.
    step : int
        Where the training stands.
    is_first : bool
        Whether this process reports.
    """

    def __init__(self, path: Path, step: int, *, is_first: bool) -> None:
        self._path = path
        self._step = step
        self._is_first = is_first

    def __enter__(self) -> Self:
        if self._is_first:
            lines = self._path.read_text(encoding="utf-8").splitlines() if self._path.is_file() else []
            kept = [line for line in lines if json.loads(line).get("step", self._step + 1) <= self._step]
            self._file = self._path.open("w", encoding="utf-8")
            self._file.writelines(f"{line}\n" for line in kept)
        return self

    def __exit__(self, *_: object) -> None:
        if self._is_first:
            self._file.close()

    def add(self, values: Mapping[str, object]) -> None:
        """Print and write one line."""
        if self._is_first:
            print(json.dumps(values), flush=True)
            print(json.dumps(values), file=self._file, flush=True)


@contextmanager
def open_drawing(settings: Settings) -> Iterator[DrawBatch]:
    """What draws slides; worker processes share one stock of objects instead of each drawing its own."""
    if settings.workers == 0:
        yield draw_slides
        return
    with TemporaryDirectory(prefix="coverslip-stocks-") as folder:
        yield partial(draw_slides, stocks=store_stocks(Path(folder), workers=settings.workers))


def start_network(start: str) -> CentrePointNetwork:
    """A network to train: `imagenet` features, `none`, the `shipped` detector or that of another folder."""
    if start not in ("imagenet", "none"):
        folder = start_folder(start)
        record = read_record(folder)
        return read_network(folder / WEIGHTS_FILE, n_groups=len(record.groups), **record.network)
    network = CentrePointNetwork(len(read_groups()))
    if start == "imagenet":
        load_imagenet_features(network.features)
    return network


def start_folder(start: str) -> Path:
    """Folder of the detector that training goes on from."""
    return shipped_folder() if start == "shipped" else Path(start)


def describe_start(start: str) -> str | dict[str, str]:
    """What the record says of the start: a licence, `none`, or which detector, by the hash of its weights."""
    if start == "imagenet":
        return IMAGENET_LICENCE
    if start == "none":
        return start
    record = read_record(start_folder(start))
    return {"given": start, "name": record.name, "weights_sha256": record.weights_sha256}


def open_batches(
    settings: Settings, device: torch.device, draw: DrawBatch, *, share: Share, start: int
) -> Iterable[Batch]:
    """The batches from number `start` to the last step: drawn tiles, labelled squares, or both."""
    if settings.data is None:
        return draw_batches(settings, settings.batch, device, draw, share=share, start=start)
    # Reading pictures needs libraries that a machine which only draws may lack.
    from training.dataset import join_batches, labelled_batches, read_marked_pictures
    from training.splits import take_split

    n_drawn = round(settings.batch * settings.drawn_share / share.n) * share.n
    labelled = labelled_batches(
        take_split(read_marked_pictures(settings.data), "train"),
        tile_px=settings.tile_px,
        n_tiles=settings.batch - n_drawn,
        seed=settings.seed,
        um_per_px=settings.um_per_px,
        share=share,
        start=start,
    )
    if n_drawn == 0:
        return itertools.islice(labelled, settings.steps - start)
    return join_batches(draw_batches(settings, n_drawn, device, draw, share=share, start=start), labelled)


def draw_batches(
    settings: Settings, n_tiles: int, device: torch.device, draw: DrawBatch, *, share: Share, start: int
) -> Iterable[Batch]:
    """Drawn batches of `n_tiles` tiles from number `start` to the last step, some tiles shown before."""
    first = first_shown(start, settings.echoes)
    drawn = DrawnBatches(
        settings.seed,
        n_batches=settings.steps,
        n_tiles=max(n_tiles // settings.echoes, share.n),
        tile_px=settings.tile_px,
        device=device,
        draw=draw,
        share=share,
    )
    return show_again(
        prefetch(drawn, settings.workers, start=first),
        echoes=settings.echoes,
        seed=settings.seed,
        first=first,
        start=start,
    )


def draw_held_out(settings: Settings, device: torch.device, draw: DrawBatch) -> Iterable[Batch]:
    """Drawn batches that were never trained on."""
    held_out = DrawnBatches(
        0,
        n_batches=settings.held_out,
        n_tiles=settings.batch,
        tile_px=SERVED_TILE_PX if settings.tile_px > 256 else settings.tile_px,
        device=device,
        draw=lambda seed, n, tile_px, where, /, *, first=0: draw(
            HELD_OUT_SEED + seed, n, tile_px, where, first=first
        ),
    )
    return prefetch(held_out, 0)


def judge(network: CentrePointNetwork, held_out: list[Batch]) -> dict[str, object]:
    """Losses and figures of a network on held-out batches."""
    n_candidate_groups = len(candidate_groups())
    losses = evaluate(network, held_out, n_candidate_groups=n_candidate_groups)
    judgement = judge_tiles(network, held_out, n_candidate_groups=n_candidate_groups)
    return {"held_out_losses": losses, **judgement.to_scores()}


def save(
    settings: Settings,
    network: CentrePointNetwork,
    scores: dict[str, object],
    *,
    command: str,
    start: str | dict[str, str],
) -> WeightsRecord:
    """Write weights and record; an older graph in the folder is removed, since it no longer belongs."""
    write_network(network, settings.out / WEIGHTS_FILE)
    (settings.out / GRAPH_FILE).unlink(missing_ok=True)
    record = WeightsRecord(
        name=settings.name,
        groups=tuple(group.name for group in read_groups()),
        um_per_px=settings.um_per_px,
        tile_px=SERVED_TILE_PX if settings.tile_px > 256 else settings.tile_px,
        default_cut=float(str(scores["default_cut"])),
        network={"n_channels": network.n_channels},
        recipe={
            "command": command,
            "settings": {key: str(value) for key, value in dataclasses.asdict(settings).items()},
            "start": start,
            "trained_on": "drawn slides alone"
            if settings.data is None
            else f"labelled set {settings.data.name}",
        },
        scores=scores,
        packages={name: metadata.version(name) for name in QUOTED_PACKAGES},
    )
    return write_record(settings.out, record)


def parse_settings(arguments: list[str] | None = None) -> Settings:
    """The settings of a command line."""
    parser = argparse.ArgumentParser(prog="python -m training.train", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to write")
    parser.add_argument("--steps", type=int, default=Settings.steps, help="training steps at most")
    parser.add_argument("--batch", type=int, default=Settings.batch, help="tiles in a step")
    parser.add_argument("--seed", type=int, default=Settings.seed)
    parser.add_argument("--tile-px", type=int, default=Settings.tile_px, help="side of the training tiles")
    parser.add_argument(
        "--start",
        default=Settings.start,
        help="imagenet, none, shipped, or a folder of weights to go on from",
    )
    parser.add_argument(
        "--data", type=Path, help="labelled set whose train split to learn, beside drawn slides"
    )
    parser.add_argument(
        "--drawn-share",
        type=float,
        default=Settings.drawn_share,
        help="with --data: share of drawn tiles in a batch, against forgetting",
    )
    parser.add_argument("--device", default=Settings.device, help="auto, cpu, cuda or cuda:0")
    parser.add_argument("--minutes", type=float, help="end the training after this time at the latest")
    parser.add_argument("--rate", type=float, default=Settings.rate, help="highest learning rate")
    parser.add_argument(
        "--echoes", type=int, default=Settings.echoes, help="times that a drawn tile is shown"
    )
    parser.add_argument("--workers", type=int, default=Settings.workers, help="processes that draw ahead")
    parser.add_argument("--held-out", type=int, default=Settings.held_out, help="drawn batches to judge on")
    parser.add_argument("--name", default=Settings.name, help="name and version of the detector")
    parser.add_argument(
        "--resume", action="store_true", help="go on at the last checkpoint in --out, if there is one"
    )
    parser.add_argument(
        "--stop-after", type=float, help="end this part after so many minutes, with a checkpoint to resume"
    )
    parser.add_argument(
        "--checkpoint-every",
        type=float,
        default=Settings.checkpoint_every,
        help="seconds between checkpoints",
    )
    parser.add_argument(
        "--report-every", type=int, default=Settings.report_every, help="steps between reports"
    )
    parser.add_argument("--um-per-px", type=float, default=Settings.um_per_px, help="scale it is served at")
    return Settings(**vars(parser.parse_args(arguments)))


def main(arguments: list[str] | None = None) -> int:
    """Train as the command line says; 0, or 1 after one sentence on what was wrong."""
    started_s = time.monotonic()
    settings = parse_settings(arguments)
    command = "python -m training.train " + shlex.join(sys.argv[1:] if arguments is None else arguments)
    try:
        with open_drawing(settings) as draw:
            record = train(settings, command=command, draw=draw, started_s=started_s)
    except (TriageError, TrainingError) as err:
        print(err, file=sys.stderr)
        return 1
    if record is not None:
        print(json.dumps({"weights_sha256": record.weights_sha256, "default_cut": record.default_cut}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
