"""Marks, reader-added objects, adjudications."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem

from service.accounts import Accounts
from service.settings import Settings, read_session_secret
from service.store import people
from service.store.database import Database

pytestmark = pytest.mark.on_both

Candidates = list[dict[str, Any]]


def _current(client: httpx.Client, image: dict[str, Any], candidate: dict[str, Any]) -> dict[str, Any]:
    listed = list_candidates(client, image)
    every = [*listed["candidates"], *listed["below_cut"], *listed["objects"]]
    return next(one for one in every if one["id"] == candidate["id"])


def test_confirm_without_a_group_takes_the_candidates(
    reader: httpx.Client, image: dict[str, Any], candidates: Candidates
) -> None:
    made = mark(reader, candidates[0])
    assert (made["answer"], made["group"], made["replaces"]) == ("confirm", candidates[0]["group"], None)
    assert _current(reader, image, candidates[0])["current"] == made


def test_changed_mind_is_a_new_mark_that_points_at_the_old(
    reader: httpx.Client, image: dict[str, Any], candidates: Candidates
) -> None:
    first = mark(reader, candidates[0])
    second = mark(reader, candidates[0], answer="reject", reason="pollen", remark="air sacs")
    assert second["replaces"] == first["id"]
    seen = _current(reader, image, candidates[0])
    assert seen["marks"] == [first, second] and seen["current"] == second and not seen["unsettled"]


def test_mark_that_replaces_an_outdated_one_is_a_conflict(
    reader: httpx.Client, candidates: Candidates
) -> None:
    first = mark(reader, candidates[0])
    second = mark(reader, candidates[0], answer="unsure", replaces=first["id"])
    body = {"answer": "confirm", "replaces": first["id"]}
    answer = reader.post(f"/api/candidates/{candidates[0]['id']}/marks", json=body)
    assert str(second["id"]) in problem(answer, 409)["detail"]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"answer": "reject"}, "needs a reason"),
        ({"answer": "reject", "reason": "ascarid_egg"}, "Use one of: pollen"),
        ({"answer": "confirm", "reason": "pollen"}, "belongs to a rejection"),
        ({"answer": "confirm", "group": "pollen"}, "no candidate group 'pollen'"),
        ({"answer": "maybe"}, "answer"),
        ({}, "answer"),
    ],
)
def test_mark_that_makes_no_sense_is_refused(
    body: dict[str, Any], said: str, reader: httpx.Client, seen_image: dict[str, Any]
) -> None:
    first = list_candidates(reader, seen_image)["candidates"][0]
    assert said in problem(reader.post(f"/api/candidates/{first['id']}/marks", json=body), 422)["detail"]


def test_marks_need_a_reader_and_a_candidate(
    reader: httpx.Client, assistant: httpx.Client, anybody: httpx.Client, candidates: Candidates
) -> None:
    url, body = f"/api/candidates/{candidates[0]['id']}/marks", {"answer": "confirm"}
    problem(anybody.post(url, json=body), 401)
    assert "'assistant'" in problem(assistant.post(url, json=body), 403)["detail"]
    problem(reader.post("/api/candidates/999999/marks", json=body), 404)


def test_missed_object_comes_with_its_readers_mark(reader: httpx.Client, image: dict[str, Any]) -> None:
    body = {"bbox": [10, 12.5, 40, 30], "group": "oocyst", "remark": "thin wall"}
    added = ok(reader.post(f"/api/images/{image['id']}/objects", json=body), 201)
    assert (added["origin"], added["rank"], added["score"]) == ("reader", None, None)
    assert added["bbox"] == [10, 12.5, 40, 30] and added["drawn_by"]["display_name"] == "The reader"
    assert (added["current"]["answer"], added["current"]["group"]) == ("confirm", "oocyst")
    assert list_candidates(reader, image)["objects"] == [added]
    assert mark(reader, added, answer="unsure")["replaces"] == added["current"]["id"]


@pytest.mark.parametrize(
    "bbox",
    [[0, 0, 0, 5], [-1, 0, 5, 5], [590, 0, 11, 5], [0, 415, 5, 5.5], [0, 0, 5], [0, 0, "wide", 5]],
)
def test_missed_object_outside_the_picture_is_refused(
    bbox: list[Any], reader: httpx.Client, seen_image: dict[str, Any]
) -> None:
    answer = reader.post(f"/api/images/{seen_image['id']}/objects", json={"bbox": bbox, "group": "oocyst"})
    problem(answer, 422)
    assert list_candidates(reader, seen_image)["objects"] == []


def test_missed_object_needs_a_reader_and_an_image(
    reader: httpx.Client, assistant: httpx.Client, image: dict[str, Any]
) -> None:
    body = {"bbox": [1, 1, 9, 9], "group": "oocyst"}
    problem(assistant.post(f"/api/images/{image['id']}/objects", json=body), 403)
    problem(reader.post("/api/images/999999/objects", json=body), 404)
    problem(reader.post(f"/api/images/{image['id']}/objects", json=body | {"group": "pollen"}), 422)


def test_differing_marks_are_settled_by_somebody_else(
    reader: httpx.Client,
    second: httpx.Client,
    vet: httpx.Client,
    image: dict[str, Any],
    candidates: Candidates,
) -> None:
    url = f"/api/candidates/{candidates[0]['id']}/adjudications"
    verdict = {"answer": "reject", "reason": "pollen", "remark": "seen at 40x"}
    mark(reader, candidates[0])
    problem(vet.post(url, json=verdict), 409)
    mark(second, candidates[0], answer="reject", reason="air_bubble")
    assert _current(reader, image, candidates[0])["unsettled"]
    assert "Your own mark" in problem(second.post(url, json=verdict), 403)["detail"]
    settled = ok(vet.post(url, json=verdict), 201)
    seen = _current(reader, image, candidates[0])
    assert not seen["unsettled"] and seen["adjudication"] == settled == seen["current"]
    assert len(seen["marks"]) == 2


def test_mark_against_an_adjudication_opens_it_again(
    reader: httpx.Client,
    second: httpx.Client,
    vet: httpx.Client,
    image: dict[str, Any],
    candidates: Candidates,
) -> None:
    mark(reader, candidates[0])
    mark(second, candidates[0], answer="unsure")
    url = f"/api/candidates/{candidates[0]['id']}/adjudications"
    first = ok(vet.post(url, json={"answer": "confirm"}), 201)
    mark(second, candidates[0], answer="confirm")
    assert not _current(reader, image, candidates[0])["unsettled"]
    mark(second, candidates[0], answer="unsure")
    assert _current(reader, image, candidates[0])["unsettled"]
    assert ok(vet.post(url, json={"answer": "confirm"}), 201)["replaces"] == first["id"]


def test_two_reasons_for_one_rejection_do_not_differ(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any], candidates: Candidates
) -> None:
    mark(reader, candidates[0], answer="reject", reason="pollen")
    mark(second, candidates[0], answer="reject", reason="plant_debris")
    assert not _current(reader, image, candidates[0])["unsettled"]


def test_two_groups_for_one_candidate_differ(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any], candidates: Candidates
) -> None:
    mark(reader, candidates[0], group="ascarid_egg")
    mark(second, candidates[0], group="taeniid_egg")
    assert _current(reader, image, candidates[0])["unsettled"]


def test_twenty_readers_at_once_lose_no_mark(
    server: str, settings: Settings, reader: httpx.Client, image: dict[str, Any], candidates: Candidates
) -> None:
    tokens = _add_readers(settings, 20)

    def mark_all(token: str) -> None:
        with httpx.Client(
            base_url=server, timeout=120, headers={"Authorization": f"Bearer {token}"}
        ) as client:
            for candidate in candidates:
                mark(client, candidate, answer="unsure")
                mark(client, candidate, answer="confirm")

    with ThreadPoolExecutor(20) as pool:
        list(pool.map(mark_all, tokens.values()))
    for candidate in list_candidates(reader, image)["candidates"]:
        assert sorted(one["reader"]["display_name"] for one in candidate["marks"]) == sorted(
            [*tokens, *tokens]
        )
        assert sum(one["replaces"] is not None for one in candidate["marks"]) == 20


def _add_readers(settings: Settings, n: int) -> dict[str, str]:
    """Readers who never sign in, each with a token."""
    database = Database(settings.records_url())
    accounts = Accounts(database, read_session_secret(settings), session_hours=1, tries_per_minute=1)
    tokens = {}
    for name in (f"many {number}" for number in range(n)):
        with database.write() as session:
            user = people.add_user(
                session, user_name=name, display_name=name, role="reader", password_hash=""
            )
        tokens[name] = accounts.add_token(user, "many")[1]
    database.close()
    return tokens
