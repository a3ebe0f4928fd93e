"""Train the small network that reads where a shell ends, on drawn objects whose outlines are known.

    python -m training.train_rim --out runs/rim --scenes 24000 --steps 6000 --workers 15 --seed 1

draws pictures from three quarters of the stocked objects (the rest are kept for `training.measure_bench`),
learns the radius of the shell on every ray of a disturbed frame together with the uncertainty of length and
width, and writes `rim.onnx` and `rim.json` to the folder. Every tenth picture is kept back; the printed bias
and coverage are those of its objects.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import time
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.rim_network import RimNetwork
from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind
from training.synthesize.processes import open_processes
from training.synthesize.render import render_scenes
from training.synthesize.scene import Scene, draw_scene
from training.synthesize.stock import Stock, StockSource, draw_stock, store_stocks
from training.synthesize.style import FIELD
from training.synthesize.truth import TileTruth
from triage.digests import file_sha256
from triage.groups import candidate_groups, read_groups
from triage.rim_frame import ANGLES, N_RAYS, RIM_RHO

STOCKS_LEARNT = 12
"""Of the 16 stocks of a kind; what is measured elsewhere comes from the others."""
SIDE_PX = 448
MOST_RADIUS_PX = 96.0
"""As in `triage.outline`: larger objects are read in a halved copy."""
_SCENES_AT_ONCE = 16
_LEAST_WIDTH_PX, _LEAST_SHOWN, _LEAST_VISIBLE = 10.0, 0.93, 0.15
_HELD_OUT_EVERY = 10
_PLAIN_SHARE = 0.08
_SIDE_WEIGHT, _SD_WEIGHT = 1.0, 0.1
_ERROR_UNIT = 0.02

STYLE = replace(
    FIELD,
    name="rims",
    object_px=(24.0, 330.0),
    least_candidates=1,
    candidates_per_mpx=(5.0, 25.0),
    look_alikes_per_mpx=(0.0, 8.0),
    centred=True,
    cluster_share=0.1,
    clutter=(0.0, 0.6),
    softness=(0.05, 1.6),
    resolved_px=(0.7, 4.0),
    eyepiece_share=0.0,
    marks_share=0.0,
)


@dataclass(frozen=True)
class Rims:
    """Drawn pictures and the objects in them whose outlines are known.

    Attributes
    ----------
    pictures : ndarray of shape (P, SIDE_PX, SIDE_PX), uint8
    picture_of : ndarray of shape (N,), int64
    outlines : ndarray of shape (N, 96, 2), float32
        Pixels.
    ellipses : ndarray of shape (N, 5), float32
        cx, cy, length, width, angle in radians.
    groups : ndarray of shape (N,), int64
        Row in `candidate_groups()`.
    focus_depths : ndarray of shape (N,), float32
        Distance from the plane of focus, in depths of field.
    """

    pictures: NDArray[np.uint8]
    picture_of: NDArray[np.int64]
    outlines: NDArray[np.float32]
    ellipses: NDArray[np.float32]
    groups: NDArray[np.int64]
    focus_depths: NDArray[np.float32]


def _learnt_only(source: StockSource, kind: Kind, number: int) -> Stock:
    return source(kind, number % STOCKS_LEARNT)


def draw_rims(seed: int, first: int, n: int, device: str, stocks: StockSource) -> Rims:
    """Scenes `first` to `first + n` of a series, group after group."""
    groups = candidate_groups()
    pictures, picture_of, outlines, ellipses, labels, depths = [], [], [], [], [], []
    for start in range(first, first + n, _SCENES_AT_ONCE):
        scenes = []
        for index in range(start, min(start + _SCENES_AT_ONCE, first + n)):
            group = groups[index % len(groups)]
            kinds = {
                name: kind for name, kind in KINDS.items() if kind.group == group or kind.group not in groups
            }
            scenes.append(
                draw_scene(
                    seed, index, STYLE, (SIDE_PX, SIDE_PX), kinds=kinds, stocks=partial(_learnt_only, stocks)
                )
            )
        tiles, truths = render_scenes(scenes, device)
        grey = tiles.float().mean(dim=1).round().to(torch.uint8).cpu().numpy()
        for row, (scene, truth) in enumerate(zip(scenes, truths, strict=True)):
            for outline, ellipse, label, depth in known_outlines(scene, truth):
                picture_of.append(start - first + row)
                outlines.append(outline)
                ellipses.append(ellipse)
                labels.append(label)
                depths.append(depth)
        pictures.append(grey)
    return Rims(
        np.concatenate(pictures),
        np.array(picture_of, np.int64),
        np.array(outlines, np.float32).reshape(-1, 96, 2),
        np.array(ellipses, np.float32).reshape(-1, 5),
        np.array(labels, np.int64),
        np.array(depths, np.float32),
    )


def known_outlines(
    scene: Scene, truth: TileTruth
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64], int, float]]:
    """Outline in pixels, ellipse, group and defocus of each whole candidate that can be seen."""
    drawn = []
    for things in scene.objects.values():
        cosine, sine = np.cos(things.angle_rad)[:, None], np.sin(things.angle_rad)[:, None]
        u, v = things.outline_um[..., 0], things.outline_um[..., 1]
        turned = np.stack([u * cosine - v * sine, u * sine + v * cosine], axis=-1)
        drawn.append(things.centre_xy[:, None] + turned / scene.um_per_px)
    if not drawn:
        return
    outlines = np.concatenate(drawn)
    middles = outlines.mean(axis=1)
    names = [group.name for group in read_groups()]
    for row, label in enumerate(truth.labels):
        is_seen = truth.shown[row] >= _LEAST_SHOWN and truth.visible[row] >= _LEAST_VISIBLE
        if names[label] not in candidate_groups() or truth.is_truncated[row] or not is_seen:
            continue
        ellipse = truth.ellipses[row].copy()
        if ellipse[3] < _LEAST_WIDTH_PX:
            continue
        nearest = int(np.hypot(*(middles - ellipse[:2]).T).argmin())
        ellipse[4] = np.deg2rad(ellipse[4])
        group = candidate_groups().index(names[label])
        yield outlines[nearest], ellipse, group, float(truth.focus_depths[row])


def draw_many(seed: int, n: int, workers: int, device: str) -> Rims:
    """`n` scenes, drawn by `workers` processes side by side."""
    if workers == 0:
        return draw_rims(seed, 0, n, device, draw_stock)
    part = 16 * _SCENES_AT_ONCE
    starts = range(0, n, part)
    with TemporaryDirectory(prefix="coverslip-stocks-") as folder:
        stocks = store_stocks(Path(folder), workers=workers)
        with open_processes(workers) as pool:
            parts = list(_in_order(pool, seed, starts, n, part, device, stocks))
    return join_rims(parts)


def join_rims(parts: Sequence[Rims]) -> Rims:
    """The pictures and objects of several parts, in their order."""
    before = np.cumsum([0, *(len(one.pictures) for one in parts[:-1])])
    return Rims(
        np.concatenate([one.pictures for one in parts]),
        np.concatenate([one.picture_of + shift for one, shift in zip(parts, before, strict=True)]),
        *(
            np.concatenate([getattr(one, name) for one in parts])
            for name in ("outlines", "ellipses", "groups", "focus_depths")
        ),
    )


def _in_order(
    pool: ProcessPoolExecutor, seed: int, starts: range, n: int, part: int, device: str, stocks: StockSource
) -> Iterator[Rims]:
    waiting = [pool.submit(draw_rims, seed, start, min(part, n - start), device, stocks) for start in starts]
    for each in waiting:
        yield each.result()


def disturb(ellipses: Tensor, generator: torch.Generator) -> Tensor:
    """Frames as a search may find them: most a few percent off, some far off."""
    n, device = len(ellipses), ellipses.device

    def normal(*shape: int) -> Tensor:
        return torch.randn(*shape, device=device, generator=generator)

    strength = torch.tensor([0.25, 1.0, 2.2], device=device)[
        torch.multinomial(
            torch.tensor([0.35, 0.5, 0.15], device=device), n, replacement=True, generator=generator
        )
    ]
    place = normal(n, 2) * 0.025 * strength[:, None] * ellipses[:, 3:4]
    sides = (normal(n, 2) * 0.05 * strength[:, None] + normal(n, 1) * 0.03 * strength[:, None]).exp()
    turn = normal(n) * 0.07 * strength
    frames = torch.stack(
        [
            ellipses[:, 0] + place[:, 0],
            ellipses[:, 1] + place[:, 1],
            ellipses[:, 2] * sides[:, 0],
            ellipses[:, 3] * sides[:, 1],
            ellipses[:, 4] + turn,
        ],
        dim=1,
    )
    return frames


def place(frames: Tensor, radii: Tensor) -> Tensor:
    """Points (B, N_RAYS, ..., 2) at radii (B, N_RAYS, ...) on the rays of frames (B, 5)."""
    shape = (-1, *(1,) * (radii.ndim - 1))
    cx, cy, length, width, turn = (column.reshape(shape) for column in frames.unbind(1))
    angles = torch.as_tensor(ANGLES, dtype=radii.dtype, device=radii.device)
    angles = angles.reshape(1, N_RAYS, *(1,) * (radii.ndim - 2))
    along, across = radii * angles.cos() * length / 2, radii * angles.sin() * width / 2
    x = cx + along * turn.cos() - across * turn.sin()
    y = cy + along * turn.sin() + across * turn.cos()
    return torch.stack([x, y], dim=-1)


def true_radii(frames: Tensor, outlines: Tensor) -> Tensor:
    """Distance (B, N_RAYS), in the frames, to the farthest crossing of each ray with the outlines."""
    cx, cy, length, width, turn = (column[:, None] for column in frames.unbind(1))
    x, y = outlines[..., 0] - cx, outlines[..., 1] - cy
    u = (x * turn.cos() + y * turn.sin()) * 2 / length
    v = (y * turn.cos() - x * turn.sin()) * 2 / width
    du, dv = torch.roll(u, -1, 1) - u, torch.roll(v, -1, 1) - v
    angles = torch.as_tensor(ANGLES, dtype=u.dtype, device=u.device)[None, :, None]
    cos, sin = angles.cos(), angles.sin()
    u, v, du, dv = (each[:, None] for each in (u, v, du, dv))
    twist = cos * dv - sin * du
    twist = torch.where(twist.abs() < 1e-9, torch.full_like(twist, 1e-9), twist)
    distance = (u * dv - v * du) / twist
    share = (u * sin - v * cos) / twist
    hit = (share >= -1e-4) & (share <= 1 + 1e-4) & (distance > 0)
    return torch.where(hit, distance, torch.zeros_like(distance)).amax(dim=2)


def extents(points: Tensor) -> Tensor:
    """Length and width (B, 2) of closed polygons, as `triage.outline.measure_moments` gives them."""
    middle = points.mean(dim=1, keepdim=True)
    x, y = (points - middle).unbind(-1)
    next_x, next_y = torch.roll(x, -1, 1), torch.roll(y, -1, 1)
    cross = x * next_y - next_x * y
    area = cross.sum(1) / 2
    mx, my = ((x + next_x) * cross).sum(1) / (6 * area), ((y + next_y) * cross).sum(1) / (6 * area)
    xx = ((x * x + x * next_x + next_x * next_x) * cross).sum(1) / (12 * area) - mx * mx
    yy = ((y * y + y * next_y + next_y * next_y) * cross).sum(1) / (12 * area) - my * my
    xy = ((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) * cross).sum(1) / (24 * area) - mx * my
    turn = (0.5 * torch.atan2(2 * xy, xx - yy)).detach()[:, None]
    along, across = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    sides = torch.stack([along.amax(1) - along.amin(1), across.amax(1) - across.amin(1)], dim=1)
    return sides.sort(dim=1, descending=True).values


class Reader:
    """Reads rims of drawn pictures that lie on a device."""

    def __init__(self, rims: Rims, device: torch.device) -> None:
        self.pictures = torch.from_numpy(rims.pictures).to(device)
        self.picture_of = torch.from_numpy(rims.picture_of).to(device)
        self.outlines = torch.from_numpy(rims.outlines).to(device)
        self.ellipses = torch.from_numpy(rims.ellipses).to(device)

    def read(self, rows: Tensor, frames: Tensor, halve: Tensor) -> Tensor:
        """Grey values (B, N_RAYS, len(RIM_RHO)); where `halve`, of a copy of half as many pixels a side."""
        rho = torch.as_tensor(RIM_RHO, dtype=torch.float32, device=frames.device)
        points = place(frames, rho.expand(len(frames), N_RAYS, len(rho)))
        whole = self._look_up(rows, points - 0.5)
        if not bool(halve.any()):
            return whole
        quarters = [
            self._look_up(rows, points - 1.0, step=2, right=right, down=down)
            for right in (0, 1)
            for down in (0, 1)
        ]
        return torch.where(halve[:, None, None], sum(quarters) / 4, whole)

    def _look_up(self, rows: Tensor, points: Tensor, step: int = 1, right: int = 0, down: int = 0) -> Tensor:
        """Brightness by linear interpolation between every `step`-th pixel from `right`, `down` on."""
        height, width = self.pictures.shape[1:]
        x = (points[..., 0] / step).clamp(0, width // step - 1.001)
        y = (points[..., 1] / step).clamp(0, height // step - 1.001)
        left, top = x.floor(), y.floor()
        to_right, to_below = x - left, y - top
        first = self.picture_of[rows].reshape(-1, 1, 1) * (height * width) + down * width + right
        at = first + (top.long() * width + left.long()) * step
        flat = self.pictures.reshape(-1)
        below = width * step
        upper = flat[at].float() * (1 - to_right) + flat[at + step].float() * to_right
        lower = flat[at + below].float() * (1 - to_right) + flat[at + below + step].float() * to_right
        return upper * (1 - to_below) + lower * to_below


def draw_plain(frames: Tensor, ellipses: Tensor, generator: torch.Generator) -> Tensor:
    """Grey values of plain discs and rings in the frames; their edge is where brightness changes fastest."""
    n, device = len(frames), frames.device

    def even(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, device=device, generator=generator)

    rho = torch.as_tensor(RIM_RHO, dtype=torch.float32, device=device)
    points = place(frames, rho.expand(n, N_RAYS, len(rho)))
    cx, cy, length, width, turn = (column.reshape(-1, 1, 1) for column in ellipses.unbind(1))
    x, y = points[..., 0] - cx, points[..., 1] - cy
    u, v = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    reach = torch.hypot(2 * u / length, 2 * v / width).clamp_min(1e-3)
    slope = torch.hypot(4 * u / length**2, 4 * v / width**2) / reach
    distance = (reach - 1) / slope.clamp_min(1e-6)
    blur = even(0.6, 1.0) + even(0, 1) ** 2 * 0.04 * width
    thickness = even(0.06, 0.5) * width

    def inside(far: Tensor) -> Tensor:
        return torch.special.ndtr(-far / blur)

    depth = even(20, 120)
    refill = even(0, 1) * (even(0, 1) < 0.6)
    grey = 200 - depth * (inside(distance) - refill * inside(distance + thickness))
    noise = torch.randn(grey.shape, device=device, generator=generator)
    return (grey + noise * even(0.2, 6)).clamp(0, 255)


def look_otherwise(rims: Tensor, generator: torch.Generator) -> Tensor:
    """The same rims in other light: gamma, grain, now and then bright on dark."""
    n, device = len(rims), rims.device

    def even(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, device=device, generator=generator)

    seen = 255 * (rims.clamp_min(0) / 255) ** torch.exp(even(-0.4, 0.4))
    seen = torch.where(even(0, 1) < 0.06, 255 - seen, seen)
    grain = torch.randn(seen.shape, device=device, generator=generator)
    return (seen + grain * 3 * even(0, 1) ** 3).clamp(0, 255)


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
        frames = disturb(truth, generator)
        radius = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt()
        at_will = torch.rand(batch, device=device, generator=generator) < 0.15
        halve = (radius > MOST_RADIUS_PX) | ((radius > 24) & at_will)
        seen = look_otherwise(reader.read(chosen, frames, halve), generator)
        wanted = true_radii(frames, outlines)
        wanted_sides = extents(outlines)
        n_plain = round(_PLAIN_SHARE * batch)
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


def _bend_outliers(error: Tensor) -> Tensor:
    """Squares up to 4 units, then straight: the mean must be right, not the median."""
    return torch.nn.functional.huber_loss(error, torch.zeros_like(error), reduction="none", delta=4.0)


def _unlikeliness(error: Tensor, log_sd: Tensor) -> Tensor:
    """Of Student's t with five degrees of freedom: a few gross errors must not decide the rest."""
    return log_sd + 3 * torch.log1p((error / log_sd.exp()) ** 2 / 5)


