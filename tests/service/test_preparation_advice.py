"""Advice on a preparation: what it is about, and what is refused."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from service_calls import ok, problem

from service.routes.preparation_advice import FIELD_OF
from service.schemas import PreparationIn, SpecimenIn
from triage.preparation import Preparation, check_preparation

PATH = "/api/preparation-advice"
# Together they make every rule speak that these facts can: too thin, too short, old; then dense and fresh.
FACTS: tuple[dict[str, Any], ...] = (
    {
        "method": "passive",
        "solution": "Zinc sulfate",
        "specific_gravity": 1.18,
        "standing_min": 6,
        "sample_g": 0.5,
        "coverslip_mm": 40,
        "vial_ml": 50,
        "vial_mouth_mm": 45,
        "objectives": [4, 10],
        "hours_since_collection": 30,
        "prepared_at": "2026-11-23T08:00:00Z",
        "filed_at": "2026-11-23T10:00:00Z",
        "species": "dog",
    },
    {"solution": "Sheather's sugar", "specific_gravity": 1.35, "hours_since_collection": 5},
)


def ask(client: httpx.Client, **facts: Any) -> list[dict[str, Any]]:
    answer: list[dict[str, Any]] = ok(client.get(PATH, params=facts), 200)
    return answer


def rules(client: httpx.Client, **facts: Any) -> dict[str, str]:
    return {one["rule"]: one["level"] for one in ask(client, **facts)}


def test_advice_is_what_the_rules_say_with_source_and_level(reader: httpx.Client) -> None:
    facts = {"method": "passive", "standing_min": 6, "solution": "Zinc sulfate"}
    said = ask(reader, **facts)
    expected = check_preparation(Preparation(method="passive", standing_min=6, solution="Zinc sulfate"))
    assert [(one["rule"], one["text"], one["source"], one["level"]) for one in said] == [
        (one.rule, one.text, one.source, one.level) for one in expected
    ]


@pytest.mark.parametrize(
    ("fact", "value", "rule", "level"),
    [
        ("method", "passive", "method", "consider"),
        ("method", "centrifuged", "method", "fine"),
        ("specific_gravity", 1.1, "denser than the eggs", "consider"),
        ("sample_g", 0.5, "sample mass", "consider"),
        ("coverslip_mm", 22, "coverslip", "fine"),
        ("vial_ml", 50, "vial", "consider"),
        ("vial_ml", 15, "vial", "fine"),
        ("objectives", [10], "objectives", "consider"),
        ("objectives", [4, 10, 40], "objectives", "fine"),
        ("hours_since_collection", 25, "age of the sample", "consider"),
        ("hours_since_collection", 5, "kept cold", "consider"),
    ],
)
def test_each_fact_is_advised_on_by_itself(
    reader: httpx.Client, fact: str, value: object, rule: str, level: str
) -> None:
    assert rules(reader, **{fact: value})[rule] == level


@pytest.mark.parametrize(("consistency", "level"), [("formed", "fine"), ("liquid", "consider")])
def test_consistency_decides_how_much_is_enough(reader: httpx.Client, consistency: str, level: str) -> None:
    # CAPC: 1 g formed, 6 g liquid.
    assert rules(reader, sample_g=2, consistency=consistency)["sample mass"] == level


@pytest.mark.parametrize(("mouth_mm", "level"), [(16, "fine"), (22, "consider")])
def test_mouth_of_the_vial_is_compared_with_the_coverslip(
    reader: httpx.Client, mouth_mm: float, level: str
) -> None:
    assert rules(reader, vial_mouth_mm=mouth_mm, coverslip_mm=22)["vial mouth"] == level


def test_every_rule_on_a_filed_fact_names_it(reader: httpx.Client) -> None:
    said = [one for facts in FACTS for one in ask(reader, **facts)]
    assert {one["rule"]: one["field"] for one in said} == FIELD_OF
    assert set(FIELD_OF.values()) <= {*PreparationIn.model_fields, *SpecimenIn.model_fields}


def test_species_narrows_the_eggs_that_are_named(reader: httpx.Client) -> None:
    named = {
        species: " ".join(one["text"] for one in ask(reader, specific_gravity=1.1, species=species))
        for species in ("dog", "cat", "other")
    }
    assert "Trichuris vulpis" in named["dog"] and "Trichuris vulpis" in named["other"]
    assert "Trichuris vulpis" not in named["cat"]


@pytest.mark.parametrize(
    ("filed_at", "level"),
    [
        # The 20th ends last at UTC-12, on the 21st at 12:00 UTC; the sample is a day old a day later.
        ("2026-11-22T11:59:00Z", "fine"),
        ("2026-11-22T12:01:00Z", "consider"),
        ("2026-11-22T09:01:00-03:00", "consider"),
        ("2026-11-20T01:00:00Z", "fine"),
        # In the first time zone the 20th has begun, though not in UTC.
        ("2026-11-19T11:00:00Z", "fine"),
    ],
)
def test_age_counts_from_the_last_end_of_the_day_of_collection(
    reader: httpx.Client, filed_at: str, level: str
) -> None:
    assert rules(reader, collected_on="2026-11-20", filed_at=filed_at)["age of the sample"] == level


def test_age_counts_to_now_when_no_moment_is_given(reader: httpx.Client) -> None:
    assert rules(reader, collected_on="2020-01-01")["age of the sample"] == "consider"
    assert "drying" in rules(reader, prepared_at="2020-01-01T08:00:00Z")
    assert "drying" not in rules(reader, prepared_at="2999-01-01T08:00:00Z")


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_no_day_of_the_calendar_is_out_of_reach(reader: httpx.Client, day: str) -> None:
    said = rules(reader, collected_on=day, filed_at=f"{day}T23:00:00Z", prepared_at=f"{day}T23:00:00Z")
    assert said["age of the sample"] == "fine"


def test_hours_go_before_the_day_of_collection(reader: httpx.Client) -> None:
    said = rules(reader, collected_on="2020-01-01", hours_since_collection=1)
    assert said["age of the sample"] == "fine"


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ({"specific_gravity": 1.9}, "The specific gravity is 1.9; it must lie between 1.0 and 1.6"),
        ({"specific_gravity": "nan"}, "specific_gravity: Input should be a finite number; received"),
        ({"method": "shaken"}, "method: Input should be 'passive' or 'centrifuged'; received 'shaken'."),
        ({"species": "horse"}, "species: "),
        ({"standing_min": -1}, "standing_min: Input should be greater than or equal to 0; received '-1'."),
        ({"sample_g": 0}, "sample_g: Input should be greater than 0"),
        ({"coverslip_mm": 0}, "coverslip_mm: "),
        ({"consistency": "hard"}, "consistency: Input should be 'formed', 'soft', 'slurry' or 'liquid'"),
        ({"vial_ml": 0}, "vial_ml: Input should be greater than 0"),
        ({"vial_mouth_mm": 101}, "vial_mouth_mm: Input should be less than or equal to 100"),
        ({"objectives": [10, 0]}, "objectives.1: Input should be greater than 0"),
        ({"hours_since_collection": -1}, "hours_since_collection: "),
        ({"collected_on": "soon"}, "collected_on: "),
        (
            {"collected_on": "2026-11-20", "filed_at": "2026-11-19T09:00:00Z"},
            "collected_on is 2026-11-20, a day that hasn't come yet. Correct it or leave it out.",
        ),
        ({"prepared_at": "2026-11-20T08:00:00"}, "prepared_at: Input should have timezone info"),
        ({"solution": "x" * 201}, "solution: "),
        ({"gravity": 1.2}, "gravity: "),
    ],
)
def test_impossible_facts_are_refused_in_one_sentence(
    reader: httpx.Client, facts: dict[str, Any], sentence: str
) -> None:
    assert problem(reader.get(PATH, params=facts), 422)["detail"].startswith(sentence)


def test_nobody_is_advised_who_is_not_signed_in(anybody: httpx.Client) -> None:
    problem(anybody.get(PATH, params={"method": "passive"}), 401)
