"""The values that travel between the steps: plain, frozen, without behaviour."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Detections:
    """What the network says, as plain arrays; N may be 0.

    Attributes
    ----------
    boxes_xyxy : ndarray of shape (N, 4), float64
        Pixel edges `x1, y1, x2, y2`; which frame (tile, resampled or original) is the holder's to say.
    scores : ndarray of shape (N,), float64
        0 to 1, how much the place looks like an egg, oocyst or cyst at all.
    group_scores : ndarray of shape (N, G), float64
        Share of each row of `triage.groups.read_groups()`, look-alikes included; rows sum to 1.
    ellipses : ndarray of shape (N, 5), float64
        `cx, cy, length_px, width_px, angle_deg` as the network guesses them; angle of the long axis
        from the x axis, y down, -90 < angle <= 90.
    """

    boxes_xyxy: NDArray[np.float64]
    scores: NDArray[np.float64]
    group_scores: NDArray[np.float64]
    ellipses: NDArray[np.float64]


@dataclass(frozen=True)
class Ellipse:
    """An outline as an ellipse in original pixels; `angle_deg` as in `Detections`."""

    cx: float
    cy: float
    length_px: float
    width_px: float
    angle_deg: float


@dataclass(frozen=True)
class TaxonCheck:
    """A measured size against one taxon's published range; ranges in µm, None where no source gives one."""

    taxon: str
    result: str
    length_range_um: tuple[float, float] | None
    width_range_um: tuple[float, float] | None
    source: str


@dataclass(frozen=True)
class SizeCheck:
    """`fits`, `does not fit`, `no reference` or `no calibration`, with the taxa it was asked of."""

    result: str
    taxa: tuple[TaxonCheck, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """A merged, measured, ranked box shown to a person; pixels of the original upright image."""

    rank: int
    bbox_xywh: tuple[float, float, float, float]
    score: float
    group: str
    group_scores: dict[str, float]
    ellipse: Ellipse | None
    length_um: float | None
    width_um: float | None
    length_um_sd: float | None
    width_um_sd: float | None
    size_check: SizeCheck
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Adequacy:
    """What of the picture was assessed, and which groups it can't show."""

    assessed_fraction: float
    notes: tuple[str, ...] = ()
    groups_not_resolvable: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """All that `propose` says of one picture; `triage.proposal` turns it into the JSON of the contract."""

    file_name: str
    sha256: str
    width: int
    height: int
    calibration: dict[str, float | str] | None
    detector: dict[str, float | str]
    adequacy: Adequacy
    candidates: tuple[Candidate, ...] = field(default=())
    caution: str = ""
