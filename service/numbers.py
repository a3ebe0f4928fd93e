"""How many objects were marked on how much of a coverslip, and how many may be there unseen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.objects_counted import Counted, count_objects
from service.sensitivity import MeasuredSensitivities, Sensitivity, measure_sensitivities
from service.settle import current_answer
from service.shown_twice import count_once, find_shown_twice
from service.store import images, reading, specimens, stitchings
from service.store.database import Session
from service.store.images import ImageState
from service.store.models import Preparation, ProposalRow
from triage.counts import express_count, limit_objects
from triage.groups import candidate_groups

# Where none was measured: every object in the area gets marked, so that the true limit can only be higher.
ASSUMED_SENSITIVITY = 1.0
# For each limit of a picture the figure of a judged group that says how far it falls short.
LIMITING_FIGURES = {"sampling": "width_px", "optics": "resolved_px", "focus": "focused_px"}


@dataclass(frozen=True)
class GroupNumbers:
    """One group on one coverslip.

    Attributes
    ----------
    n_marked : int
        Objects confirmed, each once.
    area_mm2, area_share : float or None
        Area in which this group could be assessed; None where scale or coverslip is unknown.
    per_coverslip : float or None
        Scaled up to the whole glass, as if spread evenly.
    upper_limit : float or None
        One-sided 95 % limit of the objects under the whole glass.
    sensitivity : Sensitivity or None
        None: not measured, `ASSUMED_SENSITIVITY` was taken.
    """

    group: str
    n_marked: int
    area_mm2: float | None
    area_share: float | None
    per_coverslip: float | None
    upper_limit: float | None
    sensitivity: Sensitivity | None


@dataclass(frozen=True)
class UnassessedGroup:
    """A group that no picture could show, with the reason that each picture gave, in words and as figures."""

    group: str
    n_marked: int
    advice: tuple[str, ...]
    judged: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class CoverslipNumbers:
    """The numbers of one preparation.

    Attributes
    ----------
    n_pictures : int
        That were counted; fields that a mosaic shows are not counted beside it.
    area_mm2, area_share : float or None
        Assessed at all, by whichever group.
    remarks : tuple of str
        Keys of what must be said with these numbers: `no pictures`, `no scale`, `no coverslip side`,
        `may overlap`, `more than the coverslip`, `mosaic`, `focus not judged`.
    n_two_groups : int
        Objects whose candidates were confirmed under several groups; each counts under the last one.
    """

    preparation_id: int
    coverslip_mm: float | None
    n_pictures: int
    area_mm2: float | None
    area_share: float | None
    groups: tuple[GroupNumbers, ...]
    not_assessed: tuple[UnassessedGroup, ...]
    unsure: int
    remarks: tuple[str, ...]
    n_two_groups: int = 0


@dataclass(frozen=True)
class _Placed:
    """Pictures whose places a stitching found without writing a mosaic, and what they show together."""

    image_ids: frozenset[int]
    area_mm2: float


@dataclass(frozen=True)
class _Picture:
    state: ImageState
    adequacy: dict[str, Any]
    area_mm2: float | None


def count_specimen(session: Session, specimen_id: int) -> tuple[CoverslipNumbers, ...]:
    """The numbers of each preparation of a specimen, oldest first."""
    measured = measure_sensitivities(session)
    states = images.list_image_states(session, [specimen_id])[specimen_id]
    return tuple(
        _count(session, row, [one for one in states if one.image.preparation_id == row.id], measured)
        for row in specimens.list_preparations(session, specimen_id)
    )


def _count(
    session: Session, preparation: Preparation, states: Sequence[ImageState], measured: MeasuredSensitivities
) -> CoverslipNumbers:
    reports, placed = _find_reports(session, preparation.id)
    shown = find_shown_twice(session, preparation.id)
    counted = [state for state in states if state.image.id in shown.counted_image_ids]
    placed = [one for one in placed if one.image_ids <= set(shown.counted_image_ids)]
    proposals = images.newest_proposals(session, [state.image.id for state in counted])
    pictures = [_assess(state, proposals.get(state.image.id), reports) for state in counted]
    spoken = count_once(reading.list_spoken(session, [state.image.id for state in counted]), shown)
    objects = count_objects(spoken)
    answers = [current_answer(one) for one in spoken]
    n_unsure = sum(answer is not None and answer.answer == "unsure" for answer in answers)
    side_mm = preparation.coverslip_mm
    area = _sum_areas(pictures, placed)
    groups = [_count_group(name, objects, pictures, placed, side_mm, measured) for name in candidate_groups()]
    return CoverslipNumbers(
        preparation_id=preparation.id,
        coverslip_mm=side_mm,
        n_pictures=len(pictures),
        area_mm2=area,
        area_share=_share(area, side_mm),
        groups=tuple(one for one in groups if isinstance(one, GroupNumbers)),
        not_assessed=tuple(one for one in groups if isinstance(one, UnassessedGroup)),
        unsure=n_unsure,
        remarks=tuple(_remark(pictures, reports, placed, area, side_mm)),
        n_two_groups=sum(bool(one.other_groups) for one in objects),
    )


def _find_reports(session: Session, preparation_id: int) -> tuple[dict[int, dict[str, Any]], list[_Placed]]:
    """The report of each mosaic; and where pictures without one lie, the newest first, each picture once.

    Parts that hang together beside a mosaic lie somewhere by themselves.
    """
    reports: dict[int, dict[str, Any]] = {}
    placed: list[_Placed] = []
    taken: set[int] = set()
    for row in reversed(stitchings.list_stitchings(session, preparation_id)):
        if row.report is None:
            continue
        if row.image_id is not None:
            reports.setdefault(row.image_id, row.report)
        parts = row.report.get("parts", [])
        for said in parts if row.image_id is not None else [row.report, *parts]:
            image_ids = frozenset(one["image_id"] for one in said["placed"])
            area = _covered_mm2(said)
            if area is not None and not image_ids & taken:
                placed.append(_Placed(image_ids, area))
                taken |= image_ids
    return reports, placed


def _covered_mm2(report: dict[str, Any]) -> float | None:
    """What a scan shows in focus, or without anything to judge focus by; each place once."""
    coverage = report.get("coverage") or {}
    parts = [coverage.get(name, {}).get("mm2") for name in ("in_focus", "focus_not_judged")]
    return None if None in parts else float(sum(part for part in parts if part is not None))


def _assess(state: ImageState, proposal: ProposalRow | None, reports: dict[int, dict[str, Any]]) -> _Picture:
    adequacy: dict[str, Any] = {} if proposal is None else proposal.head.get("adequacy") or {}
    um_per_px, image = state.job.um_per_px, state.image
    report = reports.get(image.id)
    if not adequacy or um_per_px is None:
        return _Picture(state, adequacy, None)
    if report is not None and (area := _covered_mm2(report)) is not None:
        return _Picture(state, adequacy, area)
    seen = adequacy.get("area") or {}
    if seen.get("outline") is not None:
        return _Picture(state, adequacy, float(seen["imaged"]["mm2"]))
    share = float(adequacy["assessed_fraction"])
    return _Picture(state, adequacy, image.width * image.height * share * um_per_px**2 / 1e6)


def _sum_areas(pictures: Sequence[_Picture], placed: Sequence[_Placed]) -> float | None:
    """None where the area of a picture is unknown: a part of a sum would be taken for all of it.

    Pictures whose places are known count what they show together, each place once.
    """
    areas = {one.state.image.id: one.area_mm2 for one in pictures}
    if not areas or None in areas.values():
        return None
    total = 0.0
    for one in placed:
        if one.image_ids <= areas.keys():
            total += one.area_mm2
            areas = {number: area for number, area in areas.items() if number not in one.image_ids}
    return total + sum(area for area in areas.values() if area is not None)


def _share(area_mm2: float | None, side_mm: float | None) -> float | None:
    return None if area_mm2 is None or side_mm is None else min(1.0, area_mm2 / side_mm**2)


def _count_group(
    group: str,
    objects: Sequence[Counted],
    pictures: Sequence[_Picture],
    placed: Sequence[_Placed],
    side_mm: float | None,
    measured: MeasuredSensitivities,
) -> GroupNumbers | UnassessedGroup:
    n_marked = sum(one.group == group for one in objects)
    showing = [one for one in pictures if group not in one.adequacy.get("groups_not_resolvable", ())]
    if not showing:
        judged = {_advice(one, group): find_judged(one.adequacy, group) for one in pictures}
        return UnassessedGroup(group, n_marked, tuple(judged), tuple(judged.values()))
    # Objects in a picture that can't show the group are no part of what its assessed area holds.
    shown_ids = {one.state.image.id for one in showing}
    n_in_area = sum(one.group == group and one.image_id in shown_ids for one in objects)
    area = _sum_areas(showing, placed)
    share = _share(area, side_mm)
    sensitivity = measured.of_group(group)
    lower = ASSUMED_SENSITIVITY if sensitivity is None else sensitivity.lower
    is_known = share is not None and share > 0
    return GroupNumbers(
        group=group,
        n_marked=n_marked,
        area_mm2=area,
        area_share=share,
        per_coverslip=express_count(n_in_area, area_share=share) if is_known and share else None,
        upper_limit=limit_objects(n_in_area, area_share=share, sensitivity=lower).upper
        if is_known and share and lower > 0
        else None,
        sensitivity=sensitivity,
    )


def find_judged(adequacy: Mapping[str, Any], group: str) -> dict[str, Any]:
    """What limits a group in a picture: names, figures and the magnification; `{}` where none was kept."""
    found = next((one for one in adequacy.get("groups", ()) if one["group"] == group), None)
    if found is None:
        return {}
    objective = adequacy.get("objective") or {}
    return {
        "limited_by": list(found["limited_by"]),
        **{name: found.get(name) for name in LIMITING_FIGURES.values()},
        "magnification": objective.get("magnification"),
    }


def _advice(picture: _Picture, group: str) -> str:
    found = [one["advice"] for one in picture.adequacy.get("groups", ()) if one["group"] == group]
    return str(found[0]) if found else ""


def _remark(
    pictures: Sequence[_Picture],
    reports: dict[int, dict[str, Any]],
    placed: Sequence[_Placed],
    area: float | None,
    side_mm: float | None,
) -> list[str]:
    remarks = []
    if not pictures:
        return ["no pictures"]
    if any(one.state.job.um_per_px is None for one in pictures):
        remarks.append("no scale")
    if side_mm is None:
        remarks.append("no coverslip side")
    known = {number for one in placed for number in one.image_ids}
    free = [one for one in pictures if one.state.image.id not in known]
    if len(free) + len(placed) > 1:
        remarks.append("may overlap")
    if area is not None and side_mm is not None and area > side_mm**2:
        remarks.append("more than the coverslip")
    mosaics = [reports[one.state.image.id] for one in pictures if one.state.image.id in reports]
    if mosaics:
        remarks.append("mosaic")
    if any((one.get("coverage") or {}).get("focus_not_judged", {}).get("mm2") for one in mosaics):
        remarks.append("focus not judged")
    return remarks
