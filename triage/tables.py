"""Reads the tables that ship with the package."""

from __future__ import annotations

import csv
from importlib import resources


def read_rows(file_name: str) -> list[dict[str, str]]:
    """Rows of one table of `triage/data`, by column name."""
    text = resources.files("triage").joinpath(f"data/{file_name}").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def to_number(cell: str) -> float | None:
    """The number of a cell; None where the source states none."""
    return float(cell) if cell else None


def to_names(cell: str) -> tuple[str, ...]:
    """The names of a cell, parted by `|`."""
    return tuple(cell.split("|")) if cell else ()
