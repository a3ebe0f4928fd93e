"""The groups a candidate may resemble, and the look-alikes: one table, not code."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.errors import RecordError
from triage.tables import read_rows, to_names, to_number


@dataclass(frozen=True)
class Group:
    """One row of the table.

    Attributes
    ----------
    name : str
        Stable key, as in every export.
    kind : str
        `candidate` (something a reader wants to find) or `look_alike`.
    label : str
        What a person reads on the screen.
    common_groups : tuple of str
        The names of this group in the table of published sizes.
    smallest_width_um : float or None
        Width of the smallest member, in µm; decides what a picture can show.
    appearance : str
        What is seen, in plain words.
    """

    name: str
    kind: str
    label: str
    common_groups: tuple[str, ...]
    smallest_width_um: float | None
    appearance: str


@cache
def read_groups() -> tuple[Group, ...]:
    """All groups in the order of the table: candidates first, then look-alikes."""
    return tuple(_to_group(row) for row in read_rows("groups.csv"))


def candidate_groups() -> tuple[str, ...]:
    """Names of the groups that a candidate may resemble, in table order."""
    return tuple(group.name for group in read_groups() if group.kind == "candidate")


def look_alikes() -> tuple[str, ...]:
    """Names of the look-alikes, in table order."""
    return tuple(group.name for group in read_groups() if group.kind == "look_alike")


def find_group(name: str) -> Group:
    """The row of one group.

    Raises
    ------
    RecordError
        If the table has no such group.
    """
    for group in read_groups():
        if group.name == name:
            return group
    known = ", ".join(group.name for group in read_groups())
    raise RecordError(f"There is no group named {name!r}. Use one of: {known}.")


def _to_group(row: dict[str, str]) -> Group:
    return Group(
        name=row["name"],
        kind=row["kind"],
        label=row["label"],
        common_groups=to_names(row["common_groups"]),
        smallest_width_um=to_number(row["smallest_width_um"]),
        appearance=row["appearance"],
    )
