"""What one step of the network that reads rims is taught: objects of drawn pictures, and plain forms."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.plain_forms import draw_shapes
from training.rim_frames import choose_frames, disturb, extents, frame_around, place, true_radii
from training.rim_network import RimNetwork
from training.rim_reading import Reader, look_otherwise, mirror
from training.rim_settings import RimSettings
from training.rim_strata import PLAIN_STRATUM, STRATA_OF_ONE
from triage.rim_frame import N_RAYS

MOST_RADIUS_PX = 96.0
"""As in `triage.outline`: larger objects are read in a halved copy."""
_HALVED_SHARE, _LEAST_HALVED_RADIUS_PX = 0.15, 24.0


@dataclass(frozen=True)
class Lesson:
    """Rims in frames and what is to be read of them.

    Attributes
    ----------
    seen : Tensor of shape (B, N_RAYS, len(RIM_RHO))
    frames : Tensor of shape (B, 5)
    read_sides : Tensor of shape (B, 2)
        Sides of the frames in pixels of the picture that was read.
    radii : Tensor of shape (B, N_RAYS)
    sides : Tensor of shape (B, 2)
    strata : Tensor of shape (B, STRATA_OF_ONE), int64
    is_last : Tensor of shape (B,), bool
        Read as the tool reads last: the second time, begun where the search ended.
    """

    seen: Tensor
    frames: Tensor
    read_sides: Tensor
    radii: Tensor
    sides: Tensor
    strata: Tensor
    is_last: Tensor

    def join(self, other: Lesson) -> Lesson:
        """Both, one after the other."""
        return Lesson(*(torch.cat([mine, vars(other)[name]]) for name, mine in vars(self).items()))


def give_lesson(
    network: RimNetwork, reader: Reader, rows: Tensor, settings: RimSettings, generator: torch.Generator
) -> Lesson:
    """A batch, the objects out of `rows`."""
    n_plain = round(settings.plain.share * settings.batch)
    n_objects = settings.batch - n_plain
    chosen = rows[torch.randint(len(rows), (n_objects,), device=rows.device, generator=generator)]
    objects = show_objects(network, reader, chosen, settings, generator)
    return objects.join(show_plain(network, n_plain, settings, generator))


def show_objects(
    network: RimNetwork, reader: Reader, rows: Tensor, settings: RimSettings, generator: torch.Generator
) -> Lesson:
    """Objects as the search leaves them, as a second reading sees them, or in disturbed true frames.

    Some are mirrored: what is seen and read on the rays, not the frame, so that sides stay as they are.
    """
    outlines = reader.outlines[rows]
    frames, is_searched = choose_frames(
        reader.ellipses[rows], reader.searched[rows], settings.searched_share, generator
    )
    radius = 0.5 * (frames[:, 2] * frames[:, 3]).sqrt()
    at_will = torch.rand(len(rows), device=rows.device, generator=generator) < _HALVED_SHARE
    halve = (radius > MOST_RADIUS_PX) | ((radius > _LEAST_HALVED_RADIUS_PX) & at_will)
    is_second = torch.rand(len(rows), device=rows.device, generator=generator) < settings.read_twice_share
    if bool(is_second.any()):
        some = rows[is_second], frames[is_second], halve[is_second]
        frames[is_second] = read_once(network, reader, *some)
    seen = look_otherwise(reader.read(rows, frames, halve), generator)
    seen, radii = mirror(seen, true_radii(frames, outlines), generator)
    return Lesson(
        seen,
        frames,
        sides_in_read(frames, halve),
        radii,
        extents(outlines),
        reader.strata[rows],
        is_searched & is_second,
    )


def show_plain(network: RimNetwork, n: int, settings: RimSettings, generator: torch.Generator) -> Lesson:
    """Plain forms in disturbed frames, or as a second reading sees them."""
    shapes = draw_shapes(n, settings.plain, generator)
    truth = shapes.ellipses
    frames = disturb(truth, generator)
    seen = shapes.read(frames, generator)
    is_second = torch.rand(n, device=truth.device, generator=generator) < settings.read_twice_share
    again = torch.where(is_second[:, None], _frames_read(network, seen, frames, frames[:, 2:4]), frames)
    seen = look_otherwise(shapes.read(again, generator), generator)
    outlines = place(truth, torch.ones(n, N_RAYS, device=truth.device))
    strata = torch.full((n, STRATA_OF_ONE), PLAIN_STRATUM, device=truth.device)
    return Lesson(seen, again, again[:, 2:4], true_radii(again, outlines), truth[:, 2:4], strata, is_second)


def read_once(network: RimNetwork, reader: Reader, rows: Tensor, frames: Tensor, halve: Tensor) -> Tensor:
    """Frames around what is read of the rims in frames (B, 5)."""
    return _frames_read(network, reader.read(rows, frames, halve), frames, sides_in_read(frames, halve))


@torch.no_grad()
def _frames_read(network: RimNetwork, seen: Tensor, frames: Tensor, read_sides: Tensor) -> Tensor:
    radii, _ = network(seen, read_sides)
    return frame_around(place(frames, radii))


def sides_in_read(frames: Tensor, halve: Tensor) -> Tensor:
    """Sides (B, 2) of frames in pixels of the picture that is read, or of its halved copy."""
    return frames[:, 2:4] / torch.where(halve, 2.0, 1.0)[:, None]
