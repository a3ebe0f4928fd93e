from __future__ import annotations

from typing import Any

import pytest

from triage.groups import read_groups
from triage.reasons import explain_candidate
from triage.records import Ellipse
from triage.size_check import MeasuredSize, check_size


def explain(**changes: Any) -> tuple[str, ...]:
    group = changes.pop("group", "trichurid_egg")
    size = changes.get("size")
    given: dict[str, Any] = {
        "group": group,
        "shares": {one.name: 0.0 for one in read_groups()} | {group: 1.0},
        "ellipse": Ellipse(50, 50, 80, 40, 0),
        "size": None,
        "size_check": check_size(size, group),
        "is_cut_off": False,
    }
    return explain_candidate(**(given | changes))


def test_explain_candidate_without_scale() -> None:
    assert explain() == (
        "Resembles trichurid egg (whipworm, capillarids), share 1.00.",
        "A closed outline was found, 2.00 times as long as wide.",
        "The scale is unknown, so its size was not measured.",
    )


@pytest.mark.parametrize(("share", "is_named"), [(0.09, False), (0.1, True)])
def test_explain_candidate_names_look_alikes_from_a_tenth(share: float, is_named: bool) -> None:
    shares = {one.name: 0.0 for one in read_groups()} | {"trichurid_egg": 1 - share, "pollen": share}
    assert ("Also resembles pollen, share 0.10." in explain(shares=shares)) == is_named


def test_explain_candidate_names_every_taxon_that_fits_and_the_first_source() -> None:
    size = MeasuredSize(75, 36, 0.5, 0.5)
    text = explain(size=size)[-1]
    assert text.startswith(
        "Fits the published size of Trichuris vulpis (72-90 x 32-40 µm; Atlas of Livestock"
    )
    assert "Also fits Trichuris spp., Eucoleus aerophilus." in text


def test_explain_candidate_names_what_size_cannot_tell_apart() -> None:
    text = explain(group="ascarid_egg", size=MeasuredSize(88, 85, 0.5, 0.5))[-1]
    assert text.startswith("Fits the published size of Toxocara canis (75-90 x 65-90 µm;")
    assert "Size can't tell it from Toxocara cati, Toxocara canis/cati." in text


def test_explain_candidate_names_a_range_that_the_size_misses() -> None:
    text = explain(size=MeasuredSize(150, 90, 0.5, 0.5))[-1]
    assert text.startswith("Lies outside the published sizes of this group, for instance Trichuris vulpis")


@pytest.mark.parametrize(("share", "is_told"), [(0.09, False), (0.1, True)])
def test_explain_candidate_says_that_a_spine_is_not_counted_where_there_may_be_one(
    share: float, is_told: bool
) -> None:
    shares = {one.name: 0.0 for one in read_groups()} | {"operculate_egg": 1 - share, "other_egg": share}
    size = MeasuredSize(140, 60, 1, 1)
    sentence = "A spine, if it has one, isn't counted in its length and width."
    assert (explain(group="operculate_egg", shares=shares, size=size)[-1] == sentence) == is_told
    # What the detector estimates without an outline isn't the shell's alone.
    assert sentence not in explain(shares=shares, size=size, ellipse=None)


def test_explain_candidate_says_when_no_range_was_read() -> None:
    size = MeasuredSize(50, 50, 0.5, 0.5)
    assert explain(size=size, size_check=check_size(size, "pollen"))[-1].startswith("No range from a source")


@pytest.mark.parametrize(
    ("length_um", "sentence"),
    [
        (47.9, "The whole may be larger, so the size check can't decide."),
        (250, "The part in sight is already larger than the published sizes of this group, for instance "),
    ],
)
def test_explain_candidate_says_what_the_size_of_a_part_can_tell(length_um: float, sentence: str) -> None:
    text = explain(ellipse=None, size=MeasuredSize(length_um, 30, 12, 8, is_of_part=True), is_cut_off=True)
    assert (
        "The edge of the picture cuts it, so its size is only the detector's own estimate of the part"
        in text[1]
    )
    assert text[2].startswith(f"Measures {length_um:.1f} ± 12.0 x")
    assert text[3].startswith(sentence)
    assert "Fits" not in " ".join(text)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"ellipse": None}, "No closed outline was found."),
        ({"ellipse": None, "is_cut_off": True}, "The edge of the picture cuts it."),
        (
            {"ellipse": None, "size": MeasuredSize(80, 40, 8, 4)},
            "No closed outline was found, so its size is only the detector's own estimate.",
        ),
    ],
)
def test_explain_candidate_says_what_the_size_rests_on(changes: dict[str, Any], sentence: str) -> None:
    assert sentence in explain(**changes)
