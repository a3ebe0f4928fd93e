"""Where on a ruling each place of a picture lies, counted in marks: five numbers, fitted with uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]

# Standard deviation allowed for each tilt term, in relative distance over half a diagonal of the picture. A
# tilt of 2 degrees seen from one diagonal away, as by a phone at an eyepiece, gives 0.017; through an
# objective it is a tenth of that. Our choice, no source.
_TILT_SD = 0.005
_HUBER = 1.345
_MAD_TO_SD = 1.4826
_FIT_ROUNDS = 12


@dataclass(frozen=True)
class Lattice:
    """The mark number at each place of a picture, as a plane seen by a pinhole camera.

    Attributes
    ----------
    coefficients : ndarray of shape (5,)
        a, b, c, g, h of (a + b X + c Y) / (1 + g X + h Y).
    width, height : int
        Of the picture. X and Y run from its centre, in half diagonals, pixel edges at whole numbers.

    References
    ----------
    Images of equally spaced lines: a projective map of the plane, of which one coordinate is seen (Hartley
    and Zisserman, Multiple View Geometry in Computer Vision, 2nd edition, chapter 2; from memory).
    """

    coefficients: Floats
    width: int
    height: int

    @property
    def half_diagonal_px(self) -> float:
        """Length that X and Y are counted in."""
        return math.hypot(self.width, self.height) / 2

    @property
    def slope(self) -> Floats:
        """Marks per pixel along x and y at the picture's centre, of shape (2,)."""
        a, b, c, g, h = self.coefficients
        slope: Floats = np.array([b - a * g, c - a * h]) / self.half_diagonal_px
        return slope

    @property
    def division_px(self) -> float:
        """Pixels from mark to mark at the picture's centre, across the marks."""
        return 1 / float(np.hypot(*self.slope))

    @property
    def axis_xy(self) -> Floats:
        """Unit vector across the marks, of shape (2,)."""
        return self.slope * self.division_px

    def count(self, xy: Floats) -> Floats:
        """Mark number at places of shape (N, 2), whole on the middle of a mark."""
        X, Y = self._centred(xy)
        a, b, c, g, h = self.coefficients
        return np.asarray((a + b * X + c * Y) / (1 + g * X + h * Y))

    def place(self, mark: Floats, along_px: Floats) -> Floats:
        """Places of shape (N, 2) on given marks, `along_px` from the picture's centre along the marks."""
        a, b, c, g, h = self.coefficients
        nx, ny = self.axis_xy
        row_x, row_y = b - mark * g, c - mark * h
        level = along_px / self.half_diagonal_px
        # Two lines: the mark itself, and the one at this level across all marks (-ny, nx).
        det = row_x * nx + row_y * ny
        X = ((mark - a) * nx - row_y * level) / det
        Y = (row_x * level + (mark - a) * ny) / det
        centre = np.array([self.width / 2, self.height / 2])
        return np.asarray(np.stack([X, Y], axis=-1) * self.half_diagonal_px + centre)

    def level(self, xy: Floats) -> Floats:
        """How far along the marks places of shape (N, 2) lie from the picture's centre, in pixels."""
        nx, ny = self.axis_xy
        return np.asarray((xy[..., 1] - self.height / 2) * nx - (xy[..., 0] - self.width / 2) * ny)

    def derivatives(self, xy: Floats) -> Floats:
        """Change of the mark number with each coefficient at places of shape (N, 2), of shape (N, 5)."""
        X, Y = self._centred(xy)
        count = self.count(xy)
        depth = 1 + self.coefficients[3] * X + self.coefficients[4] * Y
        columns = [np.ones_like(X), X, Y, -count * X, -count * Y]
        return np.asarray(np.stack(columns, axis=1) / depth[:, None])

    def _centred(self, xy: Floats) -> tuple[Floats, Floats]:
        X = (xy[..., 0] - self.width / 2) / self.half_diagonal_px
        Y = (xy[..., 1] - self.height / 2) / self.half_diagonal_px
        return X, Y


@dataclass(frozen=True)
class Fit:
    """A lattice with the uncertainty of its spacing and what the marks left unexplained.

    Attributes
    ----------
    lattice : Lattice
        At the least squares.
    relative_sd : float
        Standard uncertainty of the spacing at the picture's centre, as a share of it; widened for few marks.
    rms : float
        Typical distance of a sighting from its mark, in divisions.
    kept : ndarray of bool of shape (N,)
        False for sightings too far off to be of that mark.
    """

    lattice: Lattice
    relative_sd: float
    rms: float
    kept: NDArray[np.bool_]


