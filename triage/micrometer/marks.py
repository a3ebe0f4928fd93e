"""Sightings of single marks of a ruling, to a small share of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from triage.micrometer.lattice import Lattice
from triage.micrometer.search import Sight

Floats = NDArray[np.float64]

_MOST_CELLS = 10
_MOST_ROWS = 12
_LEAST_SHARE_OF_CONTRAST = 0.5
_MOST_SHIFT = 0.2
_MOST_MISFIT = 3.0
# Marks closer than this blur into each other: one that has no neighbour looks shifted away from it.
_APART_PX = 14.0
# From this width on, light that falls across a mark can be told from a shift of the mark.
_SLOPE_FROM_PX = 7.0


@dataclass(frozen=True)
class Sightings:
    """Places where marks were seen.

    Attributes
    ----------
    xy : ndarray of shape (N, 2)
        In pixels, several for each mark.
    marks : ndarray of int of shape (N,)
        The number of the mark.
    contrast : float
        Typical depth of a mark, as a share of the light around it.
    explained : float
        Share of the variation across the marks that one common shape of mark explains, 0 to 1.
    present : float
        Share of the looked-at cells, between the first and the last mark, in which a mark was seen.
    patchiness : float
        Standard deviation of a mark's depth along itself beyond the picture's noise, as a share of the depth:
        near 0 for a ruled line, above a half for a line of writing.
    """

    xy: Floats
    marks: NDArray[np.int_]
    contrast: float
    explained: float
    present: float
    patchiness: float


@dataclass(frozen=True)
class _Cells:
    """Pieces of marks to look at: number of the mark, place in the grid, and middle level."""

    marks: NDArray[np.int_]
    columns: NDArray[np.int_]
    levels_px: Floats
    height_px: float


def smooth_once(flat: Floats) -> Floats:
    """Spline coefficients of a flattened picture, for `see_marks`."""
    return np.asarray(spline_filter(flat, order=3, mode="mirror"))


def see_marks(coefficients: Floats, sight: Sight) -> Sightings | None:
    """Where each mark lies, by the shape that all marks share; None where too few are alike.

    Parameters
    ----------
    coefficients : ndarray of shape (height, width)
        As from `smooth_once`.
    sight : Sight
        Which marks to look at, and how far along them; its lattice right to a fifth of a division.

    Notes
    -----
    Each mark is cut along its length into cells. The mean profile of a cell is fitted by the common profile T
    as offset + contrast (T - shift dT/dx), which is linear; the shift is what is sought.
    """
    lattice = sight.lattice
    cells = _plan_cells(sight)
    if len(cells.marks) < 8:
        return None
    offsets_px = _offsets(lattice.division_px)
    rows, inside = _read_profiles(coefficients, lattice, cells, offsets_px)
    profiles = rows.mean(axis=0)
    if inside.sum() < 8:
        return None
    shape = _common_shape(profiles[inside])
    contrast, shift_px, misfit = _fit_shape(profiles, shape, offsets_px)
    typical = float(np.median(contrast[inside]))
    seen = inside & (contrast > _LEAST_SHARE_OF_CONTRAST * typical)
    seen &= np.abs(shift_px) < _MOST_SHIFT * lattice.division_px
    seen &= misfit < _MOST_MISFIT * np.median(misfit[inside])
    present = _share_present(cells, inside, seen)
    if lattice.division_px < _APART_PX:
        seen &= _has_both_neighbours(cells, seen)
    if seen.sum() < 8:
        return None
    xy = lattice.place(cells.marks[seen].astype(float), cells.levels_px[seen])
    spread = np.var(profiles[inside], axis=1)
    explained = 1 - float(np.mean(misfit[inside] ** 2) / max(float(np.mean(spread)), 1e-12))
    depth = float(np.ptp(shape)) * typical
    return Sightings(
        xy + shift_px[seen][:, None] * lattice.axis_xy,
        cells.marks[seen],
        depth,
        explained,
        present,
        _patchiness(rows[:, seen], offsets_px),
    )


def _offsets(division_px: float) -> Floats:
    n_steps = int(np.clip(np.ceil(2 * division_px), 9, 61)) | 1
    return np.linspace(-0.5, 0.5, n_steps) * division_px


def _plan_cells(sight: Sight) -> _Cells:
    """A grid of cells over the ordinary length of the marks, two marks further than they were seen."""
    low, high = np.nanmedian(sight.reach, axis=0)
    n_columns = int(np.clip((high - low) / max(3.0, 0.4 * sight.lattice.division_px), 3, _MOST_CELLS))
    height_px = (high - low) / n_columns
    marks = np.arange(sight.first_mark - 2, sight.first_mark + len(sight.reach) + 2)
    reach = _follow_reach(sight, marks)
    grid, column = np.meshgrid(np.arange(len(marks)), np.arange(n_columns), indexing="ij")
    share = (column + 0.5) / n_columns
    levels = reach[grid, 0] * (1 - share) + reach[grid, 1] * share
    return _Cells(marks[grid].ravel(), column.ravel(), levels.ravel(), float(height_px))


def _follow_reach(sight: Sight, marks: NDArray[np.int_]) -> Floats:
    """The reach of each mark: a straight line through those seen, so that one long mark isn't looked past."""
    numbers = sight.first_mark + np.arange(len(sight.reach))
    known = ~np.isnan(sight.reach[:, 0])
    middle = sight.reach[known].mean(axis=1)
    half = float(np.median(np.diff(sight.reach[known], axis=1))) / 2
    line = np.interp(marks, numbers[known], middle)
    return np.stack([line - half, line + half], axis=1)


