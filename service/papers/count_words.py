"""Numbers of a coverslip as sentences."""

from __future__ import annotations

import math
from typing import Any

from service.numbers import CoverslipNumbers, GroupNumbers
from service.papers.limit_words import tell_limit


def tell_area(words: dict[str, Any], numbers: CoverslipNumbers) -> str:
    """What area was assessed, in how many pictures."""
    said = words["numbers"]
    n = numbers.n_pictures
    pictures = said["one_picture"] if n == 1 else said["many_pictures"].format(n=n)
    if numbers.area_mm2 is None:
        return str(said["area_unknown"].format(pictures=pictures))
    area = f"{numbers.area_mm2:.3g}"
    if numbers.area_share is None or numbers.coverslip_mm is None:
        return str(said["area_only"].format(area=area, pictures=pictures))
    return str(
        said["area"].format(
            area=area,
            pictures=pictures,
            share=tell_share(numbers.area_share),
            side=f"{numbers.coverslip_mm:g}",
        )
    )


def tell_group(words: dict[str, Any], one: GroupNumbers, numbers: CoverslipNumbers) -> str:
    """What was marked of a group, and how many may lie under the glass."""
    said = words["numbers"]
    if one.upper_limit is None or one.area_share is None or one.per_coverslip is None:
        return str(said["no_limit"].format(n=one.n_marked, why=said[_why_not(one, numbers)]))
    key = "marked_scaled" if one.n_marked else "none_marked"
    return str(
        said[key].format(
            n=one.n_marked,
            share=tell_share(one.area_share),
            whole=tell_many(round(one.per_coverslip)),
            limit=tell_many(math.floor(one.upper_limit), is_limit=True),
            basis=_tell_basis(said, one),
        )
    )


def tell_remarks(words: dict[str, Any], numbers: CoverslipNumbers) -> list[str]:
    """What must be said with the numbers."""
    said = words["numbers"]
    remarks = [said[remark.replace(" ", "_")] for remark in numbers.remarks]
    if numbers.unsure:
        remarks.append(said["unsure"].format(n=numbers.unsure))
    if numbers.n_two_groups:
        remarks.append(said["two_groups"].format(n=numbers.n_two_groups))
    return [*remarks, said["not_epg"], said["even"]]


def tell_not_assessed(words: dict[str, Any], numbers: CoverslipNumbers) -> list[str]:
    """The groups that no picture could show, a line for each reason."""
    if not numbers.n_pictures:
        return []
    said = words["numbers"]
    return [
        said["not_assessed_marked" if one.n_marked else "not_assessed_line"].format(
            group=words["groups"][one.group], n=one.n_marked, why=why
        )
        for one in numbers.not_assessed
        for why in dict.fromkeys(tell_limit(words, judged) for judged in one.judged)
    ]


def tell_share(share: float) -> str:
    """A share as percent."""
    return f"{100 * share:.3g} %"


def tell_many(n: int, *, is_limit: bool = False) -> str:
    """A number scaled up from few objects, in three figures; one that is a limit never less than it is."""
    step = 10 ** max(0, len(str(n)) - 3)
    return f"{step * (math.ceil(n / step) if is_limit else round(n / step)):,}"


def _why_not(one: GroupNumbers, numbers: CoverslipNumbers) -> str:
    if numbers.n_pictures == 0:
        return "why_no_area"
    if one.area_mm2 is None:
        return "why_no_scale"
    if numbers.coverslip_mm is None:
        return "why_no_side"
    return "why_no_area" if not one.area_mm2 else "why_no_sensitivity"


def _tell_basis(said: dict[str, Any], one: GroupNumbers) -> str:
    measured = one.sensitivity
    if measured is None:
        return str(said["basis_assumed"])
    key = "basis_group" if measured.is_of_group else "basis_all"
    share = tell_share(measured.lower)
    return str(said[key].format(share=share, found=measured.n_found, objects=measured.n_objects))
