"""The table of published sizes as people look things up in it: by word, group, host and size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.errors import RecordError
from triage.groups import find_group, read_groups
from triage.inseparable import InseparableTaxa, read_inseparable_taxa
from triage.morphometrics import PublishedSize, Range, is_deciding, join_ranges, read_published_sizes

# The row that says how large any egg or cyst may be stands for no taxon.
_NO_TAXON = "all"


@dataclass(frozen=True)
class SizeRow:
    """One taxon at one stage.

    Attributes
    ----------
    taxon, stage : str
    hosts : tuple of str
        `dog`, `cat` or `both`, as the sources say.
    group : str
        A name from `triage.groups`; the first that holds it.
    length_range_um, width_range_um : tuple of float, or None
        The widest range that was read.
    kept_with : InseparableTaxa or None
        The set that size can't tell it from.
    figures : tuple of PublishedSize
        Every source, those that decide first.
    """

    taxon: str
    stage: str
    hosts: tuple[str, ...]
    group: str
    length_range_um: Range | None
    width_range_um: Range | None
    kept_with: InseparableTaxa | None
    figures: tuple[PublishedSize, ...]


@cache
def read_size_table() -> tuple[SizeRow, ...]:
    """All taxa, in the order of the groups, then of the table; larvae, mites and look-alikes too."""
    by_taxon: dict[tuple[str, str, str], list[PublishedSize]] = {}
    for row in read_published_sizes():
        if row.common_group != _NO_TAXON:
            by_taxon.setdefault((row.common_group, row.taxon, row.stage), []).append(row)
    group_of = {name: group.name for group in reversed(read_groups()) for name in group.common_groups}
    order = [group.name for group in read_groups()]
    rows = [_to_size_row(group_of[key[0]], *key[1:], found) for key, found in by_taxon.items()]
    return tuple(sorted(rows, key=lambda row: order.index(row.group)))


def search_sizes(
    search: str = "",
    *,
    group: str | None = None,
    host: str | None = None,
    length_um: float | None = None,
    width_um: float | None = None,
) -> tuple[SizeRow, ...]:
    """The rows that hold every word that was typed, and fit what else was asked for.

    Parameters
    ----------
    search : str
        Words, in any order, of taxon, stage, group or source.
    group : str, optional
        A name from `triage.groups`.
    host : str, optional
        `dog` or `cat` leaves out the rows of the other one.
    length_um, width_um : float, optional
        Leaves only taxa whose range holds it; those without a range are left out.

    Raises
    ------
    RecordError
        If there is no such group, or a size is not above 0.
    """
    if group is not None:
        find_group(group)
    for name, value in (("length_um", length_um), ("width_um", width_um)):
        if value is not None and not value > 0:
            raise RecordError(f"{name} is {value}; it must be above 0. Correct it or leave it out.")
    words = search.casefold().split()
    return tuple(
        row
        for row in read_size_table()
        if group in (None, row.group)
        and (host not in ("dog", "cat") or {host, "both"} & set(row.hosts))
        and _holds(row.length_range_um, length_um)
        and _holds(row.width_range_um, width_um)
        and all(word in _text_of(row) for word in words)
    )


def _holds(bounds: Range | None, value: float | None) -> bool:
    return value is None or (bounds is not None and bounds[0] <= value <= bounds[1])


@cache
def _text_of(row: SizeRow) -> str:
    group = find_group(row.group)
    sources = " ".join(one.source for one in row.figures)
    common = " ".join(one.common_group for one in row.figures)
    return f"{row.taxon} {row.stage} {group.label} {common} {sources}".casefold()


def _to_size_row(group: str, taxon: str, stage: str, rows: list[PublishedSize]) -> SizeRow:
    deciding = [row for row in rows if is_deciding(row)]
    return SizeRow(
        taxon=taxon,
        stage=stage,
        hosts=tuple(dict.fromkeys(row.host for row in rows)),
        group=group,
        length_range_um=join_ranges([row.length_um for row in deciding]),
        width_range_um=join_ranges([row.width_um for row in deciding]),
        kept_with=next((one for one in read_inseparable_taxa() if taxon in one.taxa), None),
        figures=(*deciding, *(row for row in rows if not is_deciding(row))),
    )