def _read_profiles(
    coefficients: Floats, lattice: Lattice, cells: _Cells, offsets_px: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Profiles across each cell, of shape (rows, cells, offsets), and whether it lies inside the picture."""
    n_rows = int(np.clip(np.ceil(cells.height_px), 2, _MOST_ROWS))
    rows_px = ((np.arange(n_rows) + 0.5) / n_rows - 0.5) * cells.height_px
    profiles = np.empty((n_rows, len(cells.marks), len(offsets_px)))
    inside = np.ones(len(cells.marks), bool)
    for row, row_px in enumerate(rows_px):
        middle = lattice.place(cells.marks.astype(float), cells.levels_px + row_px)
        places = middle[:, None, :] + offsets_px[None, :, None] * lattice.axis_xy
        x, y = places[..., 0] - 0.5, places[..., 1] - 0.5
        inside &= ((x >= 2) & (x <= lattice.width - 3) & (y >= 2) & (y <= lattice.height - 3)).all(axis=1)
        profiles[row] = map_coordinates(coefficients, [y, x], order=3, mode="mirror", prefilter=False)
    return profiles, inside


def _common_shape(profiles: Floats) -> Floats:
    """The median profile, its mean taken off, so that a speck of dirt on one mark doesn't count."""
    centred = profiles - profiles.mean(axis=1, keepdims=True)
    shape: Floats = np.median(centred, axis=0)
    return np.asarray(shape - shape.mean())


def _fit_shape(profiles: Floats, shape: Floats, offsets_px: Floats) -> tuple[Floats, Floats, Floats]:
    """Contrast, shift in pixels and root mean square misfit of each profile against the common one."""
    slope = np.gradient(shape, offsets_px)
    design = np.stack([np.ones_like(shape), shape, -slope], axis=1)
    if np.ptp(offsets_px) > _SLOPE_FROM_PX:
        design = np.hstack([design, offsets_px[:, None]])
    answer, *_ = np.linalg.lstsq(design, profiles.T, rcond=None)
    misfit = np.sqrt(np.mean((profiles.T - design @ answer) ** 2, axis=0))
    contrast = answer[1]
    return contrast, answer[2] / np.where(contrast > 0.05, contrast, np.inf), misfit


def _patchiness(rows: Floats, offsets_px: Floats) -> float:
    """How unevenly marks are filled along themselves; noise is judged between the marks, where nothing is."""
    place = offsets_px / np.ptp(offsets_px)
    left, core, right = place < -0.34, np.abs(place) < 0.13, place > 0.34
    beside = (rows[..., left].mean(axis=-1) + rows[..., right].mean(axis=-1)) / 2
    depth = beside - rows[..., core].mean(axis=-1)
    empty = rows[..., left].mean(axis=-1) - rows[..., right].mean(axis=-1)
    spread = float(np.median(depth.var(axis=0)) - np.median(empty.var(axis=0)))
    return float(np.sqrt(max(spread, 0.0)) / max(abs(float(np.median(depth))), 1e-6))


def _share_present(cells: _Cells, inside: NDArray[np.bool_], seen: NDArray[np.bool_]) -> float:
    marks = cells.marks[seen]
    if not len(marks):
        return 0.0
    between = inside & (cells.marks >= marks.min()) & (cells.marks <= marks.max())
    return float(seen[between].mean())


def _has_both_neighbours(cells: _Cells, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    n_columns = int(cells.columns.max()) + 1
    grid = np.pad(seen.reshape(-1, n_columns), ((1, 1), (0, 0)))
    return (grid[:-2] & grid[2:]).ravel()
