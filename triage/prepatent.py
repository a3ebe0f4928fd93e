"""Why a slide on which nobody marked anything proves nothing: prepatent periods and other limits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.groups import find_group
from triage.tables import read_rows, to_number


@dataclass(frozen=True)
class PrepatentPeriod:
    """One row: days from taking a parasite in until it sheds, as one source prints them.

    Attributes
    ----------
    taxon, group, host : str
        `host` is `dog`, `cat` or `both`.
    way : str
        How it was taken in, where that matters.
    least_days, most_days : float or None
        None where the source gives no such bound.
    printed : str
        The source's own unit, for instance `8 weeks`.
    strength : str
        `read` or `weak` (a source of poor standing).
    source, source_url_or_doi : str
    """

    taxon: str
    group: str
    host: str
    way: str
    least_days: float | None
    most_days: float | None
    printed: str
    strength: str
    source: str
    source_url_or_doi: str


@dataclass(frozen=True)
class SlideLimit:
    """One reason why what is not seen on a slide may still be there."""

    reason: str
    text: str
    strength: str
    source: str
    source_url_or_doi: str


@cache
def find_prepatent_periods(group: str | None = None, host: str | None = None) -> tuple[PrepatentPeriod, ...]:
    """Published periods, in the order of the table; sources that differ are all there.

    Parameters
    ----------
    group : str, optional
        A name from `triage.groups`; None gives all groups.
    host : str, optional
        `dog` or `cat` leaves out the rows of the other one; anything else keeps all.

    Raises
    ------
    RecordError
        If there is no such group.
    """
    if group is not None:
        find_group(group)
    return tuple(
        _to_period(row)
        for row in read_rows("prepatent.csv")
        if group in (None, row["group"]) and (host not in ("dog", "cat") or row["host"] in (host, "both"))
    )


@cache
def read_slide_limits() -> tuple[SlideLimit, ...]:
    """All reasons, in the order in which they are told."""
    return tuple(
        SlideLimit(row["reason"], row["text"], row["strength"], row["source"], row["source_url_or_doi"])
        for row in read_rows("slide_limits.csv")
    )


def _to_period(row: dict[str, str]) -> PrepatentPeriod:
    return PrepatentPeriod(
        taxon=row["taxon"],
        group=row["group"],
        host=row["host"],
        way=row["way"],
        least_days=to_number(row["days_min"]),
        most_days=to_number(row["days_max"]),
        printed=row["printed"],
        strength=row["strength"],
        source=row["source"],
        source_url_or_doi=row["source_url_or_doi"],
    )
