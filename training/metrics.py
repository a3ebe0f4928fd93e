"""How well candidates match marked objects: recall against false positives, group accuracy, intervals.

Free-response figures follow Chakraborty's definition: objects found over objects, against false positives
over pictures, as the threshold sweeps from strict to lax. Closeness is an intersection over union of at
least 0.5, whatever the group. COCO average precision is in `training.coco_figures`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from triage.boxes import box_areas, box_iou, intersection_areas
from triage.proportions import wilson_interval as wilson_interval

CLOSE_IOU = 0.5
IGNORED_COVER = 0.5
"""A candidate that lies to this share in an ignored region, or fits an ignored object, doesn't count."""
QUOTED_RATES = (0.1, 0.5, 1.0, 2.0)

Floats = NDArray[np.float64]

FOUND, FALSE, NEITHER = 1, 0, -1


@dataclass(frozen=True)
class PictureTruth:
    """The objects of one picture.

    Attributes
    ----------
    boxes_xyxy : ndarray of shape (M, 4)
        Objects to be found.
    groups : tuple of str
        Their groups.
    alternatives : tuple of ndarray of shape (K, 4)
        For each object, other boxes that are right too; K may be 0.
    ignored_xyxy : ndarray of shape (R, 4)
        Regions and objects (cut by the edge, say) where a candidate counts neither way.
    """

    boxes_xyxy: Floats
    groups: tuple[str, ...]
    alternatives: tuple[Floats, ...]
    ignored_xyxy: Floats

    @classmethod
    def of(
        cls, boxes_xyxy: Floats, groups: Sequence[str] = (), ignored_xyxy: Floats | None = None
    ) -> PictureTruth:
        """A picture whose objects have one box each."""
        none = np.zeros((0, 4))
        return cls(
            boxes_xyxy=boxes_xyxy,
            groups=tuple(groups) or ("",) * len(boxes_xyxy),
            alternatives=(none,) * len(boxes_xyxy),
            ignored_xyxy=none if ignored_xyxy is None else ignored_xyxy,
        )


@dataclass(frozen=True)
class Matches:
    """What became of the candidates of one picture.

    Attributes
    ----------
    scores : ndarray of shape (N,)
        Scores, best first.
    verdicts : ndarray of shape (N,)
        `FOUND`, `FALSE` or `NEITHER`.
    objects : ndarray of shape (N,)
        The object that each candidate found, -1 if none.
    n_objects : int
        Objects to be found.
    """

    scores: Floats
    verdicts: NDArray[np.int64]
    objects: NDArray[np.int64]
    n_objects: int


def match_candidates(
    boxes_xyxy: Floats, scores: Floats, truth: PictureTruth, *, close_iou: float = CLOSE_IOU
) -> Matches:
    """Which candidates found an object, best scores choosing first.

    Parameters
    ----------
    boxes_xyxy : ndarray of shape (N, 4)
        Candidates, best first.
    scores : ndarray of shape (N,)
        Their scores, never rising.
    truth : PictureTruth
        The objects of the picture.
    close_iou : float
        Least intersection over union of a hit.

    Returns
    -------
    matches : Matches
        One verdict per candidate.

    Notes
    -----
    A second candidate on a found object is false, unless it fits one of the object's alternative boxes
    (two bodies in one wall may be boxed apart). A candidate that hits no object and lies on an ignored region
    or object counts neither way.
    """
    closeness = box_iou(boxes_xyxy, truth.boxes_xyxy)
    other = np.array([[_best_iou(box, rest) for rest in truth.alternatives] for box in boxes_xyxy])
    other = other.reshape(closeness.shape)
    on_ignored = _is_on_ignored(boxes_xyxy, truth.ignored_xyxy, close_iou)
    verdicts = np.full(len(boxes_xyxy), FALSE)
    objects = np.full(len(boxes_xyxy), -1)
    is_free = np.ones(len(truth.boxes_xyxy), dtype=bool)
    for row in range(len(boxes_xyxy)):
        fit = np.maximum(closeness[row], other[row]) * is_free
        if fit.size and fit.max() >= close_iou:
            objects[row] = int(fit.argmax())
            verdicts[row] = FOUND
            is_free[objects[row]] = False
        elif on_ignored[row] or (other[row] >= close_iou).any():
            verdicts[row] = NEITHER
    return Matches(scores, verdicts, objects, len(truth.boxes_xyxy))


def _best_iou(box: Floats, others: Floats) -> float:
    return float(box_iou(box[None], others).max(initial=0.0))


