"""Compares a measured size with the published ranges; it never drops a candidate."""

from __future__ import annotations

from dataclasses import dataclass

from triage.inseparable import InseparableTaxa, read_inseparable_taxa, taxa_kept_with
from triage.morphometrics import Range, TaxonReference, find_references
from triage.records import SizeCheck, TaxonCheck, TogetherCheck

# A measured value may lie this many standard uncertainties beyond a printed bound and still fit it.
COVERAGE_FACTOR = 2.0


@dataclass(frozen=True)
class MeasuredSize:
    """Length and width in µm with their standard uncertainties.

    `is_of_part` says that the object goes on beyond the picture, so that it may be larger than this.
    """

    length_um: float
    width_um: float
    length_um_sd: float
    width_um_sd: float
    is_of_part: bool = False


def check_size(size: MeasuredSize | None, group: str, *, host: str | None = None) -> SizeCheck:
    """How a measured size sits in what is published for each taxon of a group.

    Parameters
    ----------
    size : MeasuredSize or None
        None where the picture has no calibration.
    group : str
        A name from `triage.groups`.
    host : str, optional
        `dog` or `cat` narrows the taxa.

    Returns
    -------
    check : SizeCheck
        `fits` when one taxon's does, `does not fit` when taxa with a range exist and the size rules all of
        them out, `no calibration` without a size, and `no reference` when nothing can be compared: no source
        that was read gives a range, or only a part was measured, which can be too large and nothing else.

    Notes
    -----
    Two standard uncertainties are allowed on both sides, about 95 % (JCGM 100:2008, 6.3.3). A size that fits
    is no name: several taxa share sizes, and those that must stay together get one result in
    `kept_together`, the widest that any of them allows.
    """
    checks = tuple(_check_taxon(size, reference) for reference in find_references(group, host))
    together = tuple(
        _check_together(size, checks, one)
        for one in read_inseparable_taxa()
        if any(check.taxon in one.taxa for check in checks)
    )
    return SizeCheck(_sum_up(size, checks), checks, together)


def _sum_up(size: MeasuredSize | None, checks: tuple[TaxonCheck, ...]) -> str:
    if size is None:
        return "no calibration"
    results = {check.result for check in checks if check.length_range_um or check.width_range_um}
    if "fits" in results:
        return "fits"
    return "does not fit" if results == {"does not fit"} else "no reference"


def _check_together(
    size: MeasuredSize | None, checks: tuple[TaxonCheck, ...], together: InseparableTaxa
) -> TogetherCheck:
    members = tuple(check for check in checks if check.taxon in together.taxa)
    result = _sum_up(size, members)
    return TogetherCheck(together.label, together.taxa, result, together.text, together.source)


def _check_taxon(size: MeasuredSize | None, reference: TaxonReference) -> TaxonCheck:
    return TaxonCheck(
        taxon=reference.taxon,
        result=_compare(size, reference),
        length_range_um=reference.length_range_um,
        width_range_um=reference.width_range_um,
        source=reference.source or "no range from a source that was read",
        other_figures=reference.other_figures,
        source_figures=reference.source_figures,
        kept_with=taxa_kept_with(reference.taxon),
    )


def _compare(size: MeasuredSize | None, reference: TaxonReference) -> str:
    if size is None:
        return "no calibration"
    pairs = [
        (size.length_um, size.length_um_sd, reference.length_range_um),
        (size.width_um, size.width_um_sd, reference.width_range_um),
    ]
    known = [(value, sd, bounds) for value, sd, bounds in pairs if bounds is not None]
    if not known:
        return "no reference"
    if size.is_of_part:
        return "does not fit" if any(_is_above(*one) for one in known) else "no reference"
    return "fits" if all(_is_within(*one) for one in known) else "does not fit"


def _is_within(value: float, sd: float, bounds: Range) -> bool:
    return distance_outside(value, bounds) <= COVERAGE_FACTOR * sd


def _is_above(value: float, sd: float, bounds: Range) -> bool:
    return value - bounds[1] > COVERAGE_FACTOR * sd


def distance_outside(value: float, bounds: Range) -> float:
    """How far a value lies outside its bounds, in the unit of both; 0 inside."""
    return max(bounds[0] - value, value - bounds[1], 0.0)
