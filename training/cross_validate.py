"""How much a detector gains from a few dozen labelled pictures, by cross-validation in groups.

    python -m training.cross_validate --data SET --folds 5 --out DIR [--groups object_group] [--workers 2]

adapts the shipped detector once for each fold, to the pictures of the other folds, and judges it on the
fold's own. No group of pictures (of one specimen, or what `--groups` names) is on both sides. Prints the
figures before and after, pooled over the folds, and writes them to DIR/figures.json; each fold gets a default
cut of its own, by drawn tiles that it never learnt (`training.own_cut`); the adapted weights, for
looking alone, stay in DIR/fold-1 and so on. Drawn tiles are drawn once and shared by all folds. With
`--trainings 5` the folds run side by side on the device.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import shlex
import statistics
import sys
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import torch

from training.dataset import MarkedPicture, read_marked_pictures
from training.drawn import DrawBatch
from training.engine import TrainingError
from training.evaluate import Judged, judge_picture
from training.local_figures import (
    LocalFigures,
    judge_drawn,
    open_detector,
    pick_drawn,
    to_figures,
    to_lines,
)
from training.metrics import free_response
from training.own_cut import count_on_empty, find_cut, take_tiles
from training.parallel import choose_device
from training.settings import ADAPTING, Settings
from training.shared_tiles import give, save_tiles
from training.splits import deal_folds
from training.start_weights import start_folder
from training.supply import open_drawing
from training.synthesize.processes import map_in, open_some
from training.targets import Batch
from training.train import train
from triage.errors import RecordError, TriageError
from triage.labelled_set import ANNOTATIONS_FILE
from triage.weights import WeightsRecord, read_record

FIGURES_FILE = "figures.json"


@dataclasses.dataclass(frozen=True)
class Fold:
    """What came of one fold."""

    number: int
    n_learnt: int
    judged: tuple[Judged, ...]
    drawn: dict[str, float]
    cut: float
    seconds: float

    def to_json(self) -> dict[str, Any]:
        """What is written of it, as plain values."""
        curve = free_response([one.matches for one in self.judged])
        return {
            "fold": self.number,
            "pictures_learnt": self.n_learnt,
            "pictures_judged": [one.marked.path.name for one in self.judged],
            "objects_judged": curve.n_objects,
            "recall_at_0.5": curve.recall_at(0.5),
            "default_cut": self.cut,
            "recall_at_default_cut": curve.recall_from(self.cut),
            "drawn": self.drawn,
            "seconds": round(self.seconds, 1),
        }


def group_pictures(data: Path, key: str | None) -> list[MarkedPicture]:
    """The pictures of a set, those that share the value of `key` as if of one specimen.

    Those of a judging split are left out, since no training may read them.

    Raises
    ------
    RecordError
        If the set can't be read, or no picture has the key.
    """
    pictures = [one for one in read_marked_pictures(data) if one.split != "judging"]
    if key is None:
        return [dataclasses.replace(one, specimen=one.kept_together) for one in pictures]
    rows = json.loads((data / ANNOTATIONS_FILE).read_text(encoding="utf-8"))["images"]
    values = {row["id"]: row[key] for row in rows if row.get(key) is not None}
    if not values:
        raise RecordError(
            f"No picture of {data} has the key {key!r} that --groups names. "
            "Name one that tells which pictures belong together, or leave it out."
        )
    return [
        dataclasses.replace(one, specimen=str(values.get(one.image_id, one.path.name))) for one in pictures
    ]


def cross_validate(
    pictures: Sequence[MarkedPicture],
    settings: Settings,
    draw: DrawBatch,
    *,
    n_folds: int,
    command: str,
    is_scale_used: bool = True,
    side_by_side: int = 1,
) -> tuple[LocalFigures, LocalFigures, list[Fold]]:
    """Figures before and after adapting, each picture judged by a detector that saw none of its group.

    Parameters
    ----------
    pictures : sequence of MarkedPicture
        `specimen` says which belong together.
    settings : Settings
        Of each fold; `out` gets a folder for each.
    draw : callable
        What draws tiles.
    n_folds : int
    command : str
        For the records of the folds.
    is_scale_used : bool
        Whether pictures of known scale are judged with it.
    side_by_side : int
        Folds at once, each in a process of its own; with 1 all run in this one.

    Raises
    ------
    RecordError
        If there are fewer groups than folds.
    """
    folds = deal_folds(pictures, n_folds=n_folds)
    device = choose_device(settings.device)
    started_s = time.monotonic()
    tiles = save_tiles(settings, draw)
    held_out = give(pictures, tiles).held_out or []
    _tell("drew tiles", started_s)
    started_s = time.monotonic()
    start = start_folder(settings.start)
    run = partial(_run_fold, settings=settings, tiles=tiles, command=command, is_scale_used=is_scale_used)
    learnt = [[one for one in pictures if one not in fold] for fold in folds]
    numbers = range(1, len(folds) + 1)
    done: list[Fold] = []
    # One more: the detector as it is is judged beside the folds.
    with open_some(min(side_by_side, len(folds)) + (side_by_side > 1)) as pool:
        each = map_in(pool, run, numbers, learnt, folds)
        waiting = pool.submit(_judge, pictures, start, device, is_scale_used) if pool else None
        before = waiting.result() if waiting else _judge(pictures, start, device, is_scale_used)
        _tell(f"judged {len(pictures)} pictures with the detector as it is", started_s)
        for fold in each:
            done.append(fold)
            print(
                f"fold {fold.number} of {n_folds}: learnt {fold.n_learnt}, judged {len(fold.judged)}, "
                f"in {fold.seconds:.0f} s",
                flush=True,
            )
    cut = read_record(start).default_cut
    judged = [one for fold in done for one in fold.judged]
    after = to_figures(judged, default_cut=cut, drawn=_mean_drawn(done))
    # Each fold has a cut of its own.
    n_false = sum(count_on_empty(fold.judged, fold.cut) for fold in done)
    return (
        to_figures(before, default_cut=cut, drawn=judge_drawn(start, held_out, device)),
        dataclasses.replace(after, n_false_at_cut=n_false),
        done,
    )


def _run_fold(
    number: int,
    learnt: Sequence[MarkedPicture],
    judged: Sequence[MarkedPicture],
    *,
    settings: Settings,
    tiles: Path,
    command: str,
    is_scale_used: bool,
) -> Fold:
    started_s = time.monotonic()
    own = dataclasses.replace(settings, out=settings.out / f"fold-{number}", workers=0)
    given = give(learnt, tiles)
    finish = partial(_cut_by_tiles, own, given.held_out or (), choose_device(settings.device))
    record = train(own, command=command, given=given, finish=finish)
    assert record is not None
    return Fold(
        number=number,
        n_learnt=len(learnt),
        judged=tuple(_judge(judged, own.out, choose_device(settings.device), is_scale_used)),
        drawn=pick_drawn(record.scores),
        cut=record.default_cut,
        seconds=time.monotonic() - started_s,
    )


def _cut_by_tiles(
    own: Settings, held_out: Sequence[Batch], device: torch.device, _: WeightsRecord
) -> WeightsRecord:
    """The fold's record with a cut by drawn tiles alone; its pictures are for judging."""
    start = start_folder(own.start)
    before, after = (take_tiles(folder, held_out, device) for folder in (start, own.out))
    return find_cut(before, read_record(start).default_cut, after).write(own.out)


