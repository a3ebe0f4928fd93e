from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.errors import RecordError
from triage.preparation import COMMON_PRACTICE, Advice, Preparation, check_preparation

CAREFUL = Preparation(
    method="passive",
    solution="Zinc sulfate",
    specific_gravity=1.18,
    standing_min=12,
    sample_g=2.0,
    consistency="soft",
    coverslip_mm=22,
    vial_ml=15,
    vial_mouth_mm=16,
    hours_since_collection=1,
    objectives=(4, 10, 40),
)


def advise(rule: str, **facts: object) -> list[Advice]:
    made = replace(CAREFUL, **facts)  # type: ignore[arg-type]
    return [one for one in check_preparation(made) if one.rule == rule]


def level(rule: str, **facts: object) -> str:
    (one,) = advise(rule, **facts)
    return one.level


def test_a_careful_bench_preparation_is_fine_but_for_method_and_heavy_eggs() -> None:
    considered = [one.rule for one in check_preparation(CAREFUL) if one.level == "consider"]
    assert considered == ["method", "denser than the eggs"]


def test_facts_not_written_down_get_no_advice_but_how_to_read() -> None:
    (one,) = check_preparation(Preparation())
    assert (one.rule, one.level) == ("objectives", "fine")


def test_every_advice_has_a_source() -> None:
    assert all(one.source for one in check_preparation(CAREFUL))
    assert COMMON_PRACTICE == "common practice, no source"


@pytest.mark.parametrize("rule", ["denser than the eggs", "vial", "vial mouth", "objectives"])
def test_trade_rules_say_that_they_have_no_source(rule: str) -> None:
    (one,) = advise(rule)
    assert one.source == COMMON_PRACTICE


def test_centrifuging_is_called_more_sensitive_with_its_sources() -> None:
    (one,) = advise("method", method="passive")
    assert one.level == "consider" and "CAPC" in one.source and "Zajac et al. 2002" in one.source
    assert level("method", method="centrifuged") == "fine"


@pytest.mark.parametrize(
    ("minutes", "expected"), [(0, "consider"), (7.9, "consider"), (8, "fine"), (40, "fine")]
)
def test_eight_minutes_at_least_on_the_bench(minutes: float, expected: str) -> None:
    practice = [one for one in advise("standing time", standing_min=minutes) if one.source == COMMON_PRACTICE]
    assert [one.level for one in practice] == [expected]


def test_sources_that_differ_on_standing_are_both_shown() -> None:
    # At 6 min: TroCCAP SOP 1 asks for 10 to 15; Zajac 2002 found 5 and 10 alike with zinc sulfate.
    levels = {one.source: one.level for one in advise("standing time", standing_min=6)}
    assert levels["TroCCAP SOP 1"] == "consider"
    assert next(level for source, level in levels.items() if "Zajac" in source) == "fine"
    assert not any("Zajac" in one.source for one in advise("standing time", solution="Sodium nitrate"))


@pytest.mark.parametrize(
    ("minutes", "expected"), [(4, "consider"), (5, "fine"), (10, "fine"), (11, "consider")]
)
def test_after_the_centrifuge_five_to_ten_minutes(minutes: float, expected: str) -> None:
    # TroCCAP SOP 2.
    assert level("standing time", method="centrifuged", standing_min=minutes) == expected


@pytest.mark.parametrize(
    ("consistency", "least_g"),
    # CAPC.
    [("formed", 1), ("soft", 2), ("slurry", 4), ("liquid", 6), (None, 6)],
)
def test_sample_mass_depends_on_consistency(consistency: str | None, least_g: float) -> None:
    assert level("sample mass", consistency=consistency, sample_g=least_g) == "fine"
    assert level("sample mass", consistency=consistency, sample_g=least_g - 0.1) == "consider"


@pytest.mark.parametrize(
    ("solution", "gravity", "expected"),
    [
        ("Zinc sulfate", 1.18, "fine"),
        ("Zinc sulfate", 1.28, "consider"),
        ("Sheather's sugar solution", 1.25, "fine"),
        ("Sodium nitrate", 1.10, "consider"),
    ],
)
def test_specific_gravity_is_compared_with_what_is_printed(
    solution: str, gravity: float, expected: str
) -> None:
    assert level("usual specific gravity", solution=solution, specific_gravity=gravity) == expected


def test_an_unknown_solution_has_no_usual_gravity() -> None:
    assert advise("usual specific gravity", solution="house mix") == []


def test_eggs_that_may_not_rise_are_named_with_their_density() -> None:
    (one,) = advise("denser than the eggs", specific_gravity=1.18)
    assert one.level == "consider"
    assert "Taenia spp. 1.2251 (David & Lindquist 1982" in one.text
    assert "Opisthorchis" not in one.text


