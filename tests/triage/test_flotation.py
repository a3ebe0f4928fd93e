from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.errors import RecordError
from triage.flotation import CAUTION, FloatCheck, check_flotation, read_egg_densities
from triage.groups import candidate_groups

ORDER = {"sinks": 0, "borderline": 1, "floats": 2}


def check(gravity: float, fluid: str | None = None, host: str | None = None) -> dict[str, FloatCheck]:
    return {one.taxon: one for one in check_flotation(gravity, fluid=fluid, host=host)}


def test_every_density_names_a_source_and_a_group() -> None:
    for row in read_egg_densities():
        assert row.source and row.strength in ("read", "weak", "memory"), row
        assert row.group in (*candidate_groups(), ""), row


def test_no_density_lies_outside_its_own_range() -> None:
    for row in read_egg_densities():
        figures = [figure for figure in (row.gravity_range[0], row.gravity, row.gravity_range[1]) if figure]
        assert figures and figures == sorted(figures), row


@pytest.mark.parametrize(
    ("gravity", "fluid", "taxon", "result"),
    # What the sources saw, against the densities of David & Lindquist 1982 (Trichuris vulpis 1.1453, Taenia
    # 1.2251, Physaloptera 1.2376).
    [
        (1.20, "sodium_nitrate", "Physaloptera spp.", "sinks"),  # missed by it: Kazacos 2010
        (1.18, "zinc_sulfate", "Taenia spp.", "sinks"),  # sugar of 1.27 was better: Dryden et al. 2006
        (1.27, "sucrose", "Taenia spp.", "floats"),
        (1.25, "sucrose", "Trichuris vulpis", "floats"),  # TroCCAP SOP 2
        (1.18, "zinc_sulfate", "Giardia duodenalis", "floats"),  # TroCCAP SOP 2
        (1.18, "zinc_sulfate", "Ancylostoma caninum", "floats"),
    ],
)
def test_check_flotation_agrees_with_what_was_seen(
    gravity: float, fluid: str, taxon: str, result: str
) -> None:
    assert check(gravity, fluid)[taxon].result == result


@pytest.mark.parametrize(
    ("gravity", "result"),
    [
        (1.12, "sinks"),
        (1.1254, "borderline"),
        (1.1453, "borderline"),
        (1.165, "borderline"),
        (1.166, "floats"),
    ],
)
def test_borderline_reaches_two_hundredths_to_both_sides(gravity: float, result: str) -> None:
    assert check(gravity)["Trichuris vulpis"].result == result


def test_a_source_that_saw_it_sink_turns_floats_into_borderline() -> None:
    # Opisthorchis viverrini weighs 1.2713-1.3043, yet sodium nitrate of 1.40 did not float it (Harnnoi 1998).
    one = check(1.40, "sodium_nitrate")["Opisthorchis viverrini"]
    assert (one.result, one.is_contradicted) == ("borderline", True)
    assert any("Harnnoi" in report.source for report in one.reports)
    assert check(1.40, "sucrose")["Opisthorchis viverrini"].result == "floats"


def test_reports_on_another_gravity_are_left_out() -> None:
    # The RVC/FAO guide names zinc sulfate of 1.364 for Fasciola eggs; that says nothing of 1.18.
    def sources(gravity: float) -> str:
        return " ".join(
            row.source for row in check(gravity, "zinc_sulfate")["Opisthorchis viverrini"].reports
        )

    assert "RVC/FAO" in sources(1.36)
    assert "RVC/FAO" not in sources(1.18)


def test_figures_from_memory_are_shown_but_do_not_decide() -> None:
    # Giardia: 1.013 was read, 1.036 is from memory; at 1.045 only the first lets it float.
    one = check(1.045)["Giardia duodenalis"]
    assert one.result == "floats"
    assert [row.gravity for row in one.other_densities] == [1.036]


def test_a_stage_without_a_measured_density_has_no_reference() -> None:
    one = check(1.18)["Uncinaria stenocephala"]
    assert (one.result, one.densities) == ("no reference", ())


def test_every_candidate_group_is_answered_for_dogs() -> None:
    answered = {one.group for one in check_flotation(1.2, host="dog")}
    assert answered == set(candidate_groups()) - {"other_egg"}


def test_each_taxon_is_answered_once() -> None:
    stages = [(one.taxon, one.stage) for one in check_flotation(1.2)]
    assert len(stages) == len(set(stages))


def test_a_host_leaves_out_the_stages_of_others() -> None:
    assert {"Toxocara canis", "Parascaris equorum"} <= set(check(1.2))
    dogs = check(1.2, host="dog")
    assert "Toxocara canis" in dogs
    assert not {"Toxocara cati", "Parascaris equorum"} & set(dogs)


def test_lightest_come_first_and_unmeasured_last() -> None:
    checks = check_flotation(1.2)
    results = [one.result for one in checks]
    assert checks[0].taxon == "Cryptosporidium parvum"
    assert results[0] == "floats"
    assert set(results[results.index("no reference") :]) == {"no reference"}


@given(gravity=st.floats(1.0, 1.55), more=st.floats(0, 0.05))
def test_a_denser_fluid_never_floats_less_by_density(gravity: float, more: float) -> None:
    # Without the reports of what was seen, which hold for one fluid only.
    light, dense = check(gravity, "honey"), check(gravity + more, "honey")
    for taxon, one in light.items():
        if one.densities:
            assert ORDER[dense[taxon].result] >= ORDER[one.result]


def test_the_caution_does_not_let_absence_be_read_from_it() -> None:
    assert "can't be said to be absent" in CAUTION


@pytest.mark.parametrize("gravity", [0.99, 1.61, 118, math.nan, math.inf])
def test_check_flotation_refuses_an_impossible_gravity(gravity: float) -> None:
    with pytest.raises(RecordError, match=rf"specific gravity is {gravity}; it must lie between 1.0 and 1.6"):
        check_flotation(gravity)
