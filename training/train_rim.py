"""Train the small network that reads where a shell ends, on drawn objects whose outlines are known.

    python -m training.train_rim --out runs/rim --scenes 24000 --steps 6000 --workers 15 --seed 1

draws pictures from three quarters of the stocked objects (the rest are kept for `training.measure_bench`),
learns the radius of the shell on every ray together with the uncertainty of length and width, in the frames
that the search for outlines leaves, in those of a first reading and in disturbed true ones, and writes
`rim.onnx` and `rim.json` to the folder. Plain discs and rings are learnt beside the objects (`--plain-share`
and what goes with it). `--even-weight` is how hard no group, kind or focus may be read too large; the stated
uncertainty is learnt so that 1.96 of it hold 95 % of the errors, in each of them alike. Every tenth picture
is kept back; the printed bias and coverage are those of its objects. `--minutes` ends drawing and learning in
time; judging comes on top. `--drawn` takes scenes that `training.rim_drawings` stored, so that several
trainings share them.
"""

from __future__ import annotations

import json
import math
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from training.engine import Schedule
from training.parallel import choose_device
from training.rim_drawings import Rims, draw_many, read_rims
from training.rim_frames import extents, place
from training.rim_judging import judge
from training.rim_lessons import Lesson, give_lesson
from training.rim_network import RimNetwork, export, read_network
from training.rim_reading import Reader
from training.rim_settings import DRAWING_SHARE, RimSettings, parse_settings
from training.rim_strata import Leanings
from triage.digests import file_sha256
from triage.groups import candidate_groups

_HELD_OUT_EVERY = 10
_SD_WEIGHT = 0.2
_ERROR_UNIT = 0.02
_COVERED, _WIDTHS = 0.95, 1.96
_MOST_ERROR, _LEAST_ERROR = 0.25, 1e-4
_WARM_UP = 0.1
_REPORT_EVERY = 500


def learn(
    network: RimNetwork, reader: Reader, rows: Tensor, settings: RimSettings, limit_s: float = float("inf")
) -> int:
    """Train in place on the objects `rows`, for `limit_s` at most; the number of steps made."""
    generator = torch.Generator(device=rows.device)
    generator.manual_seed(settings.seed)
    optimizer = torch.optim.AdamW(network.parameters(), lr=settings.rate, weight_decay=1e-3)
    schedule = Schedule(settings.steps, limit_s, settings.rate, warm_up=_WARM_UP)
    errors, misses = Leanings(rows.device), Leanings(rows.device)
    started, step = time.monotonic(), 0
    while (progress := schedule.progress(step, time.monotonic() - started)) < 1:
        for group in optimizer.param_groups:
            group["lr"] = settings.rate * schedule.factor(progress)
        lesson = give_lesson(network, reader, rows, settings, generator)
        radii, log_sd = network(lesson.seen, lesson.read_sides)
        error = extents(place(lesson.frames, radii)) / lesson.sides - 1
        losses = {
            "rays": _bend_outliers((radii - lesson.radii) / _ERROR_UNIT).mean(),
            "sides": settings.side_weight * _bend_outliers(error / _ERROR_UNIT).mean(),
            "even": settings.even_weight
            * _even_out(errors, error.clamp(-_MOST_ERROR, _MOST_ERROR) / _ERROR_UNIT, lesson),
            "sd": _SD_WEIGHT * _misjudge(error.detach(), log_sd, lesson, misses),
        }
        _take_step(network, optimizer, losses, step)
        if step % _REPORT_EVERY == 0:
            values = " ".join(f"{name} {loss.item():.3f}" for name, loss in losses.items())
            print(f"step {step} {values} {time.monotonic() - started:.0f} s", flush=True)
        step += 1
    return step


def _take_step(
    network: RimNetwork, optimizer: torch.optim.Optimizer, losses: dict[str, Tensor], step: int
) -> None:
    loss = torch.stack(list(losses.values())).sum()
    if not torch.isfinite(loss):
        raise FloatingPointError(f"The loss is {float(loss)} at step {step}; lower --rate.")
    optimizer.zero_grad(set_to_none=True)
    loss.backward()
    torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
    optimizer.step()


def _bend_outliers(error: Tensor) -> Tensor:
    """Squares up to 4 units, then straight: the mean must be right, not the median."""
    return torch.nn.functional.huber_loss(error, torch.zeros_like(error), reduction="none", delta=4.0)


def _even_out(errors: Leanings, error: Tensor, lesson: Lesson) -> Tensor:
    return errors.push(error, error, lesson.strata, lesson.is_last)


def _misjudge(error: Tensor, log_sd: Tensor, lesson: Lesson, misses: Leanings) -> Tensor:
    """How far 1.96 stated uncertainties are from what 95 % of the errors lie within, as last read.

    The check function of quantile regression (Koenker and Bassett 1978, Econometrica 46, 33-50, from memory)
    of the errors' logarithms, so that small and large objects count alike.
    """
    beyond = error.abs().clamp_min(_LEAST_ERROR).log() - (log_sd + math.log(_WIDTHS))
    is_last = lesson.is_last.to(error)[:, None]
    check = torch.maximum(_COVERED * beyond, (_COVERED - 1) * beyond)
    mean = (check * is_last).sum() / (2 * is_last.sum()).clamp_min(1)
    too_wide = (1 - _COVERED) - (beyond > 0).to(error)
    return mean + misses.push(too_wide, log_sd, lesson.strata, lesson.is_last)


def _find_rims(settings: RimSettings, device: torch.device) -> Rims:
    if settings.drawn is not None:
        return read_rims(settings.drawn)
    limit_s = settings.minutes * 60 * DRAWING_SHARE if settings.minutes else float("inf")
    return draw_many(settings.seed, settings.scenes, settings.workers, str(device), limit_s)


def _write_record(folder: Path, settings: RimSettings, made: dict[str, Any]) -> None:
    record = {"graph_sha256": file_sha256(folder / "rim.onnx"), "command": settings.write_command(), **made}
    if settings.start is not None:
        record["start"] = json.loads(settings.start.with_suffix(".json").read_text(encoding="utf-8"))
    (folder / "rim.json").write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    """Train as the command line says."""
    settings = parse_settings((__doc__ or "").split("\n")[0], arguments)
    settings.out.mkdir(parents=True, exist_ok=True)
    started = time.monotonic()
    torch.manual_seed(settings.seed)
    device = choose_device(settings.device)
    rims = _find_rims(settings, device)
    print(
        f"{len(rims.pictures)} pictures, {len(rims.groups)} objects, {time.monotonic() - started:.0f} s",
        flush=True,
    )
    reader = Reader(rims, device)
    is_held_out = rims.picture_of // len(candidate_groups()) % _HELD_OUT_EVERY == 0
    learnt, held_out = (
        torch.from_numpy(np.flatnonzero(which)).to(device) for which in (~is_held_out, is_held_out)
    )
    network = (read_network(settings.start) if settings.start else RimNetwork()).to(device)
    limit_s = settings.minutes * 60 - (time.monotonic() - started) if settings.minutes else float("inf")
    steps = learn(network, reader, learnt, settings, limit_s)
    network.eval()
    for passes in (1, 2):
        judge(network, reader, held_out, rims, passes=passes)
    export(network, settings.out / "rim.onnx")
    made = {"n_pictures": len(rims.pictures), "n_objects_learnt": len(learnt), "n_steps": steps}
    _write_record(settings.out, settings, made)
    return 0


if __name__ == "__main__":
    sys.exit(main())
