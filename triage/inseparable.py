"""Which taxa must stay together because neither size nor look tells them apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.tables import read_rows, to_names


@dataclass(frozen=True)
class InseparableTaxa:
    """One row of the table.

    Attributes
    ----------
    label : str
        What a person calls them together.
    taxa : tuple of str
        As in the table of published sizes.
    text : str
        Why they stay together, in our words.
    strength : str
        `read`, `memory` (recalled, unchecked) or `practice` (common practice, no source).
    source, source_url_or_doi : str
    """

    label: str
    taxa: tuple[str, ...]
    text: str
    strength: str
    source: str
    source_url_or_doi: str


@cache
def read_inseparable_taxa() -> tuple[InseparableTaxa, ...]:
    """All sets, in the order of the table."""
    return tuple(
        InseparableTaxa(
            label=row["label"],
            taxa=to_names(row["taxa"]),
            text=row["text"],
            strength=row["strength"],
            source=row["source"],
            source_url_or_doi=row["source_url_or_doi"],
        )
        for row in read_rows("inseparable_taxa.csv")
    )


@cache
def taxa_kept_with(taxon: str) -> tuple[str, ...]:
    """The other taxa that size can't tell from this one; none for most."""
    return tuple(
        other
        for together in read_inseparable_taxa()
        if taxon in together.taxa
        for other in together.taxa
        if other != taxon
    )
