"""The built-in table of published sizes: one row for each source, asked by group, stage and host."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.groups import find_group
from triage.tables import read_rows

Range = tuple[float, float]
# What is proposed are eggs, oocysts and cysts; larvae and grown mites are measured by other rules.
_STAGES = ("egg", "packet", "oocyst", "sporocyst", "cyst")


@dataclass(frozen=True)
class PublishedSize:
    """One row: what one source prints of one taxon.

    Attributes
    ----------
    taxon, common_group, host, stage : str
        `host` is `dog`, `cat` or `both`.
    length_um, width_um : tuple of (float or None, float or None)
        Lower and upper figure in µm; None where the source states none.
    figure : str
        `range`, or what is no range: `single`, `mean`, `about`, `upper bound`.
    strength : str
        `read` (seen in print), `weak` (a source of poor standing) or `memory` (recalled, unchecked).
    source, source_url_or_doi : str
    """

    taxon: str
    common_group: str
    host: str
    stage: str
    length_um: tuple[float | None, float | None]
    width_um: tuple[float | None, float | None]
    figure: str
    strength: str
    source: str
    source_url_or_doi: str


@dataclass(frozen=True)
class TaxonReference:
    """All that is published of one taxon at one stage.

    Attributes
    ----------
    taxon : str
        With the stage in brackets where it isn't the usual one.
    length_range_um, width_range_um : tuple of float, or None
        The widest range that was read; None where there is none.
    source : str
        Where the ranges come from.
    source_figures : tuple of str
        What each of these sources prints.
    other_figures : tuple of str
        Shown beside them, but deciding nothing.
    """

    taxon: str
    length_range_um: Range | None
    width_range_um: Range | None
    source: str
    source_figures: tuple[str, ...]
    other_figures: tuple[str, ...]


@cache
def read_published_sizes() -> tuple[PublishedSize, ...]:
    """All rows of the table."""
    return tuple(_to_published_size(row) for row in read_rows("morphometrics.csv"))


@cache
def find_references(group: str, host: str | None = None) -> tuple[TaxonReference, ...]:
    """What is published for the taxa of one group, in the order of the table.

    Parameters
    ----------
    group : str
        A name from `triage.groups`.
    host : str, optional
        `dog` or `cat` leaves out the rows of the other one; anything else keeps all.

    Raises
    ------
    RecordError
        If there is no such group.
    """
    common_groups = find_group(group).common_groups
    rows = [
        row for row in read_published_sizes() if row.common_group in common_groups and row.stage in _STAGES
    ]
    if host in ("dog", "cat"):
        rows = [row for row in rows if row.host in (host, "both")]
    by_taxon: dict[tuple[str, str], list[PublishedSize]] = {}
    for row in rows:
        by_taxon.setdefault((row.taxon, row.stage), []).append(row)
    return tuple(_to_reference(taxon, stage, found) for (taxon, stage), found in by_taxon.items())


def _to_reference(taxon: str, stage: str, rows: list[PublishedSize]) -> TaxonReference:
    deciding = [row for row in rows if is_deciding(row)]
    return TaxonReference(
        taxon=f"{taxon} ({stage})" if stage in ("packet", "sporocyst") else taxon,
        length_range_um=join_ranges([row.length_um for row in deciding]),
        width_range_um=join_ranges([row.width_um for row in deciding]),
        source="; ".join(dict.fromkeys(row.source for row in deciding)),
        source_figures=tuple(f"{describe_size(row)} ({row.source})" for row in deciding),
        other_figures=tuple(_describe_other(row) for row in rows if not is_deciding(row)),
    )


def is_deciding(row: PublishedSize) -> bool:
    """Whether the size check takes this row: a range, from a source that was read and is no weak one."""
    return row.figure == "range" and row.strength == "read"


def join_ranges(bounds: list[tuple[float | None, float | None]]) -> Range | None:
    """The widest range that these bounds span; a single figure, or half a range, is none."""
    ranges = [(low, high) for low, high in bounds if low is not None and high is not None and low < high]
    if not ranges:
        return None
    return min(low for low, _ in ranges), max(high for _, high in ranges)


def describe_size(row: PublishedSize) -> str:
    """Length and width as the source prints them, with their unit."""
    sizes = " x ".join(
        _print_bounds(bounds) for bounds in (row.length_um, row.width_um) if bounds[1] is not None
    )
    return f"{sizes} µm"


def _describe_other(row: PublishedSize) -> str:
    standing = {"read": "", "weak": ", weak source", "memory": ""}[row.strength]
    return f"{describe_size(row)} ({row.figure}{standing}; {row.source})"


def _print_bounds(bounds: tuple[float | None, float | None]) -> str:
    low, high = bounds
    if low is None:
        return f"up to {high:g}"
    return f"{low:g}" if low == high else f"{low:g}-{high:g}"


def _to_published_size(row: dict[str, str]) -> PublishedSize:
    bounds = {key: float(row[key]) if row[key] else None for key in row if key.endswith("_um")}
    return PublishedSize(
        taxon=row["taxon"],
        common_group=row["common_group"],
        host=row["host"],
        stage=row["stage"],
        length_um=(bounds["length_min_um"], bounds["length_max_um"]),
        width_um=(bounds["width_min_um"], bounds["width_max_um"]),
        figure=row["figure"],
        strength=row["strength"],
        source=row["source"],
        source_url_or_doi=row["source_url_or_doi"],
    )
