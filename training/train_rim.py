"""Train the small network that reads where a shell ends, on drawn objects whose outlines are known.

    python -m training.train_rim --out runs/rim --scenes 24000 --steps 6000 --workers 15 --seed 1

draws pictures from three quarters of the stocked objects (the rest are kept for `training.measure_bench`),
learns the radius of the shell on every ray together with the uncertainty of length and width, in the frames
that the search for outlines leaves, in those of a first reading and in disturbed true ones, and writes
`rim.onnx` and `rim.json` to the folder. Every tenth picture is kept back; the printed bias and coverage are
those of its objects.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from training.rim_drawings import Rims, draw_many
from training.rim_frames import choose_frames, extents, frame_around, place, true_radii
from training.rim_network import RimNetwork
from training.rim_reading import Reader, draw_plain, look_otherwise
from triage.digests import file_sha256
from triage.groups import candidate_groups
from triage.rim import RIM_GRAPH
from triage.rim_frame import N_RAYS, RIM_RHO

MOST_RADIUS_PX = 96.0
"""As in `triage.outline`: larger objects are read in a halved copy."""
_HELD_OUT_EVERY = 10
_PLAIN_SHARE = 0.08
_SIDE_WEIGHT, _SD_WEIGHT = 1.0, 0.1
_ERROR_UNIT = 0.02
_READ_TWICE_SHARE = 0.5


def learn(
    network: RimNetwork, reader: Reader, rows: Tensor, *, steps: int, batch: int, rate: float, seed: int
) -> None:
    """Train in place on the objects `rows`."""
    device = rows.device
    generator = torch.Generator(device=device)
    generator.manual_seed(seed)
    optimizer = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=1e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, max_lr=rate, total_steps=steps, pct_start=0.1)
    started = time.monotonic()
    for step in range(steps):
        chosen = rows[torch.randint(len(rows), (batch,), device=device, generator=generator)]
        truth, outlines = reader.ellipses[chosen], reader.outlines[chosen]
        n_plain = round(_PLAIN_SHARE * batch)
        frames = choose_frames(truth, reader.searched[chosen], n_plain, generator)
        radius = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt()
        at_will = torch.rand(batch, device=device, generator=generator) < 0.15
        halve = (radius > MOST_RADIUS_PX) | ((radius > 24) & at_will)
        is_second = torch.rand(batch, device=device, generator=generator) < _READ_TWICE_SHARE
        is_second[:n_plain] = False
        frames[is_second] = read_once(network, reader, chosen[is_second], frames[is_second], halve[is_second])
        seen = look_otherwise(reader.read(chosen, frames, halve), generator)
        wanted = true_radii(frames, outlines)
        wanted_sides = extents(outlines)
        if n_plain:
            seen[:n_plain] = draw_plain(frames[:n_plain], truth[:n_plain], generator)
            discs = place(truth[:n_plain], torch.ones(n_plain, N_RAYS, device=device))
            wanted[:n_plain] = true_radii(frames[:n_plain], discs)
            wanted_sides[:n_plain] = truth[:n_plain, 2:4]
        sides = frames[:, 2:4] / torch.where(halve, 2.0, 1.0)[:, None]
        radii, log_sd = network(seen, sides)
        found_sides = extents(place(frames, radii))
        error = found_sides / wanted_sides - 1
        ray_loss = _bend_outliers((radii - wanted) / _ERROR_UNIT).mean()
        side_loss = _bend_outliers(error / _ERROR_UNIT).mean()
        sd_loss = _unlikeliness(error.detach(), log_sd).mean()
        loss = ray_loss + _SIDE_WEIGHT * side_loss + _SD_WEIGHT * sd_loss
        if not torch.isfinite(loss):
            raise FloatingPointError(f"The loss is {float(loss)} at step {step}; lower --rate.")
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        schedule.step()
        if step % 500 == 0 or step == steps - 1:
            print(
                f"step {step} rays {ray_loss.item():.3f} sides {side_loss.item():.3f} "
                f"sd {sd_loss.item():.3f} {time.monotonic() - started:.0f} s",
                flush=True,
            )


@torch.no_grad()
def read_once(network: RimNetwork, reader: Reader, rows: Tensor, frames: Tensor, halve: Tensor) -> Tensor:
    """Frames around what is read of the rims in frames (B, 5)."""
    sides = frames[:, 2:4] / torch.where(halve, 2.0, 1.0)[:, None]
    radii, _ = network(reader.read(rows, frames, halve), sides)
    return frame_around(place(frames, radii))


def _bend_outliers(error: Tensor) -> Tensor:
    """Squares up to 4 units, then straight: the mean must be right, not the median."""
    return torch.nn.functional.huber_loss(error, torch.zeros_like(error), reduction="none", delta=4.0)


def _unlikeliness(error: Tensor, log_sd: Tensor) -> Tensor:
    """Of Student's t with five degrees of freedom: a few gross errors must not decide the rest."""
    return log_sd + 3 * torch.log1p((error / log_sd.exp()) ** 2 / 5)


