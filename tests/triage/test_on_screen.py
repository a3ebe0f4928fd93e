"""What has been on screen, cell by cell."""

from __future__ import annotations

import pytest

from triage.errors import RecordError
from triage.groups import find_group
from triage.on_screen import add_view, least_screen_scale, plan_grid, shown_rows, start_finest
from triage.visibility import LEAST_WIDTH_PX


def test_grid_covers_a_large_picture_with_few_cells() -> None:
    grid = plan_grid(20_000, 15_001)
    assert grid.columns <= 96 and grid.columns * grid.cell_px >= 20_000
    assert grid.rows * grid.cell_px >= 15_001


def test_only_cells_that_lie_in_sight_whole_count() -> None:
    grid = plan_grid(128, 96)
    finest = add_view(start_finest(grid), grid, (10, 0, 90, 64), 1.0)
    assert shown_rows(finest, grid, 1.0) == ["0110", "0110", "0000"]


def test_cut_cells_at_the_far_edges_count_with_the_part_that_is_picture() -> None:
    grid = plan_grid(100, 70)
    finest = add_view(start_finest(grid), grid, (-5, -5, 110, 90), 1.0)
    assert set("".join(shown_rows(finest, grid, 1.0))) == {"1"}


def test_coarser_look_never_undoes_a_finer_one_and_does_not_count_for_it() -> None:
    grid = plan_grid(64, 32)
    finest = add_view(start_finest(grid), grid, (0, 0, 64, 32), 0.5)
    assert shown_rows(finest, grid, 0.5) == ["11"] and shown_rows(finest, grid, 0.51) == ["00"]
    finest = add_view(finest, grid, (0, 0, 32, 32), 2.0)
    assert shown_rows(add_view(finest, grid, (0, 0, 64, 32), 0.25), grid, 1.0) == ["10"]


def test_least_scale_gives_the_smallest_of_a_group_its_pixels() -> None:
    group = find_group("strongylid_egg")
    scale = least_screen_scale(group, 0.5)
    assert scale is not None and group.smallest_width_um is not None
    assert scale * group.smallest_width_um / 0.5 == pytest.approx(LEAST_WIDTH_PX)
    assert least_screen_scale(find_group("giardia_cyst"), 2.0) is None


def test_view_without_size_or_scale_is_refused() -> None:
    grid = plan_grid(64, 64)
    with pytest.raises(RecordError, match="0 screen pixels a pixel shows nothing"):
        add_view(start_finest(grid), grid, (0, 0, 10, 10), 0)
