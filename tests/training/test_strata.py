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
    scores = {"strata": {"rows": tabulate(several(20, 8, "oocyst", sharpness=0.3))}}
    adequacy = Adequacy(
        assessed_fraction=1.0, groups_not_resolvable=not_resolvable, focus={"sharpness": 0.35}
    )
    warnings = warn_of_weak_groups(scores, adequacy)
    assert len(warnings) == n_sentences
    for note in warnings:
        assert all(words in note.text for words in ("Coccidian oocyst", "8 of 20", "go to 40x"))


def test_the_warning_writes_a_large_figure_out() -> None:
    scores = {"strata": {"rows": tabulate(several(20, 8, "oocyst", contrast=138.0))}}
    (note,) = warn_of_weak_groups(scores, Adequacy(assessed_fraction=1.0, light={"contrast": 138.0}))
    assert "contrast (140)" in note.text
