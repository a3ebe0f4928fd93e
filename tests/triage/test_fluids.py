from __future__ import annotations

import pytest

from triage.errors import RecordError
from triage.flotation import read_egg_densities
from triage.fluids import (
    find_cautions,
    find_published_gravities,
    find_standing_times,
    read_published_fluids,
    recognise_fluid,
)
from triage.groups import candidate_groups


def test_every_row_names_a_source_and_its_strength() -> None:
    for row in read_published_fluids():
        assert row.source and row.strength in ("read", "weak", "memory"), row
        assert (row.strength == "memory") == (row.source == "from memory, no source"), row


def test_no_range_is_upside_down() -> None:
    ranges = [row.gravity_range for row in read_published_fluids() if row.gravity_range]
    assert all(1 < low <= high < 1.6 for low, high in ranges)


def test_rows_speak_of_taxa_and_groups_that_exist() -> None:
    known = {*candidate_groups(), *(row.taxon for row in read_egg_densities())}
    for row in read_published_fluids():
        assert set(row.speaks_of) <= known, row
        assert set(row.floats_poorly) <= set(row.speaks_of), row


@pytest.mark.parametrize(
    ("solution", "fluid"),
    [
        ("Zinc sulfate", "zinc_sulfate"),
        ("ZnSO4 1.18", "zinc_sulfate"),
        ("Sodium nitrate", "sodium_nitrate"),
        ("Sheather's sugar solution", "sucrose"),
        ("Saturated sodium chloride", "sodium_chloride"),
        ("Magnesium sulfate", "magnesium_sulfate"),
        ("Epsom salt", "magnesium_sulfate"),
        ("Calcium something", None),
        ("", None),
    ],
)
def test_recognise_fluid_reads_what_people_type(solution: str, fluid: str | None) -> None:
    assert recognise_fluid(solution) == fluid


def test_every_recognised_fluid_is_in_the_table() -> None:
    fluids = {row.fluid for row in read_published_fluids()}
    for solution in {row.solution for row in read_published_fluids() if row.fluid != "any"}:
        assert recognise_fluid(solution) in fluids


@pytest.mark.parametrize(
    ("fluid", "ranges"),
    # Magnesium sulfate of 1.28-1.32 is from memory: left out. 1.2 is printed by the RVC/FAO guide.
    [("magnesium_sulfate", [(1.2, 1.2)]), ("honey", [])],
)
def test_published_gravities_are_those_that_were_read(fluid: str, ranges: list[tuple[float, float]]) -> None:
    assert [row.gravity_range for row in find_published_gravities(fluid)] == ranges


def test_published_gravities_of_zinc_sulfate_hold_light_and_heavy() -> None:
    # TroCCAP SOP 2: 1.18. RVC/FAO guide: 1.364 for Fasciola eggs.
    ranges = [row.gravity_range for row in find_published_gravities("zinc_sulfate")]
    assert (1.18, 1.18) in ranges and (1.364, 1.364) in ranges


def test_standing_times_of_a_fluid_come_after_those_for_all() -> None:
    times = find_standing_times("passive", "sodium_nitrate")
    assert [one.fluid for one in times][-1] == "sodium_nitrate"
    assert (8, "common practice, no source") in [(one.least_min, one.source) for one in times]
    assert not [one for one in times if one.fluid == "zinc_sulfate"]


def test_standing_times_after_the_centrifuge_are_their_own() -> None:
    # TroCCAP SOP 2: 5 to 10 min more.
    assert [(one.least_min, one.most_min) for one in find_standing_times("centrifuged")] == [(5, 10)]


def test_standing_times_refuse_an_unknown_method() -> None:
    with pytest.raises(RecordError, match=r"no method named 'shaken'. Use one of: centrifuged, passive"):
        find_standing_times("shaken")


def test_cautions_for_zinc_sulfate_name_eyes_and_water() -> None:
    words = " ".join(one.text for one in find_cautions("zinc_sulfate"))
    assert "eyes" in words and "drain" in words


@pytest.mark.parametrize("fluid", [None, "honey"])
def test_cautions_for_an_unknown_fluid_still_ask_for_gloves(fluid: str | None) -> None:
    assert [one.fluid for one in find_cautions(fluid)] == ["any"]
    assert "gloves" in find_cautions(fluid)[0].text


def test_cautions_from_memory_say_so() -> None:
    remembered = [one for one in find_cautions("sodium_nitrate") if one.strength == "memory"]
    assert remembered and all("from memory" in one.source for one in remembered)