@torch.no_grad()
def judge(network: RimNetwork, reader: Reader, rows: Tensor, rims: Rims, *, passes: int, seed: int) -> None:
    """Print bias, scatter and coverage of the objects `rows` by group and focus."""
    generator = torch.Generator(device=rows.device)
    generator.manual_seed(seed)
    errors, sds = [], []
    for some in rows.split(1024):
        frames = disturb(reader.ellipses[some], generator)
        for _ in range(passes):
            halve = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt() > MOST_RADIUS_PX
            sides = frames[:, 2:4] / torch.where(halve, 2.0, 1.0)[:, None]
            radii, log_sd = network(reader.read(some, frames, halve), sides)
            points = place(frames, radii)
            frames = frame_around(points)
        errors.append(extents(points) / extents(reader.outlines[some]) - 1)
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


def frame_around(points: Tensor) -> Tensor:
    """Ellipses (B, 5) that span closed polygons along and across the long axis of their area."""
    x, y = points.unbind(-1)
    middle = points.mean(dim=1, keepdim=True)
    u, v = (points - middle).unbind(-1)
    next_u, next_v = torch.roll(u, -1, 1), torch.roll(v, -1, 1)
    cross = u * next_v - next_u * v
    xx = ((u * u + u * next_u + next_u * next_u) * cross).sum(1)
    yy = ((v * v + v * next_v + next_v * next_v) * cross).sum(1)
    xy = ((u * next_v + 2 * u * v + 2 * next_u * next_v + next_u * v) * cross).sum(1) / 2
    turn = 0.5 * torch.atan2(2 * xy, xx - yy)
    cos, sin = turn.cos()[:, None], turn.sin()[:, None]
    along, across = x * cos + y * sin, y * cos - x * sin
    mid_u, mid_v = (each.amax(1) / 2 + each.amin(1) / 2 for each in (along, across))
    return torch.stack(
        [
            mid_u * turn.cos() - mid_v * turn.sin(),
            mid_u * turn.sin() + mid_v * turn.cos(),
            along.amax(1) - along.amin(1),
            across.amax(1) - across.amin(1),
            turn,
        ],
        dim=1,
    )


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
    network = RimNetwork().to(device)
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
        judge(network, reader, held_out, rims, passes=passes, seed=options.seed)
    torch.save(network.state_dict(), options.out / "rim.pt")
    export(network, options.out / "rim.onnx")
    command = (
        f"python -m training.train_rim --scenes {options.scenes} --steps {options.steps} "
        f"--batch {options.batch} --rate {options.rate} --seed {options.seed}"
    )
    record = {
        "graph_sha256": file_sha256(options.out / "rim.onnx"),
        "command": command,
        "n_pictures": len(rims.pictures),
        "n_objects_learnt": len(learnt),
    }
    (options.out / "rim.json").write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