def _is_on_ignored(boxes_xyxy: Floats, ignored_xyxy: Floats, close_iou: float) -> NDArray[np.bool_]:
    """Boxes that mostly lie in an ignored region, or fit an ignored object."""
    areas = np.maximum(box_areas(boxes_xyxy), 1e-9)
    cover = intersection_areas(boxes_xyxy, ignored_xyxy) / areas[:, None]
    close = box_iou(boxes_xyxy, ignored_xyxy) >= close_iou
    return np.asarray(((cover >= IGNORED_COVER) | close).any(axis=1))


@dataclass(frozen=True)
class Curve:
    """Recall against false positives per picture, from strict to lax thresholds.

    Attributes
    ----------
    thresholds : ndarray of shape (T,)
        Falling.
    recall : ndarray of shape (T,)
        Objects found over objects.
    false_per_picture : ndarray of shape (T,)
        False positives over pictures.
    n_objects, n_pictures : int
        What the rates are out of.
    """

    thresholds: Floats
    recall: Floats
    false_per_picture: Floats
    n_objects: int
    n_pictures: int

    def recall_at(self, false_per_picture: float) -> float:
        """Highest recall at no more than this many false positives a picture; 0 if none is so strict."""
        allowed = self.false_per_picture <= false_per_picture + 1e-12
        return float(self.recall[allowed].max(initial=0.0))

    def cut_for(self, recall: float) -> float | None:
        """Highest threshold that reaches `recall`; None if none does."""
        reached = self.recall >= recall - 1e-12
        return float(self.thresholds[reached].max()) if reached.any() else None

    def cut_at(self, false_per_picture: float) -> float:
        """Lowest threshold that allows this many false positives a picture; 1 if none is so strict."""
        allowed = self.thresholds[self.false_per_picture <= false_per_picture + 1e-12]
        return float(allowed.min(initial=1.0))

    def recall_from(self, threshold: float) -> float:
        """Recall of candidates that score at least `threshold`."""
        return float(self.recall[self.thresholds >= threshold].max(initial=0.0))

    def false_at(self, threshold: float) -> float:
        """False positives per picture among candidates that score at least `threshold`."""
        return float(self.false_per_picture[self.thresholds >= threshold].max(initial=0.0))


def free_response(matches: Sequence[Matches]) -> Curve:
    """The curve over all pictures; candidates of equal score come and go together.

    References
    ----------
    Chakraborty 1989, "Maximum likelihood analysis of free-response receiver operating characteristic
    (FROC) data", Med Phys 16:561-568 (from memory).
    """
    scores = np.concatenate([np.zeros(0), *(one.scores for one in matches)])
    verdicts = np.concatenate([np.zeros(0, dtype=np.int64), *(one.verdicts for one in matches)])
    n_objects = sum(one.n_objects for one in matches)
    order = np.argsort(-scores, kind="stable")
    scores, verdicts = scores[order], verdicts[order]
    is_last = np.append(scores[1:] != scores[:-1], True) if len(scores) else np.zeros(0, dtype=bool)
    return Curve(
        thresholds=scores[is_last],
        recall=np.cumsum(verdicts == FOUND)[is_last] / max(n_objects, 1),
        false_per_picture=np.cumsum(verdicts == FALSE)[is_last] / max(len(matches), 1),
        n_objects=n_objects,
        n_pictures=len(matches),
    )


def poisson_interval(n: int) -> tuple[float, float]:
    """Low and high end of the exact 95 % interval of a count's mean.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442 (from memory): chi²(0.025; 2n) / 2 and chi²(0.975; 2n + 2) / 2.
    """
    low = float(chdtri(2 * n, 0.975)) / 2 if n else 0.0
    return low, float(chdtri(2 * n + 2, 0.025)) / 2


@dataclass(frozen=True)
class CalibrationError:
    """Expected calibration error and the bins it was taken over."""

    error: float
    counts: NDArray[np.int64]
    mean_scores: Floats = field(repr=False)
    shares_right: Floats = field(repr=False)


def calibration_error(scores: Floats, is_right: NDArray[np.bool_], *, n_bins: int = 10) -> CalibrationError:
    """Mean gap between score and share right, over bins of equal width.

    A bin owns its lower edge, the last bin both.

    References
    ----------
    Guo et al. 2017, "On Calibration of Modern Neural Networks" (ICML): sum over bins of
    (members / all) x |share right - mean score|.
    """
    bins = np.minimum((scores * n_bins).astype(np.int64), n_bins - 1)
    counts = np.bincount(bins, minlength=n_bins)
    filled = np.maximum(counts, 1)
    mean_scores = np.bincount(bins, weights=scores, minlength=n_bins) / filled
    shares = np.bincount(bins, weights=is_right.astype(np.float64), minlength=n_bins) / filled
    error = float((counts * np.abs(shares - mean_scores)).sum() / max(len(scores), 1))
    return CalibrationError(error, counts, mean_scores, shares)
