"""Aided and unaided reads, and second looks."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem

pytestmark = pytest.mark.on_both


def _begin(client: httpx.Client, image: dict[str, Any], mode: str) -> dict[str, Any]:
    read: dict[str, Any] = ok(client.post(f"/api/images/{image['id']}/reads", json={"mode": mode}), 201)
    return read


def _image(client: httpx.Client, image: dict[str, Any]) -> dict[str, Any]:
    read: dict[str, Any] = ok(client.get(f"/api/images/{image['id']}"), 200)
    return read


def test_unaided_read_withholds_candidates_until_it_is_locked(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any]
) -> None:
    read = _begin(reader, image, "unaided")
    assert not read["shown_before"]
    answer = list_candidates(reader, image)
    assert answer["withheld"] and answer["candidates"] == [] and answer["below_cut"] == []
    assert len(list_candidates(second, image)["candidates"]) == 3
    locked = ok(reader.post(f"/api/reads/{read['id']}/lock"), 200)
    assert _image(reader, image)["reading"] == read | locked
    answer = list_candidates(reader, image)
    assert not answer["withheld"] and len(answer["candidates"]) == 3


def test_unaided_reader_learns_no_counts_crops_or_marks(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any], candidates: list[dict[str, Any]]
) -> None:
    _begin(reader, image, "unaided")
    url = f"/api/candidates/{candidates[0]['id']}"
    assert _image(reader, image)["candidates"] is None and _image(vet, image)["candidates"] == 3
    specimen = ok(reader.get(f"/api/specimens/{image['specimen_id']}"), 200)
    assert specimen["preparations"][0]["images"][0]["unmarked"] is None
    problem(reader.get(f"{url}/crop.jpg"), 409)
    problem(reader.post(f"{url}/marks", json={"answer": "confirm"}), 409)


def test_unaided_reader_adds_objects_and_sees_them(reader: httpx.Client, image: dict[str, Any]) -> None:
    _begin(reader, image, "unaided")
    added = reader.post(
        f"/api/images/{image['id']}/objects", json={"bbox": [100, 80, 80, 60], "group": "oocyst"}
    )
    assert list_candidates(reader, image)["objects"] == [ok(added, 201)]


def test_read_is_locked_once_by_its_own_reader(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any]
) -> None:
    lock = f"/api/reads/{_begin(reader, image, 'unaided')['id']}/lock"
    problem(second.post(lock), 403)
    ok(reader.post(lock), 200)
    assert "locked already" in problem(reader.post(lock), 409)["detail"]
    problem(reader.post("/api/reads/999999/lock"), 404)


def test_unaided_read_cannot_be_slipped_by_an_aided_one(reader: httpx.Client, image: dict[str, Any]) -> None:
    _begin(reader, image, "unaided")
    answer = reader.post(f"/api/images/{image['id']}/reads", json={"mode": "aided"})
    assert "Lock it" in problem(answer, 409)["detail"]
    assert list_candidates(reader, image)["withheld"]


def test_unaided_read_after_the_candidates_were_shown_says_so(
    reader: httpx.Client, image: dict[str, Any]
) -> None:
    list_candidates(reader, image)
    assert _begin(reader, image, "unaided")["shown_before"]


def test_marks_after_the_lock_do_not_enter_the_unaided_read(
    reader: httpx.Client, image: dict[str, Any]
) -> None:
    read = _begin(reader, image, "unaided")
    ok(reader.post(f"/api/reads/{read['id']}/lock"), 200)
    mark(reader, list_candidates(reader, image)["candidates"][0])
    assert _image(reader, image)["reading"]["mode"] == "unaided"
    answer = reader.post(f"/api/reads/{read['id'] + 1}/lock")
    assert "is aided" in problem(answer, 409)["detail"]


def test_reads_need_a_reader_an_image_and_a_mode(
    reader: httpx.Client, assistant: httpx.Client, anybody: httpx.Client, image: dict[str, Any]
) -> None:
    url = f"/api/images/{image['id']}/reads"
    problem(anybody.post(url, json={"mode": "aided"}), 401)
    problem(assistant.post(url, json={"mode": "aided"}), 403)
    problem(reader.post(url, json={"mode": "blind"}), 422)
    problem(reader.post("/api/images/999999/reads", json={"mode": "aided"}), 404)


@pytest.fixture
def second_id(second: httpx.Client) -> int:
    number: int = ok(second.get("/api/session"), 200)["user"]["id"]
    return number


def test_blind_second_look_hides_what_others_said_until_it_is_closed(
    reader: httpx.Client,
    second: httpx.Client,
    second_id: int,
    image: dict[str, Any],
    candidates: list[dict[str, Any]],
) -> None:
    mark(reader, candidates[0])
    reader.post(f"/api/images/{image['id']}/objects", json={"bbox": [1, 1, 9, 9], "group": "oocyst"})
    body = {"reader_id": second_id, "blind": True}
    look = ok(reader.post(f"/api/specimens/{image['specimen_id']}/second-looks", json=body), 201)
    assert look["id"] in [one["id"] for one in ok(second.get("/api/second-looks"), 200)]
    hidden = list_candidates(second, image)
    assert hidden["candidates"][0]["marks"] == [] and hidden["candidates"][0]["current"] is None
    assert hidden["objects"] == []
    own = mark(second, candidates[0], answer="unsure")
    assert list_candidates(second, image)["candidates"][0]["marks"] == [own]
    assert ok(second.post(f"/api/second-looks/{look['id']}/close"), 200)["closed_at"]
    shown = list_candidates(second, image)
    assert len(shown["candidates"][0]["marks"]) == 2 and len(shown["objects"]) == 1


def test_second_look_waits_for_its_reader_only(
    reader: httpx.Client, second: httpx.Client, vet: httpx.Client, second_id: int, image: dict[str, Any]
) -> None:
    asked = reader.post(f"/api/specimens/{image['specimen_id']}/second-looks", json={"reader_id": second_id})
    look = ok(asked, 201)
    assert look["id"] not in [one["id"] for one in ok(vet.get("/api/second-looks"), 200)]
    problem(vet.post(f"/api/second-looks/{look['id']}/close"), 403)
    ok(reader.post(f"/api/second-looks/{look['id']}/close"), 200)
    problem(second.post(f"/api/second-looks/{look['id']}/close"), 409)
    problem(second.post("/api/second-looks/999999/close"), 404)


def test_second_look_needs_somebody_who_may_read(
    reader: httpx.Client, assistant: httpx.Client, image: dict[str, Any]
) -> None:
    url = f"/api/specimens/{image['specimen_id']}/second-looks"
    assistant_id = ok(assistant.get("/api/session"), 200)["user"]["id"]
    problem(reader.post(url, json={"reader_id": assistant_id}), 403)
    problem(reader.post(url, json={"reader_id": 999999}), 404)
    problem(reader.post("/api/specimens/999999/second-looks", json={}), 404)