@torch.no_grad()
def judge(network: RimNetwork, reader: Reader, rows: Tensor, rims: Rims, *, passes: int) -> None:
    """Print bias, scatter and coverage of `rows`, as the search leaves them, by group and focus."""
    rows = rows[reader.searched[rows, 0].isfinite().all(dim=1)]
    errors, sds = [], []
    for some in rows.split(1024):
        frames = reader.searched[some, 0]
        halve = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt() > MOST_RADIUS_PX
        for _ in range(passes - 1):
            frames = read_once(network, reader, some, frames, halve)
        sides = frames[:, 2:4] / torch.where(halve, 2.0, 1.0)[:, None]
        radii, log_sd = network(reader.read(some, frames, halve), sides)
        errors.append(extents(place(frames, radii)) / extents(reader.outlines[some]) - 1)
        sds.append(log_sd.exp())
    error, sd = torch.cat(errors).cpu().numpy(), torch.cat(sds).cpu().numpy()
    labels = rims.groups[rows.cpu().numpy()]
    depths = rims.focus_depths[rows.cpu().numpy()]
    print(f"read {passes} times, one after the other")
    strata = [(name, labels == row) for row, name in enumerate(candidate_groups())]
    strata += [("sharp", depths < 0.3), ("soft", (depths >= 0.3) & (depths < 1)), ("blurred", depths >= 1)]
    for name, is_in in [*strata, ("all", labels >= 0)]:
        if not is_in.any():
            continue
        z = np.abs(error[is_in] / sd[is_in])
        print(
            f"{name:<20} n {int(is_in.sum()):>5} bias {np.round(100 * error[is_in].mean(0), 2)} % "
            f"median abs {np.round(100 * np.median(np.abs(error[is_in]), axis=0), 2)} % "
            f"sd {np.round(100 * np.median(sd[is_in], axis=0), 2)} % "
            f"covered {np.round((z <= 1.96).mean(0), 3)} "
            f"factor {np.round(np.quantile(z, 0.95, axis=0) / 1.96, 2)}"
        )


def read_shipped() -> RimNetwork:
    """The network in use, its weights taken from its graph."""
    import onnx

    weights = {
        each.name: torch.from_numpy(onnx.numpy_helper.to_array(each).copy())
        for each in onnx.load(RIM_GRAPH).graph.initializer
    }
    network = RimNetwork()
    network.load_state_dict({name: weights[name] for name in network.state_dict()})
    return network


def export(network: RimNetwork, path: Path) -> None:
    """Write the graph: `rims`, `sides` of one object in; `radii`, `log_sd` out."""
    from training.export import forget_origin

    example = torch.zeros(1, N_RAYS, len(RIM_RHO)), torch.ones(1, 2)
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")  # the exporter warns about its own internals
        program = torch.onnx.export(
            network.cpu().eval(),
            example,
            dynamo=True,
            input_names=["rims", "sides"],
            output_names=["radii", "log_sd"],
            verbose=False,
        )
    assert program is not None
    model = program.model_proto
    forget_origin(model)
    path.write_bytes(model.SerializeToString())


def main(arguments: list[str] | None = None) -> int:
    """Train as the command line says."""
    parser = argparse.ArgumentParser(
        prog="python -m training.train_rim", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="folder for rim.onnx and rim.json")
    parser.add_argument("--scenes", type=int, default=24000, help="pictures to draw")
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--batch", type=int, default=512)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--workers", type=int, default=0, help="processes that draw")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--from-shipped", action="store_true", help="start from the network in use, not from nothing"
    )
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(options.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    started = time.monotonic()
    rims = draw_many(options.seed, options.scenes, options.workers, str(device))
    print(
        f"{len(rims.pictures)} pictures, {len(rims.groups)} objects, {time.monotonic() - started:.0f} s",
        flush=True,
    )
    reader = Reader(rims, device)
    is_held_out = rims.picture_of // len(candidate_groups()) % _HELD_OUT_EVERY == 0
    learnt, held_out = (
        torch.from_numpy(np.flatnonzero(which)).to(device) for which in (~is_held_out, is_held_out)
    )
    network = (read_shipped() if options.from_shipped else RimNetwork()).to(device)
    learn(
        network,
        reader,
        learnt,
        steps=options.steps,
        batch=options.batch,
        rate=options.rate,
        seed=options.seed,
    )
    network.eval()
    for passes in (1, 2):
        judge(network, reader, held_out, rims, passes=passes)
    torch.save(network.state_dict(), options.out / "rim.pt")
    export(network, options.out / "rim.onnx")
    command = (
        f"python -m training.train_rim --scenes {options.scenes} --steps {options.steps} "
        f"--batch {options.batch} --rate {options.rate} --seed {options.seed}"
        f"{' --from-shipped' if options.from_shipped else ''}"
    )
    record = {
        "graph_sha256": file_sha256(options.out / "rim.onnx"),
        "command": command,
        "n_pictures": len(rims.pictures),
        "n_objects_learnt": len(learnt),
    }
    if options.from_shipped:
        record["start"] = json.loads(RIM_GRAPH.with_suffix(".json").read_text(encoding="utf-8"))
    (options.out / "rim.json").write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
