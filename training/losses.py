"""How wrong a head's map is, against the objects that were drawn or marked in its tiles.

Heat is learnt everywhere: 1 at the centre of a candidate, less around it, 0 elsewhere, and 0 with extra
weight at look-alikes, which are the hard cases. Groups, boxes and ellipses are learnt only around centres,
groups at look-alikes too.

References
----------
Heat: penalty-reduced focal loss of Law & Deng 2018, "CornerNet" (arXiv 1808.01244), as used for centres by
Zhou et al. 2019, "Objects as Points" (arXiv 1904.07850). Boxes: Rezatofighi et al. 2019, "Generalized
Intersection over Union" (CVPR), from torchvision.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F
from torchvision.ops import generalized_box_iou_loss

from training.synthesize.sight import LEAST_VISIBLE
from triage.head import BOX_UNIT_PX, ELLIPSE_UNIT_PX, LOG_RANGE, STRIDE_PX, HeadLayout

CENTRE_SPREAD = 0.28
"""Deviation of the heat around a centre, as a share of the object's half length and half width."""
SMALLEST_SPREAD_PX = 0.45 * STRIDE_PX
CENTRE_FLOOR = 0.4
"""Cells whose share of a centre is above this learn its group, box and ellipse."""
CLEAR_FRACTION = 0.8
"""From here on an object counts in full."""
LEAST_WEIGHT = 0.3
"""What an object counts that can only just be seen; it rises from here to 1 at `CLEAR_FRACTION`."""
HIDDEN_FLOOR = 0.05
"""Cells with more than this share of an object that can't be seen are left out of the heat."""
WHOLE_FRACTION = 0.8
"""An outline is learnt only where at least this much of the object is visible."""
LOOK_ALIKE_WEIGHT = 3.0
"""Extra weight of heat at the centre of a look-alike."""


Total = Callable[[Tensor], Tensor]
"""Sums a number over all processes that share a batch."""


def _alone(number: Tensor) -> Tensor:
    """The sum over one process."""
    return number