def fit_lattice(start: Lattice, xy: Floats, marks: NDArray[np.int_]) -> Fit:
    """The lattice through sightings of marks.

    Parameters
    ----------
    start : Lattice
        Right to a small share of a division.
    xy : ndarray of shape (N, 2)
        Places sighted, several for each mark.
    marks : ndarray of int of shape (N,)
        The number of the mark that each is of.

    Notes
    -----
    Weighted least squares with Huber's weights (P. J. Huber, Ann. Math. Statist. 35, 1964, from memory), the
    tilt terms held near zero by `_TILT_SD`. The errors of one mark's sightings go together (the mark itself
    may be misplaced), so the covariance is the sandwich clustered by mark (Liang and Zeger, Biometrika 73,
    1986), each mark's residuals divided by one less their leverage, as a jackknife would (Bell and McCaffrey,
    Survey Methodology 28, 2002; both from memory), and the 95 % factor of Student's t for the number of marks
    is carried into the standard uncertainty, so that 1.96 of them make a 95 % interval.
    """
    lattice = start
    precision = np.zeros(5)
    weights = np.ones(len(xy))
    sd = 1.0
    for _ in range(_FIT_ROUNDS):
        rest = marks - lattice.count(xy)
        sd = max(_MAD_TO_SD * float(np.median(np.abs(rest))), 1e-6)
        weights = _huber_weights(rest / sd)
        precision[3:] = _widened_variance(rest * weights, marks, sd) / _TILT_SD**2
        design = lattice.derivatives(xy)
        normal = design.T @ (weights[:, None] * design) + np.diag(precision)
        score = design.T @ (weights * rest) - precision * lattice.coefficients
        step = np.linalg.solve(normal, score)
        lattice = Lattice(lattice.coefficients + step, lattice.width, lattice.height)
    kept = weights > 0
    covariance = _sandwich(lattice, xy, marks, weights, precision)
    variance = _spacing_variance(lattice, covariance)
    n_marks = len(np.unique(marks[kept]))
    factor = stdtrit(max(n_marks - 3, 1), 0.975) / 1.959964
    rest = (marks - lattice.count(xy))[kept]
    return Fit(lattice, math.sqrt(variance) * factor, float(np.sqrt(np.mean(rest**2))), kept)


def _huber_weights(rest: Floats) -> Floats:
    """1 near the fit, falling beyond 1.345 standard deviations, 0 beyond 5."""
    far = np.abs(rest)
    weights = np.minimum(1, _HUBER / np.maximum(far, 1e-12))
    return np.where(far > 5, 0.0, weights)


def _widened_variance(rest: Floats, marks: NDArray[np.int_], sd: float) -> float:
    """Variance of one sighting as it counts in sums, errors of one mark going together."""
    _, cluster = np.unique(marks, return_inverse=True)
    return max(sd**2, float(np.sum(np.bincount(cluster, rest) ** 2) / len(rest)))


def _sandwich(
    lattice: Lattice, xy: Floats, marks: NDArray[np.int_], weights: Floats, precision: Floats
) -> Floats:
    """Covariance of the coefficients; each mark's errors are freed of what the fit itself took up."""
    design = lattice.derivatives(xy)
    rest = marks - lattice.count(xy)
    bread = np.linalg.inv(design.T @ (weights[:, None] * design) + np.diag(precision))
    # What the prior knowledge of tilt adds to the scores.
    filling = np.diag(np.concatenate([np.zeros(3), precision[3:] ** 2 * _TILT_SD**2]))
    for mark in np.unique(marks[weights > 0]):
        own = (marks == mark) & (weights > 0)
        scaled = np.sqrt(weights[own])[:, None] * design[own]
        left = np.eye(len(scaled)) - scaled @ bread @ scaled.T
        score = scaled.T @ np.linalg.solve(left, np.sqrt(weights[own]) * rest[own])
        filling += np.outer(score, score)
    covariance: Floats = bread @ filling @ bread
    return covariance


def _spacing_variance(lattice: Lattice, covariance: Floats) -> float:
    """Variance of the relative spacing, from the covariance of the coefficients."""
    a, _, _, g, h = lattice.coefficients
    nx, ny = lattice.axis_xy
    length = 1 / lattice.division_px * lattice.half_diagonal_px
    gradient = np.array([-(g * nx + h * ny), nx, ny, -a * nx, -a * ny]) / length
    return float(gradient @ covariance @ gradient)
