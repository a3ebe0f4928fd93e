"""The values that travel between the steps: plain, frozen, without behaviour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

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
    is_cut : ndarray of shape (N,), bool, or None
        Whether an edge of its tile, inside the picture, cuts the box; None where nobody has asked yet.
    factors : ndarray of shape (N,), float64, or None
        Pixels of the resampled picture it was seen in to one of the picture, NaN where nobody said.
    """

    boxes_xyxy: NDArray[np.float64]
    scores: NDArray[np.float64]
    group_scores: NDArray[np.float64]
    ellipses: NDArray[np.float64]
    is_cut: NDArray[np.bool_] | None = None
    factors: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Ranked:
    """Merged detections that follow each other in rank.

    Attributes
    ----------
    detections : Detections
        In original pixels, in the order of their ranks.
    first_rank : int
        Of the first of them; the best of a picture has rank 1.
    n_sought : int
        For so many of them, from the first, an outline is sought.
    """

    detections: Detections
    first_rank: int
    n_sought: int


@dataclass(frozen=True)
class Foretaste:
    """The best of what was found so far, while a picture is looked through; never a proposal.

    Attributes
    ----------
    detections : Detections
        Best first, in original pixels.
    shown : tuple of dict
        `bbox`, `score` and `group` of those above the default cut, as plain values.
    """

    detections: Detections
    shown: tuple[dict[str, Any], ...]


class HasDefaultCut(Protocol):
    """The record that travels with the weights, as far as the proposal needs it."""

    @property
    def default_cut(self) -> float:
        """Score from which a candidate is shown at first."""


class Detector(Protocol):
    """What the proposal needs of a detector; `triage.detector` has the one that is shipped."""

    @property
    def name(self) -> str:
        """Name of the detector."""

    @property
    def weights_sha256(self) -> str:
        """Which weights it runs."""

    @property
    def um_per_px(self) -> float:
        """Scale that it works at best, in µm per tile pixel."""

    @property
    def tile_px(self) -> int:
        """Side of its tiles."""

    @property
    def record(self) -> HasDefaultCut:
        """What travels with the weights."""

    def detect(
        self, tiles: NDArray[np.uint8], um_per_px: Sequence[float | None] | None = None
    ) -> list[Detections]:
        """One `Detections` for each of the (N, tile_px, tile_px, 3) tiles, in the tile's frame.

        `um_per_px` is the pixel size of each, in µm, None where it isn't known.
        """


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
    """A measured size against one taxon's published range; ranges in µm, None where no source gives one.

    `source_figures` are what each source prints of the ranges that decide. `other_figures` are shown but
    decide nothing: single values, means, weak sources, figures from memory. `kept_with` names the taxa that
    size can't tell from this one, whatever their own results.
    """

    taxon: str
    result: str
    length_range_um: tuple[float, float] | None
    width_range_um: tuple[float, float] | None
    source: str
    other_figures: tuple[str, ...] = ()
    source_figures: tuple[str, ...] = ()
    kept_with: tuple[str, ...] = ()


@dataclass(frozen=True)
class TogetherCheck:
    """A measured size against taxa that size can't tell apart: one result for all of them, with why."""

    label: str
    taxa: tuple[str, ...]
    result: str
    text: str
    source: str


@dataclass(frozen=True)
class SizeCheck:
    """`fits`, `does not fit`, `no reference` or `no calibration`, with the taxa it was asked of.

    `kept_together` joins those of them that size can't tell apart.
    """

    result: str
    taxa: tuple[TaxonCheck, ...] = ()
    kept_together: tuple[TogetherCheck, ...] = ()


@dataclass(frozen=True)
class OutlineSize:
    """Form of a found outline; standard uncertainties in `_sd`, µm None without a scale.

    Attributes
    ----------
    aspect, aspect_sd : float
        Length over width.
    ends_ratio, ends_ratio_sd : float
        Breadth near the narrower end over that near the other one; 1 where both ends are alike.
    area_um2, area_um2_sd : float or None
        Inside the outline.
    shell_um, shell_um_sd : float or None
        Thickness of the rim; None also where its inside doesn't show.
    """

    aspect: float
    aspect_sd: float
    ends_ratio: float
    ends_ratio_sd: float
    area_um2: float | None
    area_um2_sd: float | None
    shell_um: float | None
    shell_um_sd: float | None


@dataclass(frozen=True)
class Candidate:
    """A merged, measured, ranked box shown to a person; pixels of the original upright image.

    `group_scores` and `look_alike_scores` are shares of one whole. `is_above_cut` says whether the score
    reaches the detector's default cut; the rest of the list stays within reach. `is_cut_off` says that the
    picture's edge cuts the object. `outline` is None where none was found; `outline_missing` says why.

    Standard uncertainties (`_sd`) were found on drawn objects. Ellipses that a person drew around the outside
    of the dark line of 38 objects in photographs were 2 % larger; an interval 1.5 times as wide would hold
    95 % of them.
    """

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
    look_alike_scores: dict[str, float] = field(default_factory=dict)
    is_above_cut: bool = True
    is_cut_off: bool = False
    outline: OutlineSize | None = None
    outline_missing: str | None = None


@dataclass(frozen=True)
class Visibility:
    """Whether a picture can show the smallest member of a group.

    Attributes
    ----------
    group : str
        A name from `triage.groups`.
    smallest_width_um : float
    width_px : float or None
        Pixels of the picture across that width; None without a scale.
    resolved_px : float or None
        How many of them the objective could fill with detail; None where the objective is unknown.
    is_resolvable : bool or None
        None where neither scale nor objective is known.
    limited_by : tuple of str
        `sampling` (too few pixels), `optics` (the objective resolves too little), `focus` (too blurred).
    advice : str
        What to do, in a few sentences; never that the group is not there.
    focused_px : float or None
        How many pixels the blur leaves apart; None for a picture in focus.
    """

    group: str
    smallest_width_um: float
    width_px: float | None
    resolved_px: float | None
    is_resolvable: bool | None
    limited_by: tuple[str, ...]
    advice: str
    focused_px: float | None = None


@dataclass(frozen=True)
class CodedNote:
    """A remark on a picture or a preparation.

    Attributes
    ----------
    code : str
        What is remarked, for whoever words it in another language.
    text : str
        The remark in English, a sentence or two.
    values : dict
        The figures and names in it.
    """

    code: str
    text: str
    values: dict[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Adequacy:
    """What of the picture was assessed, and which groups it can't show.

    `groups` says of each group why, `focus` and `light` what was measured of the picture, `objective` what it
    is taken to have been photographed with; None where that isn't known. `area` says how much of the
    coverslip it shows, as `triage.seen_area` describes it; None for a picture too small to show anything.
    """

    assessed_fraction: float
    coded_notes: tuple[CodedNote, ...] = ()
    groups_not_resolvable: tuple[str, ...] = ()
    groups: tuple[Visibility, ...] = ()
    focus: dict[str, float | None] | None = None
    light: dict[str, float] | None = None
    objective: dict[str, float | bool] | None = None
    area: dict[str, Any] | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """The remarks in English."""
        return tuple(note.text for note in self.coded_notes)


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