@dataclass(frozen=True)
class Objects:
    """All objects of a batch of tiles, end to end.

    Attributes
    ----------
    tile : Tensor of shape (M,), int64
        Index of the tile that each object lies in.
    boxes_xyxy : Tensor of shape (M, 4)
        Pixel edges in the tile, clipped to it.
    ellipses : Tensor of shape (M, 5)
        `cx, cy, length_px, width_px, angle_deg`; NaN where no whole outline is known.
    labels : Tensor of shape (M,), int64
        Row of the group table, or -1 where the group is unknown.
    is_look_alike : Tensor of shape (M,), bool
        True for what must not be proposed.
    visible : Tensor of shape (M,)
        Fraction of the object that can be seen: inside the tile, not covered, not lost in blur.
    """

    tile: Tensor
    boxes_xyxy: Tensor
    ellipses: Tensor
    labels: Tensor
    is_look_alike: Tensor
    visible: Tensor

    def __len__(self) -> int:
        return len(self.tile)

    @property
    def weight(self) -> Tensor:
        """How much each object counts, (M,): nobody would insist on what hardly shows."""
        share = (self.visible - LEAST_VISIBLE) / (CLEAR_FRACTION - LEAST_VISIBLE)
        rising = LEAST_WEIGHT + (1 - LEAST_WEIGHT) * share.clamp(max=1.0)
        return torch.where(self.visible >= LEAST_VISIBLE, rising, torch.zeros_like(rising))

    def take(self, chosen: Tensor) -> Objects:
        """The chosen objects, by mask or index."""
        return Objects(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def to(self, device: torch.device) -> Objects:
        """The same objects on another device."""
        return Objects(*(getattr(self, name).to(device) for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class LossWeights:
    """How much each part counts."""

    heat: float = 1.0
    group: float = 1.0
    box: float = 2.0
    ellipse: float = 1.0


def detection_losses(
    head: Tensor,
    objects: Objects,
    layout: HeadLayout,
    weights: LossWeights | None = None,
    *,
    total: Total = _alone,
) -> dict[str, Tensor]:
    """The parts of the loss and their weighted sum under `total`.

    Parameters
    ----------
    head : Tensor of shape (N, layout.n_channels, H, W)
        What the network said.
    objects : Objects
        What is in the tiles; may be empty.
    layout : HeadLayout
        Says which channel holds what.
    weights : LossWeights, optional
        How much each part counts.
    total : callable, optional
        Sums a number over the processes that share a batch; the losses of all processes then add up to that
        of the whole batch.

    Returns
    -------
    losses : dict of str to Tensor
        `heat`, `group`, `box`, `ellipse` and `total`, scalars.
    """
    weights = weights or LossWeights()
    head = head.float()
    shape_nhw = (head.shape[0], head.shape[2], head.shape[3])
    shares = centre_shares(objects, shape_nhw)
    places = _find_places(objects, shares, head.shape[0], total)
    parts = {
        "heat": heat_loss(head[:, layout.heat], objects, shares, total=total),
        "group": group_loss(head[:, layout.groups], objects, places),
        "box": box_loss(head[:, layout.box], objects, places),
        "ellipse": ellipse_loss(head[:, layout.ellipse], objects, places),
    }
    whole = sum((getattr(weights, name) * part for name, part in parts.items()), head.new_zeros(()))
    return {**parts, "total": whole}


def cell_centres(shape_hw: tuple[int, int], device: torch.device) -> tuple[Tensor, Tensor]:
    """Pixel coordinates x (W,) and y (H,) of the centres of the head's cells."""
    x = (torch.arange(shape_hw[1], device=device, dtype=torch.float32) + 0.5) * STRIDE_PX
    y = (torch.arange(shape_hw[0], device=device, dtype=torch.float32) + 0.5) * STRIDE_PX
    return x, y


def centre_shares(objects: Objects, shape_nhw: tuple[int, int, int]) -> Tensor:
    """How near each cell is to the centre of each object: (M, H, W), 1 in the cell that holds the centre.

    The fall-off follows the object's own ellipse where it is known, else its box, so that a long egg
    lying askew claims cells along its own axis.
    """
    x, y = cell_centres(shape_nhw[1:], objects.boxes_xyxy.device)
    centre, half, cos, sin = _spread_frame(objects)
    dx = x[None, None, :] - centre[:, 0, None, None]
    dy = y[None, :, None] - centre[:, 1, None, None]
    along = (dx * cos[:, None, None] + dy * sin[:, None, None]) / half[:, 0, None, None]
    across = (dy * cos[:, None, None] - dx * sin[:, None, None]) / half[:, 1, None, None]
    shares = torch.exp(-0.5 * (along**2 + across**2))
    rows, columns = _centre_cells(objects, shape_nhw)
    shares[torch.arange(len(objects), device=shares.device), rows, columns] = 1.0
    return shares


def _spread_frame(objects: Objects) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Centre (M, 2), deviations along and across (M, 2), cosine and sine of the long axis."""
    box = objects.boxes_xyxy
    centre = (box[:, :2] + box[:, 2:]) / 2
    whole = (objects.visible >= WHOLE_FRACTION) & objects.ellipses.isfinite().all(dim=1)
    half_box = (box[:, 2:] - box[:, :2]) / 2
    half = torch.where(whole[:, None], objects.ellipses[:, 2:4] / 2, half_box) * CENTRE_SPREAD
    angle = torch.where(whole, torch.deg2rad(objects.ellipses[:, 4]), torch.zeros_like(half[:, 0]))
    return centre, half.clamp(min=SMALLEST_SPREAD_PX), torch.cos(angle), torch.sin(angle)


def _centre_cells(objects: Objects, shape_nhw: tuple[int, int, int]) -> tuple[Tensor, Tensor]:
    """Row and column (M,) of the cell that holds the centre of each box."""
    box = objects.boxes_xyxy
    cells = ((box[:, :2] + box[:, 2:]) / 2 / STRIDE_PX).long()
    return cells[:, 1].clamp(0, shape_nhw[1] - 1), cells[:, 0].clamp(0, shape_nhw[2] - 1)


def _strongest(shares: Tensor, tile: Tensor, n_tiles: int) -> Tensor:
    """The largest share in each cell of each tile: (N, H, W), 0 where no object is near."""
    empty = shares.new_zeros((n_tiles, *shares.shape[1:]))
    where = tile[:, None, None].expand_as(shares)
    return empty.scatter_reduce(0, where, shares, "amax")


def heat_loss(logits: Tensor, objects: Objects, shares: Tensor, *, total: Total = _alone) -> Tensor:
    """Penalty-reduced focal loss of the heat (N, H, W), over the number of wanted objects.

    Around objects that nobody could see nothing is asked, of faint ones less is asked.
    """
    n_tiles = logits.shape[0]
    alike = objects.is_look_alike
    wanted = (objects.weight > 0) & ~alike
    unseen = (objects.weight == 0) & ~alike
    target = _strongest(shares[wanted], objects.tile[wanted], n_tiles)
    forbidden = _strongest(shares[alike], objects.tile[alike], n_tiles)
    ignored = _strongest(shares[unseen], objects.tile[unseen], n_tiles) > HIDDEN_FLOOR
    asked = _centre_weights(objects.take(wanted), shares[wanted], n_tiles)
    heat = torch.sigmoid(logits)
    centre = -F.logsigmoid(logits) * (1 - heat) ** 2 * asked
    weight = (1 - target) ** 4 * (1 + LOOK_ALIKE_WEIGHT * forbidden) * ~((target >= 1.0) | ignored)
    around = -F.logsigmoid(-logits) * heat**2 * weight
    n_wanted = torch.maximum(total(asked.sum()), total(asked.new_tensor(float(n_tiles))))
    return (centre.sum() + around.sum()) / n_wanted


def _centre_weights(objects: Objects, shares: Tensor, n_tiles: int) -> Tensor:
    """How much is asked of each cell (N, H, W): the weight of the object whose centre it holds, else 0."""
    return _strongest((shares >= 1.0) * objects.weight[:, None, None], objects.tile, n_tiles)


@dataclass(frozen=True)
class _Places:
    """Cells that learn from an object: which object, and the row and column of the cell; all (P,)."""

    owner: Tensor
    row: Tensor
    column: Tensor
    weight: Tensor
    total: Total

    def read(self, maps: Tensor, tile: Tensor) -> Tensor:
        """The values (P, C) of maps (N, C, H, W) at the places."""
        return maps[tile[self.owner], :, self.row, self.column]

    def average(self, losses: Tensor, valid: Tensor | None = None) -> Tensor:
        """Mean of losses (P,) in which an object counts by its weight, however many cells it has."""
        weight = self.weight if valid is None else self.weight * valid
        return (losses * weight).sum() / self.total(weight.sum()).clamp(min=1.0)


def _find_places(objects: Objects, shares: Tensor, n_tiles: int, total: Total) -> _Places:
    """Cells near a centre, each given to the object whose centre it is nearest to."""
    shown = objects.weight > 0
    strongest = _strongest(shares[shown], objects.tile[shown], n_tiles)
    is_place = (shares >= strongest[objects.tile]) & (shares > CENTRE_FLOOR) & shown[:, None, None]
    owner, row, column = torch.nonzero(is_place, as_tuple=True)
    share = shares[owner, row, column]
    per_object = torch.zeros_like(objects.visible).index_add(0, owner, share).clamp(min=1e-6)
    weight = share / per_object[owner] * objects.weight[owner]
    return _Places(owner, row, column, weight, total)


def group_loss(logits: Tensor, objects: Objects, places: _Places) -> Tensor:
    """Cross-entropy of the group logits (N, G, H, W) at candidates and look-alikes whose group is known."""
    labels = objects.labels[places.owner]
    losses = F.cross_entropy(
        places.read(logits, objects.tile), labels.clamp(min=0), reduction="none", label_smoothing=0.02
    )
    return places.average(losses, labels >= 0)


def box_loss(raw: Tensor, objects: Objects, places: _Places) -> Tensor:
    """Generalised IoU of the box (N, 4, H, W), plus its edges on a logarithmic scale."""
    x, y = cell_centres((raw.shape[2], raw.shape[3]), raw.device)
    corners = torch.stack((x[places.column], y[places.row]), dim=1)
    true = objects.boxes_xyxy[places.owner]
    said = places.read(raw, objects.tile)
    far = torch.exp(said.clamp(*LOG_RANGE)) * BOX_UNIT_PX
    boxes = torch.cat((corners - far[:, :2], corners + far[:, 2:]), dim=1)
    wanted = torch.cat((corners - true[:, :2], true[:, 2:] - corners), dim=1).clamp(min=1.0)
    on_log = F.smooth_l1_loss(said, torch.log(wanted / BOX_UNIT_PX), reduction="none", beta=0.1).mean(dim=1)
    return places.average(generalized_box_iou_loss(boxes, true) + 0.5 * on_log)


def ellipse_loss(raw: Tensor, objects: Objects, places: _Places) -> Tensor:
    """Distance of the ellipse (N, 6, H, W) where a whole outline is known.

    Direction counts in proportion to how long the object is: a circle has none.
    """
    x, y = cell_centres((raw.shape[2], raw.shape[3]), raw.device)
    true = objects.ellipses[places.owner]
    valid = (objects.visible[places.owner] >= WHOLE_FRACTION) & true.isfinite().all(dim=1)
    true = torch.where(valid[:, None], true, torch.ones_like(true))
    said = places.read(raw, objects.tile)
    sides = torch.log(true[:, 2:4] / ELLIPSE_UNIT_PX)
    double = torch.deg2rad(true[:, 4]) * 2
    direction = torch.stack((torch.cos(double), torch.sin(double)), dim=1)
    offset = torch.stack((true[:, 0] - x[places.column], true[:, 1] - y[places.row]), dim=1)
    length = true[:, 2:3]
    elongation = (1 - true[:, 3] / true[:, 2]).clamp(0, 1)
    losses = (
        _distance(said[:, 0:2], sides)
        + elongation * _distance(said[:, 2:4], direction)
        + _distance(said[:, 4:6] * ELLIPSE_UNIT_PX / length, offset / length)
    )
    return places.average(losses, valid)


def _distance(said: Tensor, true: Tensor) -> Tensor:
    """Smooth absolute difference summed over the last axis."""
    return F.smooth_l1_loss(said, true, reduction="none", beta=0.1).sum(dim=1)


def gather_objects(targets: Sequence[dict[str, Tensor]], n_candidate_groups: int) -> Objects:
    """The objects of a batch, from one target per tile.

    Parameters
    ----------
    targets : sequence of dict
        `boxes` (M, 4), `labels` (M,) and, where known, `ellipses` (M, 5) and `visible` (M,).
    n_candidate_groups : int
        Labels at or above it are look-alikes.

    Returns
    -------
    objects : Objects
        On the device of the targets.
    """
    boxes = torch.cat([target["boxes"].reshape(-1, 4) for target in targets]).float()
    labels = torch.cat([target["labels"].reshape(-1) for target in targets]).long()
    counts = torch.tensor([len(target["labels"]) for target in targets], device=boxes.device)
    unknown = boxes.new_full((len(boxes), 5), float("nan"))
    has_ellipses = all("ellipses" in target for target in targets)
    has_visible = all("visible" in target for target in targets)
    return Objects(
        tile=torch.repeat_interleave(torch.arange(len(targets), device=boxes.device), counts),
        boxes_xyxy=boxes,
        ellipses=torch.cat([target["ellipses"].reshape(-1, 5) for target in targets]).float()
        if has_ellipses
        else unknown,
        labels=labels,
        is_look_alike=labels >= n_candidate_groups,
        visible=torch.cat([target["visible"].reshape(-1) for target in targets]).float()
        if has_visible
        else torch.ones_like(boxes[:, 0]),
    )
