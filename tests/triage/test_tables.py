from __future__ import annotations

import pytest

from triage.tables import read_rows, to_names, to_number


def test_read_rows_gives_cells_by_column_name() -> None:
    assert read_rows("groups.csv")[0]["name"] == "ascarid_egg"


@pytest.mark.parametrize(("cell", "number"), [("", None), ("0", 0.0), ("1.18", 1.18)])
def test_to_number_keeps_blank_and_zero_apart(cell: str, number: float | None) -> None:
    assert to_number(cell) == number


@pytest.mark.parametrize(("cell", "names"), [("", ()), ("a", ("a",)), ("a|b c", ("a", "b c"))])
def test_to_names_parts_at_bars(cell: str, names: tuple[str, ...]) -> None:
    assert to_names(cell) == names
