"""What the sheet for an owner holds beside its fixed words."""

from __future__ import annotations

from typing import Any

from service.papers.record import gather_common
from service.present import View
from service.store.models import Specimen
from triage.prepatent import find_prepatent_periods, read_slide_limits


def gather_owner_sheet(view: View, specimen: Specimen, words: dict[str, Any]) -> dict[str, Any]:
    """The sheet of one specimen: times before eggs appear, and why what is there isn't seen."""
    said = words["owner"]
    periods = [
        (
            said["time_way"].format(taxon=one.taxon, way=one.way, printed=one.printed)
            if one.way
            else said["time_row"].format(taxon=one.taxon, printed=one.printed),
            one.source,
        )
        for one in find_prepatent_periods(host=specimen.species)
        if one.strength == "read"
    ]
    reasons = [(one.text, one.source) for one in read_slide_limits() if one.strength == "read"]
    return {**gather_common(view, specimen, words), "periods": periods, "reasons": reasons}
