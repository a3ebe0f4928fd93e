"""Train a detector on drawn slides, or on a labelled set.

    python -m training.train --out DIR --steps N --batch B --seed S [--minutes M]

writes `detector.safetensors`, `record.json` and `curve.jsonl` (the losses, every 50 steps) to DIR.
`python -m training.export --weights DIR` then adds the graph that CPUs run.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import json
import shlex
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from importlib import metadata
from pathlib import Path
from tempfile import TemporaryDirectory

import torch

from training.cut import judge_tiles
from training.drawn import DrawBatch, DrawnBatches, draw_slides, prefetch, show_again
from training.engine import Batch, Schedule, Trainer, TrainingError, evaluate, train_one_epoch
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


def train(settings: Settings, *, command: str, draw: DrawBatch = draw_slides) -> WeightsRecord:
    """Train, judge on held-out drawn tiles, and write a weights folder.

    Parameters
    ----------
    settings : Settings
        What to do.
    command : str
        The command line, for the record.
    draw : callable, optional
        What draws tiles.

    Returns
    -------
    record : WeightsRecord
        As written.

    Raises
    ------
    TrainingError
        If the loss is no longer a number.
    WeightsError
        If training starts from a detector whose files are damaged.
    """
    settings.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(settings.seed)
    device = choose_device(settings.device)
    start = describe_start(settings.start)
    network = start_network(settings.start).to(device).to(memory_format=torch.channels_last)
    limit_s = settings.minutes * 60 if settings.minutes else float("inf")
    trainer = Trainer(
        network,
        Schedule(settings.steps, limit_s=limit_s, learning_rate=settings.rate),
        n_candidate_groups=len(candidate_groups()),
        augment=Augmenter(settings.seed),
    )
    with (settings.out / "curve.jsonl").open("w", encoding="utf-8") as curve:

        def report(values: Mapping[str, object]) -> None:
            print(json.dumps(values), flush=True)
            print(json.dumps(values), file=curve, flush=True)

        train_one_epoch(trainer, open_batches(settings, device, draw), on_report=report)
        held_out = list(draw_held_out(settings, device, draw))
        scores = {"steps": trainer.step, **judge(trainer.average.network, held_out)}
        report(scores)
    return save(settings, trainer.average.network, scores, command=command, start=start)


@contextmanager
def open_drawing(settings: Settings) -> Iterator[DrawBatch]:
    """What draws slides; worker processes share one stock of objects instead of each drawing its own."""
    if settings.workers == 0:
        yield draw_slides
        return
    with TemporaryDirectory(prefix="coverslip-stocks-") as folder:
        yield partial(draw_slides, stocks=store_stocks(Path(folder), workers=settings.workers))


def choose_device(name: str) -> torch.device:
    """The named device; `auto` is the GPU if there is one."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    return torch.device(name)


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


def open_batches(settings: Settings, device: torch.device, draw: DrawBatch) -> Iterable[Batch]:
    """As many batches as steps: drawn tiles, squares from the labelled set, or both side by side."""
    if settings.data is None:
        return draw_batches(settings, settings.batch, device, draw)
    # Reading pictures needs libraries that a machine which only draws may lack.
    from training.dataset import join_batches, labelled_batches, read_marked_pictures
    from training.splits import take_split

    n_drawn = round(settings.batch * settings.drawn_share)
    labelled = labelled_batches(
        take_split(read_marked_pictures(settings.data), "train"),
        tile_px=settings.tile_px,
        n_tiles=settings.batch - n_drawn,
        seed=settings.seed,
    )
    if n_drawn == 0:
        return itertools.islice(labelled, settings.steps)
    return join_batches(draw_batches(settings, n_drawn, device, draw), labelled)


def draw_batches(settings: Settings, n_tiles: int, device: torch.device, draw: DrawBatch) -> Iterable[Batch]:
    """As many drawn batches as steps, of `n_tiles` tiles, some of them shown before."""
    drawn = DrawnBatches(
        settings.seed,
        n_batches=settings.steps,
        n_tiles=max(n_tiles // settings.echoes, 1),
        tile_px=settings.tile_px,
        device=device,
        draw=draw,
    )
    return show_again(prefetch(drawn, settings.workers), echoes=settings.echoes, seed=settings.seed)


def draw_held_out(settings: Settings, device: torch.device, draw: DrawBatch) -> Iterable[Batch]:
    """Drawn batches that were never trained on."""
    held_out = DrawnBatches(
        0,
        n_batches=settings.held_out,
        n_tiles=settings.batch,
        tile_px=SERVED_TILE_PX if settings.tile_px > 256 else settings.tile_px,
        device=device,
        draw=lambda seed, n, tile_px, where: draw(HELD_OUT_SEED + seed, n, tile_px, where),
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
    parser.add_argument("--um-per-px", type=float, default=Settings.um_per_px, help="scale it is served at")
    return Settings(**vars(parser.parse_args(arguments)))


def main(arguments: list[str] | None = None) -> int:
    """Train as the command line says; 0, or 1 after one sentence on what was wrong."""
    settings = parse_settings(arguments)
    command = "python -m training.train " + shlex.join(sys.argv[1:] if arguments is None else arguments)
    try:
        with open_drawing(settings) as draw:
            record = train(settings, command=command, draw=draw)
    except (TriageError, TrainingError) as err:
        print(err, file=sys.stderr)
        return 1
    print(json.dumps({"weights_sha256": record.weights_sha256, "default_cut": record.default_cut}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