def _judge(
    pictures: Sequence[MarkedPicture], folder: Path, device: torch.device, is_scale_used: bool
) -> list[Judged]:
    detector = open_detector(folder, device)
    return [judge_picture(one, detector, is_scale_used=is_scale_used) for one in pictures]


def _mean_drawn(folds: Sequence[Fold]) -> dict[str, float]:
    return {name: statistics.fmean(fold.drawn[name] for fold in folds) for name in folds[0].drawn}


def _tell(what: str, since_s: float) -> None:
    print(f"{what}, in {time.monotonic() - since_s:.0f} s", flush=True)


def parse_arguments(arguments: list[str] | None = None) -> argparse.Namespace:
    """The options of a command line; what is left out is as in `training.settings.ADAPTING`."""
    parser = argparse.ArgumentParser(
        prog="python -m training.cross_validate", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--data", type=Path, required=True, help="labelled set, or COCO with images/")
    parser.add_argument("--out", type=Path, required=True, help="folder for figures and adapted weights")
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--groups", help="key of images in the set whose value keeps pictures together")
    parser.add_argument("--start", default=ADAPTING["start"], help="shipped, or a folder of weights")
    parser.add_argument("--steps", type=int, default=ADAPTING["steps"], help="training steps of a fold")
    parser.add_argument("--batch", type=int, default=Settings.batch, help="tiles in a step")
    parser.add_argument("--rate", type=float, default=ADAPTING["rate"], help="highest learning rate")
    parser.add_argument("--tile-px", type=int, default=Settings.tile_px, help="side of the training tiles")
    parser.add_argument(
        "--drawn-share", type=float, default=Settings.drawn_share, help="share of drawn tiles in a batch"
    )
    parser.add_argument("--drawn-tiles", type=int, default=ADAPTING["drawn_tiles"], help="tiles to draw")
    parser.add_argument("--held-out", type=int, default=8, help="drawn batches to judge on")
    parser.add_argument("--workers", type=int, default=Settings.workers, help="processes that draw")
    parser.add_argument("--trainings", type=int, default=1, help="folds side by side (default: 1)")
    parser.add_argument("--seed", type=int, default=Settings.seed)
    parser.add_argument("--device", default=Settings.device, help="auto, cpu, cuda or cuda:0")
    parser.add_argument("--ignore-scale", action="store_true", help="judge as if no scale were known")
    options = parser.parse_args(arguments)
    if options.folds < 2:
        parser.error(f"--folds is {options.folds}; it must be at least 2.")
    if options.start in ("imagenet", "none"):
        parser.error(f"--start is {options.start!r}; only a detector can be adapted. Name its folder.")
    return options


def main(arguments: list[str] | None = None) -> int:
    """Cross-validate as the command line says; 0, or 1 after one sentence on what was wrong."""
    options = parse_arguments(arguments)
    command = "python -m training.cross_validate " + shlex.join(
        sys.argv[1:] if arguments is None else arguments
    )
    names = {field.name for field in dataclasses.fields(Settings)}
    settings = Settings(**{key: value for key, value in vars(options).items() if key in names})
    try:
        pictures = group_pictures(options.data, options.groups)
        with open_drawing(settings) as draw:
            before, after, folds = cross_validate(
                pictures,
                settings,
                draw,
                n_folds=options.folds,
                command=command,
                is_scale_used=not options.ignore_scale,
                side_by_side=options.trainings,
            )
    except (TriageError, TrainingError) as err:
        print(err, file=sys.stderr)
        return 1
    print("\n".join(to_lines(before, after)))
    figures = {
        "command": command,
        "start": read_record(start_folder(settings.start)).weights_sha256,
        "before": before.to_json(),
        "after": after.to_json(),
        "folds": [fold.to_json() for fold in folds],
    }
    text = json.dumps(figures, indent=1, ensure_ascii=False)
    (settings.out / FIGURES_FILE).write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
