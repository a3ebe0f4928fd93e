"""Train a detector on drawn slides, or on a labelled set.

    python -m training.train --out DIR --steps N --batch B --seed S [--minutes M] [--resume]
    torchrun --nproc-per-node GPUS -m training.train --out DIR ...

writes `detector.safetensors`, `record.json` and `curve.jsonl` (the losses, every 50 steps) to DIR.
`python -m training.export --weights DIR` then adds the graph that CPUs run. While it trains, DIR holds a
checkpoint; after a kill, or after `--stop-after`, the same command with `--resume` goes on there, to the same
result. `--minutes` counts over all parts. With several processes each draws its share of every batch. With
`--data SET --patience N` it ends by the set's held-out split, and the record says at which step and why.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import shlex
import sys
import time
from collections.abc import Callable
from functools import partial
from importlib import metadata
from pathlib import Path

import torch

from training.ahead import bring_ahead
from training.checkpoint import load_checkpoint, remove_checkpoints
from training.drawn import DrawBatch, draw_slides
from training.engine import Schedule, Trainer, TrainingError, train_one_epoch
from training.held_out import draw_held_out, judge
from training.parallel import Share, join_processes
from training.parts import Keeper, Log, choose_checkpoint, hash_data, stop_time
from training.settings import Settings, parse_settings, served_tile_px
from training.start_weights import describe_start, read_start_cut, start_network
from training.stopping import HeldOutChecks, cut_held_out
from training.supply import Given, open_batches, open_drawing
from training.transforms import Augmenter
from triage.digests import file_sha256
from triage.errors import TriageError
from triage.groups import candidate_groups, read_groups
from triage.network import CentrePointNetwork
from triage.network_file import write_network
from triage.weights import GRAPH_FILE, WeightsRecord, write_record

QUOTED_PACKAGES = ("torch", "torchvision", "numpy", "safetensors")

Finish = Callable[[WeightsRecord], WeightsRecord]


def train(
    settings: Settings,
    *,
    command: str,
    draw: DrawBatch = draw_slides,
    started_s: float | None = None,
    given: Given | None = None,
    finish: Finish | None = None,
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
    given : Given, optional
        Pictures and drawn tiles to use instead of those that the settings name.
    finish : callable, optional
        What is still to be done with the folder, whose record it takes and gives. The checkpoint goes only
        then, so that after a kill in between `resume` does it.

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
    given = given or Given()
    stop_at_s = stop_time(settings, time.monotonic() if started_s is None else started_s)
    with join_processes(settings.device) as (share, device):
        checkpoint = choose_checkpoint(settings)
        settings.out.mkdir(parents=True, exist_ok=True)
        start, start_cut = describe_start(settings.start), read_start_cut(settings.start)
        trainer = start_trainer(settings, share, device)
        if checkpoint is not None:
            load_checkpoint(checkpoint, trainer)
        batches = bring_ahead(
            open_batches(settings, device, draw, share=share, start=trainer.step, given=given), device
        )
        with Log(settings.out / "curve.jsonl", trainer.step, is_first=share.is_first) as log:
            keeper = Keeper(settings, trainer, share, stop_at_s)
            checks = HeldOutChecks(settings, trainer, cut_held_out(settings, given), log.add)
            is_done = checks.is_over or train_one_epoch(
                trainer,
                batches,
                report_every=settings.report_every,
                on_report=log.add,
                # A checkpoint holds the check of its own step.
                on_step=lambda: any([checks(), keeper()]),
            )
            keeper.write()
            del batches  # ends the processes that draw ahead, before others draw what is held out
            if not (is_done or checks.is_over) or not share.is_first:
                return None
            # What is judged comes in few batches of other sizes: looking for the fastest would cost more.
            torch.backends.cudnn.benchmark = False
            network = trainer.average.network
            checks.take_best(network)
            held_out = given.held_out or list(draw_held_out(settings, device, draw))
            scores = {"steps": trainer.step, **judge(network, held_out)}
            log.add(scores)
        recipe = {"command": command, "start": start, "ending": checks.describe()}
        record = save(settings, network, scores, recipe=recipe, cut=start_cut)
        if finish is not None:
            record = finish(record)
        remove_checkpoints(settings.out)
        return record


def start_trainer(settings: Settings, share: Share, device: torch.device) -> Trainer:
    """A trainer before its first step."""
    torch.manual_seed(settings.seed)
    # Batches have one size: what is fastest for it is looked for once.
    torch.backends.cudnn.benchmark = True
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
        compiled_for=settings.batch // share.n if settings.compiled else None,
    )


def save(
    settings: Settings,
    network: CentrePointNetwork,
    scores: dict[str, object],
    *,
    recipe: dict[str, object],
    cut: float | None,
) -> WeightsRecord:
    """Write weights and record; an older graph in the folder is removed, since it no longer belongs."""
    write_network(network, settings.out)
    (settings.out / GRAPH_FILE).unlink(missing_ok=True)
    record = WeightsRecord(
        name=settings.name,
        groups=tuple(group.name for group in read_groups()),
        um_per_px=settings.um_per_px,
        tile_px=served_tile_px(settings),
        default_cut=float(str(scores["default_cut"])) if cut is None else cut,
        network={"n_channels": network.n_channels, "knows_scale": network.knows_scale},
        recipe={
            **recipe,
            "settings": {key: str(value) for key, value in dataclasses.asdict(settings).items()},
            "code_sha256": code_sha256(),
            "data_sha256": hash_data(settings.data),
            "trained_on": "drawn slides alone"
            if settings.data is None
            else f"labelled set {settings.data.name}",
        },
        scores=scores,
        packages={name: metadata.version(name) for name in QUOTED_PACKAGES},
    )
    return write_record(settings.out, record)


def code_sha256() -> str:
    """SHA-256 over the Python files that make and run a detector, so that a record names its code."""
    root = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for path in sorted([*root.glob("training/**/*.py"), *root.glob("triage/**/*.py")]):
        digest.update(f"{path.relative_to(root).as_posix()}\0{file_sha256(path)}\n".encode())
    return digest.hexdigest()


def run(settings: Settings, *, command: str, draw: DrawBatch, started_s: float) -> WeightsRecord | None:
    """Train; where a detector is adapted to a labelled set, print its figures before and after, too."""
    is_alone = int(os.environ.get("WORLD_SIZE", "1")) == 1
    if settings.data is None or settings.start in ("imagenet", "none") or not is_alone:
        return train(settings, command=command, draw=draw, started_s=started_s)
    # Judging pictures needs libraries that a machine which only draws may lack.
    from training.local_figures import compare

    return compare(
        settings,
        draw,
        partial(train, settings, command=command, draw=draw, started_s=started_s),
    )


def main(arguments: list[str] | None = None) -> int:
    """Train as the command line says; 0, or 1 after one sentence on what was wrong."""
    started_s = time.monotonic()
    settings = parse_settings(arguments)
    command = "python -m training.train " + shlex.join(sys.argv[1:] if arguments is None else arguments)
    try:
        with open_drawing(settings) as draw:
            record = run(settings, command=command, draw=draw, started_s=started_s)
    except (TriageError, TrainingError) as err:
        print(err, file=sys.stderr)
        return 1
    if record is not None:
        print(json.dumps({"weights_sha256": record.weights_sha256, "default_cut": record.default_cut}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
