"""A proposal as the plain values that the command line and the service return."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from triage.records import Adequacy, Candidate, Ellipse, OutlineSize, Proposal, SizeCheck, Visibility

CAUTION = (
    "Candidates are places for a person to look at, never a diagnosis: a trained reader marks every one, and "
    "the licensed veterinarian decides. An empty list proves nothing: whatever was not sampled, not floated, "
    "out of focus, too small for the picture or missed is not listed. Eggs, cysts and oocysts may be able to "
    "infect people: handle samples by your local rules, with gloves, and wash your hands."
)


def proposal_to_json(proposal: Proposal) -> dict[str, Any]:
    """The proposal as plain values for `json.dumps`; the same proposal always gives the same bytes.

    Notes
    -----
    Pixels have two decimals, µm two, scores and shares four.
    """
    return {
        "image": {
            "file_name": proposal.file_name,
            "sha256": proposal.sha256,
            "width": proposal.width,
            "height": proposal.height,
        },
        "calibration": proposal.calibration,
        "detector": proposal.detector,
        "adequacy": _adequacy_to_json(proposal.adequacy),
        "candidates": [candidate_to_json(candidate) for candidate in proposal.candidates],
        "caution": proposal.caution,
    }


def _adequacy_to_json(adequacy: Adequacy) -> dict[str, Any]:
    return {
        "assessed_fraction": adequacy.assessed_fraction,
        "notes": list(adequacy.notes),
        "coded_notes": [{"code": note.code, "values": note.values} for note in adequacy.coded_notes],
        "groups_not_resolvable": list(adequacy.groups_not_resolvable),
        "groups": [_visibility_to_json(one) for one in adequacy.groups],
        "focus": adequacy.focus,
        "light": adequacy.light,
        "objective": adequacy.objective,
        "area": adequacy.area,
    }


def _visibility_to_json(one: Visibility) -> dict[str, Any]:
    rounded = {
        name: None if px is None else round(px, 2)
        for name, px in (
            ("width_px", one.width_px),
            ("resolved_px", one.resolved_px),
            ("focused_px", one.focused_px),
        )
    }
    return asdict(one) | {"limited_by": list(one.limited_by)} | rounded


def candidate_to_json(candidate: Candidate) -> dict[str, Any]:
    """One candidate as `proposal_to_json` lists it."""
    return {
        "rank": candidate.rank,
        "bbox": [round(value, 2) for value in candidate.bbox_xywh],
        "score": round(candidate.score, 4),
        "group": candidate.group,
        "group_scores": _round_shares(candidate.group_scores),
        "length_um": _round_um(candidate.length_um),
        "width_um": _round_um(candidate.width_um),
        "length_um_sd": _round_um(candidate.length_um_sd),
        "width_um_sd": _round_um(candidate.width_um_sd),
        "ellipse": _ellipse_to_json(candidate.ellipse),
        "size_check": _size_check_to_json(candidate.size_check),
        "reasons": list(candidate.reasons),
        "look_alike_scores": _round_shares(candidate.look_alike_scores),
        "above_cut": candidate.is_above_cut,
        "cut_off": candidate.is_cut_off,
        "outline": _outline_to_json(candidate.outline),
        "outline_missing": candidate.outline_missing,
    }


def _outline_to_json(outline: OutlineSize | None) -> dict[str, float | None] | None:
    if outline is None:
        return None
    return {name: None if value is None else round(value, 3) for name, value in asdict(outline).items()}


def _round_shares(shares: dict[str, float]) -> dict[str, float]:
    return {name: round(share, 4) for name, share in shares.items()}


def _round_um(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _ellipse_to_json(ellipse: Ellipse | None) -> dict[str, float] | None:
    if ellipse is None:
        return None
    values = {name: round(value, 2) for name, value in asdict(ellipse).items()}
    # Rounding must not leave -90 < angle <= 90: -89.996 is the same axis as 90.
    return values | {"angle_deg": 90.0 if values["angle_deg"] == -90.0 else values["angle_deg"]}


def _size_check_to_json(check: SizeCheck) -> dict[str, Any]:
    return {
        "result": check.result,
        "taxa": [
            {
                "taxon": taxon.taxon,
                "result": taxon.result,
                "length_range_um": list(taxon.length_range_um) if taxon.length_range_um else None,
                "width_range_um": list(taxon.width_range_um) if taxon.width_range_um else None,
                "source": taxon.source,
                "other_figures": list(taxon.other_figures),
                "source_figures": list(taxon.source_figures),
                "kept_with": list(taxon.kept_with),
            }
            for taxon in check.taxa
        ],
        "kept_together": [asdict(one) | {"taxa": list(one.taxa)} for one in check.kept_together],
    }
