"""Specimens and the group table."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from service_calls import ok, problem, specimen_body

from triage.groups import read_groups


def test_specimen_comes_back_as_filed(assistant: httpx.Client) -> None:
    body = specimen_body() | {
        "animal_label": "Pip",
        "collected_on": "2026-11-20",
        "remarks": "soft\nwith grass",
    }
    answer = assistant.post("/api/specimens", json=body)
    filed = ok(answer, 201)
    read = ok(assistant.get(answer.headers["location"]), 200)
    assert read == filed
    assert {name: read[name] for name in ("code", "animal_label", "collected_on", "remarks")} == {
        name: body[name] for name in ("code", "animal_label", "collected_on", "remarks")
    }
    assert read["preparations"][0]["specific_gravity"] == 1.18 and read["preparations"][0]["images"] == []
    assert read["signed_off"] is None and read["created_by"]["display_name"] == "The assistant"


FACTS = {
    "method": "passive",
    "solution": "zinc sulfate",
    "specific_gravity": 1.18,
    "sample_g": 2.5,
    "consistency": "soft",
    "standing_min": 12,
    "coverslip_mm": 22,
    "vial_ml": 15,
    "vial_mouth_mm": 16.5,
    "objectives": [4, 10, 40],
    "prepared_at": None,
}


def test_every_preparation_fact_comes_back_as_filed(assistant: httpx.Client) -> None:
    filed = ok(assistant.post("/api/specimens", json=specimen_body() | {"preparation": FACTS}), 201)
    preparation = filed["preparations"][0]
    assert {name: preparation[name] for name in FACTS} == FACTS


def test_preparation_facts_may_be_left_out(assistant: httpx.Client) -> None:
    preparation = ok(assistant.post("/api/specimens", json=specimen_body()), 201)["preparations"][0]
    assert [preparation[name] for name in ("consistency", "vial_ml", "vial_mouth_mm", "objectives")] == [
        None
    ] * 4


@pytest.mark.parametrize(("gravity", "status"), [(1.0, 201), (1.6, 201), (0.99, 422), (1.61, 422)])
def test_specific_gravity_is_filed_within_the_limits_of_the_advice(
    assistant: httpx.Client, gravity: float, status: int
) -> None:
    body = specimen_body()
    body["preparation"]["specific_gravity"] = gravity
    assert assistant.post("/api/specimens", json=body).status_code == status
    advice = assistant.get("/api/preparation-advice", params={"specific_gravity": gravity})
    assert advice.status_code == (200 if status == 201 else 422)


def test_code_is_taken_once(assistant: httpx.Client) -> None:
    body = specimen_body()
    ok(assistant.post("/api/specimens", json=body), 201)
    assert body["code"] in problem(assistant.post("/api/specimens", json=body), 409)["detail"]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"species": "horse"}, "species"),
        ({"code": ""}, "code"),
        ({"code": "a\u0000b"}, "code"),
        ({"code": "\ud800"}, "code"),
        ({"collected_on": "yesterday"}, "collected_on"),
        ({"preparation": {"method": "passive"}}, "preparation.solution"),
        (
            {"preparation": {"method": "passive", "solution": "salt", "specific_gravity": 12}},
            "specific_gravity",
        ),
        ({"colour": "brown"}, "colour"),
    ],
)
def test_specimen_with_a_bad_value_is_refused_by_its_name(
    changes: dict[str, Any], field: str, assistant: httpx.Client
) -> None:
    content = json.dumps(specimen_body() | changes)
    answer = assistant.post("/api/specimens", content=content, headers={"Content-Type": "application/json"})
    assert field in problem(answer, 422)["detail"]


def test_specimens_are_listed_newest_first_in_pages(
    assistant: httpx.Client, new_specimen: Callable[..., dict[str, Any]]
) -> None:
    ids = [new_specimen()["id"] for _ in range(3)]
    page = ok(assistant.get("/api/specimens", params={"limit": 2}), 200)
    assert [one["id"] for one in page] == [ids[2], ids[1]]
    rest = ok(assistant.get("/api/specimens", params={"limit": 1, "before": ids[1]}), 200)
    assert [one["id"] for one in rest] == [ids[0]]


COUNTS = ("images", "images_under_way", "images_failed", "images_withheld", "candidates", "unmarked")


def _first_counts(client: httpx.Client) -> tuple[int, ...]:
    first = ok(client.get("/api/specimens", params={"limit": 1}), 200)[0]
    return tuple(first[name] for name in COUNTS)


def test_list_counts_what_is_unmarked(reader: httpx.Client, image: dict[str, Any]) -> None:
    first = ok(reader.get("/api/specimens", params={"limit": 1}), 200)[0]
    assert (first["id"], first["signed_off_at"]) == (image["specimen_id"], None)
    assert _first_counts(reader) == (1, 0, 0, 0, 3, 3)


def test_list_withholds_counts_from_the_reader_of_an_unaided_read_alone(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any]
) -> None:
    ok(reader.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    assert _first_counts(reader) == (1, 0, 0, 1, 0, 0)
    assert _first_counts(second) == (1, 0, 0, 0, 3, 3)


def test_specimens_need_a_person_and_an_id_that_is_there(
    assistant: httpx.Client, anybody: httpx.Client
) -> None:
    problem(anybody.get("/api/specimens"), 401)
    problem(anybody.post("/api/specimens", json=specimen_body()), 401)
    assert "no specimen 999999" in problem(assistant.get("/api/specimens/999999"), 404)["detail"]
    problem(assistant.get("/api/specimens/99999999999999999999"), 422)


def test_groups_are_the_table(reader: httpx.Client, anybody: httpx.Client) -> None:
    listed = ok(reader.get("/api/groups"), 200)
    assert [one["name"] for one in listed] == [group.name for group in read_groups()]
    problem(anybody.get("/api/groups"), 401)