def test_a_dense_sugar_solution_is_denser_than_all_measured_eggs_of_dogs_and_cats() -> None:
    assert level("denser than the eggs", solution="Sheather's sugar", specific_gravity=1.27) == "fine"


def test_the_host_narrows_the_eggs() -> None:
    assert "Trichuris vulpis" in advise("denser than the eggs", specific_gravity=1.10)[0].text
    assert "Trichuris vulpis" not in advise("denser than the eggs", specific_gravity=1.10, host="cat")[0].text


@pytest.mark.parametrize(("gravity", "n"), [(1.27, 0), (1.32, 1), (1.40, 1)])
def test_very_dense_solutions_bend_thin_walls(gravity: float, n: int) -> None:
    assert len(advise("thin walls", specific_gravity=gravity)) == n


@pytest.mark.parametrize(("side", "expected"), [(18, "fine"), (22, "fine"), (24, "fine"), (40, "consider")])
def test_coverslip_side(side: float, expected: str) -> None:
    assert level("coverslip", coverslip_mm=side) == expected


def test_only_the_coverslip_of_22_mm_has_a_source() -> None:
    assert advise("coverslip")[0].source == "TroCCAP SOP 1"
    assert advise("coverslip", coverslip_mm=18)[0].source == COMMON_PRACTICE


@pytest.mark.parametrize(("ml", "expected"), [(9, "consider"), (10, "fine"), (20, "fine"), (21, "consider")])
def test_vial_holds_ten_to_twenty_ml(ml: float, expected: str) -> None:
    assert level("vial", vial_ml=ml) == expected


def test_vial_mouth_is_narrower_than_the_coverslip() -> None:
    assert level("vial mouth", vial_mouth_mm=21.9) == "fine"
    assert level("vial mouth", vial_mouth_mm=22) == "consider"


@pytest.mark.parametrize(
    ("hours", "age", "n_cold"),
    [(0, "fine", 0), (2, "fine", 0), (5, "fine", 1), (24, "fine", 1), (25, "consider", 0)],
)
def test_age_of_the_sample(hours: float, age: str, n_cold: int) -> None:
    assert level("age of the sample", hours_since_collection=hours) == age
    assert len(advise("kept cold", hours_since_collection=hours)) == n_cold


def test_age_is_told_as_what_it_is_at_the_least() -> None:
    (one,) = advise("age of the sample", hours_since_collection=31.9)
    assert "at least 31 h old" in one.text


@pytest.mark.parametrize(("hours", "n"), [(None, 0), (0, 0), (1, 0), (1.1, 1)])
def test_after_an_hour_crystals_and_drying_are_looked_for(hours: float | None, n: int) -> None:
    found = advise("drying", hours_since_preparation=hours)
    assert [(one.level, one.source) for one in found] == n * [("consider", COMMON_PRACTICE)]


@pytest.mark.parametrize(
    ("objectives", "expected"),
    [(None, "fine"), ((10,), "consider"), ((10, 40), "fine"), ((4, 10, 40), "fine")],
)
def test_reading_at_10x_and_40x(objectives: tuple[float, ...] | None, expected: str) -> None:
    assert level("objectives", objectives=objectives) == expected


def test_objectives_that_were_used_are_told_back() -> None:
    (one,) = advise("objectives", objectives=(10, 4, 10))
    assert one.text.endswith("This one was read at 4x, 10x.")


@given(
    method=st.sampled_from([None, "passive", "centrifuged"]),
    gravity=st.none() | st.floats(1.0, 1.6),
    minutes=st.none() | st.floats(0, 1440),
    grams=st.none() | st.floats(0.01, 100),
)
def test_no_preparation_is_ever_refused_or_named_with_a_verdict(
    method: str | None, gravity: float | None, minutes: float | None, grams: float | None
) -> None:
    made = Preparation(method=method, specific_gravity=gravity, standing_min=minutes, sample_g=grams)
    for one in check_preparation(made):
        assert one.level in ("consider", "fine")
        assert not {"positive", "negative", "infected"} & set(one.text.lower().split())


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        ({"method": "shaken"}, "no method named 'shaken'. Use one of: passive, centrifuged"),
        ({"consistency": "hard"}, "no consistency named 'hard'"),
        ({"specific_gravity": 118}, "specific gravity is 118"),
        ({"standing_min": -1}, "standing_min is -1; it must be a number 0 or more"),
        ({"hours_since_preparation": -1}, "hours_since_preparation is -1"),
        ({"sample_g": 0}, "sample_g is 0; it must be a number above 0"),
        ({"coverslip_mm": math.nan}, "coverslip_mm is nan"),
        ({"objectives": (10, 0)}, "objective is 0; it must be a number above 0"),
    ],
)
def test_impossible_facts_are_refused(facts: dict[str, object], message: str) -> None:
    with pytest.raises(RecordError, match=message):
        Preparation(**facts)  # type: ignore[arg-type]
