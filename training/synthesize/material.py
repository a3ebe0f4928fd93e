"""What light meets: sample points of many objects at once, and the material found there.

Every object of one kind in a whole batch of tiles is drawn in one call. The pixels that the objects
cover are laid end to end in flat tensors ("samples"), so that objects of any size share the work and
nothing is padded.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor


@dataclass(frozen=True)
class Samples:
    """Flat sample points of `n_objects` objects of one kind.

    Attributes
    ----------
    u_um, v_um : Tensor of shape (S,)
        Place of each sample in its object's own frame, in µm: origin at the centre of the object,
        u along the long axis.
    owner : Tensor of shape (S,), int64
        Index of the object that each sample belongs to, `0 <= owner < n_objects`.
    n_objects : int
        Number of objects; 0 is valid.
    um_per_px : Tensor of shape (n_objects,)
        Pixel size at each object, for edges no sharper than the picture resolves.
    texture : Tensor of shape (C, T + 1, T + 1)
        Tileable smooth noise, zero mean, unit deviation, one octave a channel
        (period of channel c is 2**c lattice cells), its first row and column repeated behind the last;
        sample it with `sample_texture`.
    offset : Tensor of shape (n_objects, 2)
        Random shift of each object in the texture, so that no two look alike.
    """

    u_um: Tensor
    v_um: Tensor
    owner: Tensor
    n_objects: int
    um_per_px: Tensor
    texture: Tensor
    offset: Tensor

    def of(self, per_object: Tensor) -> Tensor:
        """A per-object value (n_objects, ...) spread over the samples (S, ...)."""
        return per_object[self.owner]

    def sample_texture(self, channel: int, cell_um: Tensor | float) -> Tensor:
        """Smooth noise (S,) whose lattice cell is `cell_um` wide, drawn anew for each object.

        `cell_um` is a number or a tensor (n_objects,).
        """
        size = self.texture.shape[-1] - 1
        cell = self.of(cell_um) if isinstance(cell_um, Tensor) else cell_um
        step = size / 2**channel
        x = self.u_um / cell * step + self.of(self.offset[:, 0]) * size
        y = self.v_um / cell * step + self.of(self.offset[:, 1]) * size
        return sample_plane(self.texture[channel], x, y)


@dataclass(frozen=True)
class Material:
    """What stands in the light at each sample.

    Attributes
    ----------
    density : Tensor of shape (S, 3)
        Optical density (base e) taken out of red, green and blue; 0 is clear fluid, above 0.
    path_um : Tensor of shape (S,)
        Optical path in µm beyond that of the fluid; above 0 where the material is denser than the fluid.
        Its slope bends the light: this is what draws bright and dark halos out of focus.
    """

    density: Tensor
    path_um: Tensor


def sample_plane(plane: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """Bilinear value, at texel places `x`, `y`, of a tileable square.

    `plane` (T + 1, T + 1) repeats its first row and column behind its last ones.
    """
    size = plane.shape[-1] - 1
    place = torch.stack([x, y], dim=-1).remainder_(size).mul_(2 / size).sub_(1)
    values = torch.nn.functional.grid_sample(
        plane[None, None], place.reshape(1, 1, -1, 2), padding_mode="border", align_corners=True
    )
    return values.view(x.shape)


def soft_step(distance_um: Tensor, edge_um: Tensor | float) -> Tensor:
    """1 inside (distance below 0), 0 outside, with a linear ramp `edge_um` wide centred on 0."""
    return (0.5 - distance_um / edge_um).clamp(0.0, 1.0)
