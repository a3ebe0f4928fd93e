"""What of a picture has been on a reader's screen, and how large: cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

from triage.errors import RecordError
from triage.groups import Group, read_groups
from triage.visibility import LEAST_WIDTH_PX

MOST_CELLS = 96
LEAST_CELL_PX = 32
# A cell's scale is kept in quarter doublings, one character each, so that the larger character is the finer.
NEVER = "."
_FIRST_CHARACTER = ord("0")
_LOWEST_STEP, _HIGHEST_STEP = -40, 20


@dataclass(frozen=True)
class Grid:
    """Square cells over a picture; the last column and row may reach beyond it."""

    width_px: int
    height_px: int
    cell_px: int
    columns: int
    rows: int


def plan_grid(width_px: int, height_px: int) -> Grid:
    """The cells of a picture, at most `MOST_CELLS` along its longer side."""
    cell_px = max(LEAST_CELL_PX, math.ceil(max(width_px, height_px) / MOST_CELLS))
    columns, rows = math.ceil(width_px / cell_px), math.ceil(height_px / cell_px)
    return Grid(width_px, height_px, cell_px, columns, rows)


def start_finest(grid: Grid) -> str:
    """A picture of which nothing has been on screen: one character a cell, row by row."""
    return NEVER * (grid.columns * grid.rows)


def add_view(
    finest: str, grid: Grid, bbox_xywh: tuple[float, float, float, float], screen_per_px: float
) -> str:
    """The finest scale of each cell after one more view; only cells that lie in it whole count.

    Parameters
    ----------
    finest : str
        From `start_finest` or an earlier view.
    bbox_xywh : tuple of float
        What was in sight, in pixels of the picture; it may reach beyond it.
    screen_per_px : float
        Pixels of the screen that one pixel of the picture took.

    Raises
    ------
    RecordError
        If the scale is not above 0, or nothing was in sight.
    """
    x, y, width, height = bbox_xywh
    if not (screen_per_px > 0 and width > 0 and height > 0):
        raise RecordError(
            f"A view of {width} x {height} px at {screen_per_px} screen pixels a pixel shows nothing; all "
            "three must be above 0."
        )
    character = _to_character(screen_per_px)
    columns = _whole_cells(x, width, grid.cell_px, grid.columns, grid.width_px)
    rows = _whole_cells(y, height, grid.cell_px, grid.rows, grid.height_px)
    cells = list(finest)
    for row in rows:
        for place in range(row * grid.columns + columns.start, row * grid.columns + columns.stop):
            cells[place] = max(cells[place], character)
    return "".join(cells)


def shown_rows(finest: str, grid: Grid, least_screen_per_px: float) -> list[str]:
    """For each row of cells, 1 where the cell has been on screen that large or larger, else 0."""
    # A step below the wanted scale would be too small by up to a fifth: rounded up, a hair off.
    step = math.ceil(4 * math.log2(least_screen_per_px) - 1e-6)
    least = chr(_FIRST_CHARACTER + min(max(step, _LOWEST_STEP), _HIGHEST_STEP) - _LOWEST_STEP)
    marks = "".join("1" if cell >= least else "0" for cell in finest)
    return [marks[row * grid.columns : (row + 1) * grid.columns] for row in range(grid.rows)]


def least_screen_scale(group: Group, um_per_px: float) -> float | None:
    """Screen pixels a pixel at which the smallest of a group is wide enough to be seen on the screen.

    Returns
    -------
    screen_per_px : float or None
        None where even the picture's own pixels are too few: enlarging adds none.

    Notes
    -----
    The same `LEAST_WIDTH_PX` is asked of the screen as of the picture.
    """
    if group.smallest_width_um is None:
        return None
    scale = LEAST_WIDTH_PX * um_per_px / group.smallest_width_um
    return scale if scale <= 1 else None


def sized_groups() -> tuple[Group, ...]:
    """The candidate groups whose smallest member's width is known, in table order."""
    return tuple(
        one for one in read_groups() if one.kind == "candidate" and one.smallest_width_um is not None
    )


def _to_character(screen_per_px: float) -> str:
    step = math.floor(4 * math.log2(screen_per_px) + 1e-6)
    return chr(_FIRST_CHARACTER + min(max(step, _LOWEST_STEP), _HIGHEST_STEP) - _LOWEST_STEP)


def _whole_cells(start: float, length: float, cell_px: int, count: int, picture_px: int) -> range:
    """Cells along one axis that lie in sight whole; a cut last cell counts with the part that is picture."""
    first = max(0, math.ceil((start - 0.5) / cell_px))
    end = count if start + length >= picture_px - 0.5 else math.floor((start + length + 0.5) / cell_px)
    return range(first, max(first, min(end, count)))
