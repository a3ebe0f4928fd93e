"""Flotation fluids: what is printed of each, how long to let it stand, what to beware of."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.errors import RecordError
from triage.tables import read_rows, to_names, to_number

ANY_FLUID = "any"
# How a fluid is told from what a person typed; the first word that occurs decides.
_WORDS = {
    "zinc": "zinc_sulfate",
    "znso": "zinc_sulfate",
    "nitrate": "sodium_nitrate",
    "nano3": "sodium_nitrate",
    "magnesium": "magnesium_sulfate",
    "epsom": "magnesium_sulfate",
    "mgso": "magnesium_sulfate",
    "sheather": "sucrose",
    "sugar": "sucrose",
    "sucrose": "sucrose",
    "chloride": "sodium_chloride",
    "nacl": "sodium_chloride",
    "table salt": "sodium_chloride",
}


@dataclass(frozen=True)
class PublishedFluid:
    """One row: what one source prints of one fluid.

    Attributes
    ----------
    solution : str
        As a person says it.
    fluid : str
        Stable key, for instance `zinc_sulfate`; `any` where the source speaks of all.
    gravity_range : tuple of (float, float), or None
        Specific gravity; both the same where one figure is printed, None where none is.
    recipe : str
    floats_poorly, speaks_of : tuple of str
        Taxa of the density table, or groups of `triage.groups`.
    notes : str
        What the source says, in our words.
    strength : str
        `read`, `weak` (a source of poor standing) or `memory` (recalled, unchecked).
    source, source_url_or_doi : str
    """

    solution: str
    fluid: str
    gravity_range: tuple[float, float] | None
    recipe: str
    floats_poorly: tuple[str, ...]
    speaks_of: tuple[str, ...]
    notes: str
    strength: str
    source: str
    source_url_or_doi: str


@dataclass(frozen=True)
class StandingTime:
    """One row: how long one source lets a preparation stand; `strength` may also be `practice`."""

    method: str
    fluid: str
    least_min: float | None
    most_min: float | None
    text: str
    strength: str
    source: str
    source_url_or_doi: str


@dataclass(frozen=True)
class Caution:
    """What to beware of when working with a fluid."""

    fluid: str
    text: str
    strength: str
    source: str


@cache
def read_published_fluids() -> tuple[PublishedFluid, ...]:
    """All rows of the table of fluids."""
    return tuple(_to_fluid(row) for row in read_rows("flotation.csv"))


def recognise_fluid(solution: str) -> str | None:
    """The key of the fluid that a person named; None for one that the table doesn't have."""
    lowered = solution.lower()
    return next((fluid for word, fluid in _WORDS.items() if word in lowered), None)


def find_published_gravities(fluid: str) -> tuple[PublishedFluid, ...]:
    """Rows of a fluid that print a specific gravity and were read; none for one that isn't in the table."""
    return tuple(
        row
        for row in read_published_fluids()
        if row.fluid == fluid and row.strength == "read" and row.gravity_range is not None
    )


@cache
def find_standing_times(method: str, fluid: str | None = None) -> tuple[StandingTime, ...]:
    """What is said of the standing time, those of the fluid after those for all.

    Parameters
    ----------
    method : str
        `passive` or `centrifuged`.
    fluid : str, optional
        Key of the fluid; None gives only what holds for all.

    Raises
    ------
    RecordError
        If there is no such method.
    """
    rows = read_rows("standing_times.csv")
    methods = sorted({row["method"] for row in rows})
    if method not in methods:
        raise RecordError(f"There is no method named {method!r}. Use one of: {', '.join(methods)}.")
    found = [
        _to_standing_time(row)
        for row in rows
        if row["method"] == method and row["fluid"] in (ANY_FLUID, fluid)
    ]
    return tuple(sorted(found, key=lambda one: one.fluid != ANY_FLUID))


@cache
def find_cautions(fluid: str | None) -> tuple[Caution, ...]:
    """What to beware of with a fluid; None, or one that isn't in the table, gives what holds for all."""
    return tuple(
        Caution(row["fluid"], row["caution"], row["strength"], row["source"])
        for row in read_rows("solution_cautions.csv")
        if row["fluid"] in (ANY_FLUID, fluid)
    )


def _to_fluid(row: dict[str, str]) -> PublishedFluid:
    low, high = to_number(row["sg_min"]), to_number(row["sg_max"])
    return PublishedFluid(
        solution=row["solution"],
        fluid=row["fluid"],
        gravity_range=None if low is None or high is None else (low, high),
        recipe=row["recipe"],
        floats_poorly=to_names(row["floats_poorly"]),
        speaks_of=to_names(row["speaks_of"]),
        notes=row["notes"],
        strength=row["strength"],
        source=row["source"],
        source_url_or_doi=row["source_url_or_doi"],
    )


def _to_standing_time(row: dict[str, str]) -> StandingTime:
    return StandingTime(
        method=row["method"],
        fluid=row["fluid"],
        least_min=to_number(row["minutes_min"]),
        most_min=to_number(row["minutes_max"]),
        text=row["text"],
        strength=row["strength"],
        source=row["source"],
        source_url_or_doi=row["source_url_or_doi"],
    )
