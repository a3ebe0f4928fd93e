from __future__ import annotations

import pytest

from training.metrics import wilson_interval
from training.strata import BINS, JudgedObject, name_stratum, strata_to_text, tabulate
from triage.records import Adequacy
from triage.strata import find_weak_groups, warn_of_weak_groups


def several(n: int, n_found: int, group: str = "oocyst", **facts: float) -> list[JudgedObject]:
    return [
        JudgedObject(group, facts, is_found=index < n_found, is_group_right=index < n_found // 2)
        for index in range(n)
    ]


def find_row(rows: list[dict], factor: str, low: float | None = None, group: str | None = None) -> dict:
    (row,) = [row for row in rows if (row["factor"], row["low"], row["group"]) == (factor, low, group)]
    return row


def test_each_stratum_counts_its_own_objects() -> None:
    rows = tabulate([*several(10, 9, focus_depths=0.2), *several(8, 2, focus_depths=5.0)])
    assert find_row(rows, "all")["objects"] == 18
    sharp, soft = find_row(rows, "focus_depths", 0.0), find_row(rows, "focus_depths", 4.0)
    assert (sharp["objects"], sharp["found"], sharp["recall"], sharp["group_right"]) == (10, 9, 0.9, 4)
    assert (soft["objects"], soft["found"], soft["high"]) == (8, 2, None)
    assert soft["interval"] == pytest.approx(wilson_interval(2, 8), abs=1e-4)


@pytest.mark.parametrize("factor", sorted(BINS))
def test_every_value_lies_in_just_one_stratum(factor: str) -> None:
    values = [*BINS[factor][:-1], 0.999, 1.0]
    rows = tabulate([one for value in values for one in several(1, 1, **{factor: value})])
    assert sum(row["objects"] for row in rows if (row["factor"], row["group"]) == (factor, None)) == len(
        values
    )


def test_objects_without_a_fact_are_in_no_stratum_of_it() -> None:
    rows = tabulate(several(3, 1))
    assert {row["factor"] for row in rows} == {"all", "group"}


def test_table_names_each_stratum() -> None:
    rows = tabulate(several(3, 3, width_px=90.0))
    assert name_stratum(find_row(rows, "width_px", 80.0, "oocyst")) == "width px 80 and more oocyst"
    text = strata_to_text(rows, is_kept=lambda row: row["factor"] == "all")
    assert text.splitlines()[1].split()[:4] == ["all", "objects", "3", "1.000"]


def test_a_soft_picture_names_the_groups_it_would_lose() -> None:
    objects = [
        *several(20, 8, "oocyst", sharpness=0.3),
        *several(20, 20, "ascarid_egg", sharpness=0.3),
        *several(20, 20, "oocyst", sharpness=2.0),
        *several(5, 0, "giardia_cyst", sharpness=0.3),
    ]
    scores = {"strata": {"rows": tabulate(objects)}}
    (weak,) = find_weak_groups(scores, {"sharpness": 0.35}, stated_recall=0.9)
    assert (weak.group, weak.factor, weak.found, weak.objects) == ("oocyst", "sharpness", 8, 20)
    assert find_weak_groups(scores, {"sharpness": 1.5}) == ()
    assert find_weak_groups(scores, {"evenness": 0.9}) == ()
    assert find_weak_groups({}, {"sharpness": 0.35}) == ()


@pytest.mark.parametrize(("not_resolvable", "n_sentences"), [((), 1), (("oocyst",), 0)])
def test_the_warning_names_group_figures_and_cure_unless_the_picture_cant_show_it(
    not_resolvable: tuple[str, ...], n_sentences: int
) -> None:
    objects = [*several(20, 8, "oocyst", sharpness=0.3), *several(20, 12, "oocyst", sharpness=0.5)]
    scores = {"strata": {"rows": tabulate(objects)}}
    adequacy = Adequacy(
        assessed_fraction=1.0, groups_not_resolvable=not_resolvable, focus={"sharpness": 0.35}
    )
    warnings = warn_of_weak_groups(scores, adequacy)
    assert len(warnings) == n_sentences
    for note in warnings:
        assert all(words in note.text for words in ("Coccidian oocyst", "8 of 20", "go to 40x"))


def test_the_warning_rounds_the_figure() -> None:
    (note,) = warn_of_weak_groups(
        two_contrasts(8, 9), Adequacy(assessed_fraction=1.0, light={"contrast": 95.4})
    )
    assert "contrast (95)" in note.text


def two_contrasts(n_found: int, n_found_in_more: int) -> dict:
    """The scores of a record with 20 oocysts in pictures of some contrast, and 20 in pictures of more."""
    more = several(20, n_found_in_more, "oocyst", contrast=150.0)
    return {"strata": {"rows": tabulate([*several(20, n_found, "oocyst", contrast=95.0), *more])}}


@pytest.mark.parametrize("n_found_in_more", [8, 5])
def test_what_helped_in_no_other_picture_is_not_advised(n_found_in_more: int) -> None:
    adequacy = Adequacy(assessed_fraction=1.0, light={"contrast": 95.0})
    (note,) = warn_of_weak_groups(two_contrasts(8, n_found_in_more), adequacy)
    assert note.code == "weak_anyway" and "8 of 20" in note.text and "condenser" not in note.text


def test_a_group_is_named_by_what_can_be_bettered() -> None:
    """Even light shows fewest, but there is none more even; a sharper picture shows more."""
    objects = [
        *several(20, 6, "oocyst", evenness=0.95),
        *several(20, 12, "oocyst", sharpness=0.5),
        *several(20, 15, "oocyst", sharpness=0.9),
    ]
    scores = {"strata": {"rows": tabulate(objects)}}
    (weak,) = find_weak_groups(scores, {"sharpness": 0.5, "evenness": 0.95})
    assert (weak.factor, weak.is_curable, weak.found) == ("sharpness", True, 12)
