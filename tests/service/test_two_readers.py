"""Second looks that one person takes, objects that one of two readers drew, the hospital's reading rule."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
from access_world import PASSWORD, Member
from service_calls import list_candidates, mark, ok, problem, specimen_body

from service.admin import create_user
from service.settings import Settings

pytestmark = pytest.mark.on_both
# Places of the drawn slide where there is nothing.
HERE, THERE = [450, 250, 60, 60], [250, 320, 40, 40]


def _ask(client: httpx.Client, image: dict[str, Any], **asked: Any) -> dict[str, Any]:
    look: dict[str, Any] = ok(
        client.post(f"/api/specimens/{image['specimen_id']}/second-looks", json=asked), 201
    )
    return look


def _draw(client: httpx.Client, image: dict[str, Any], bbox: list[int]) -> dict[str, Any]:
    body = {"bbox": bbox, "group": "oocyst"}
    drawn: dict[str, Any] = ok(client.post(f"/api/images/{image['id']}/objects", json=body), 201)
    return drawn


def _waiting(client: httpx.Client, image: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    rows = ok(client.get("/api/waiting"), 200)
    return [one for one in rows if one["specimen_id"] == image["specimen_id"] and one["kind"] == kind]


def test_second_look_for_anybody_is_taken_by_one_of_two_at_once(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    look = _ask(people["reader"], image, blind=True)
    for name, may in (("reader", False), ("assistant", False), ("second", True), ("vet", True)):
        (row,) = _waiting(people[name], image, "second_look")
        assert (row["is_mine"], row["may_be_taken"], row["waits_for"]) == (may, True, None), name
    url = f"/api/second-looks/{look['id']}/claim"
    assert "another reader takes it" in problem(people["reader"].post(url), 403)["detail"]
    with ThreadPoolExecutor(2) as together:
        answers = dict(
            zip(
                ("second", "vet"),
                together.map(lambda name: people[name].post(url), ("second", "vet")),
                strict=True,
            )
        )
    assert sorted(answer.status_code for answer in answers.values()) == [201, 409]
    taker, late = sorted(answers, key=lambda name: answers[name].status_code)
    assert "has this second look already" in problem(answers[late], 409)["detail"]
    assert answers[taker].json()["reader"]["display_name"] == f"The {taker}"
    assert [_waiting(people[name], image, "second_look")[0]["is_mine"] for name in (taker, late)] == [
        True,
        False,
    ]
    problem(people[late].post(f"/api/second-looks/{look['id']}/close"), 403)
    ok(people[taker].post(f"/api/second-looks/{look['id']}/close"), 200)
    problem(people[late].post(url), 409)
    problem(people[late].post("/api/second-looks/999999/claim"), 404)


def test_second_look_given_back_waits_as_before_for_another_reader(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    second, vet = people["second"], people["vet"]
    look = _ask(people["reader"], image, blind=True)
    url = f"/api/second-looks/{look['id']}"
    assert "Nobody has taken" in problem(second.post(f"{url}/return"), 409)["detail"]
    ok(second.post(f"{url}/claim"), 201)
    for name, may in (("second", True), ("vet", True), ("reader", False), ("assistant", False)):
        assert _waiting(people[name], image, "second_look")[0]["may_be_given_back"] is may, name
    assert "Another reader has" in problem(people["reader"].post(f"{url}/return"), 403)["detail"]
    first = list_candidates(second, image)["candidates"][0]
    marked = mark(second, first)
    assert "1 object was marked" in problem(vet.post(f"{url}/return"), 409)["detail"]
    ok(second.post(f"/api/marks/{marked['id']}/withdrawal"), 200)
    assert ok(second.post(f"{url}/return"), 200)["reader"] is None
    (row,) = _waiting(vet, image, "second_look")
    assert (row["is_mine"], row["may_be_taken"], row["since"]) == (True, True, look["created_at"])
    ok(vet.post(f"{url}/claim"), 201)
    assert list_candidates(vet, image)["candidates"][0]["withdrawn"] == []
    logged = ok(people["reader"].get(f"/api/specimens/{image['specimen_id']}/events"), 200)
    tables = ("second_look_claims", "marks", "mark_withdrawals", "second_look_returns")
    told = [(one["table"], one["who"]["display_name"]) for one in logged if one["table"] in tables]
    assert told == [*((name, "The second") for name in tables), ("second_look_claims", "The vet")]


def test_second_look_with_a_locked_read_or_of_one_asked_by_name_is_not_given_back(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    named = _ask(
        people["reader"], image, reader_id=ok(people["second"].get("/api/session"), 200)["user"]["id"]
    )
    detail = problem(people["second"].post(f"/api/second-looks/{named['id']}/return"), 409)["detail"]
    assert "by name" in detail
    look = _ask(people["reader"], image)
    ok(people["vet"].post(f"/api/second-looks/{look['id']}/claim"), 201)
    read = ok(people["vet"].post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    ok(people["vet"].post(f"/api/reads/{read['id']}/lock"), 200)
    detail = problem(people["vet"].post(f"/api/second-looks/{look['id']}/return"), 409)["detail"]
    assert "locked in this second look" in detail


def test_only_who_took_it_reads_blind(people: dict[str, httpx.Client], image: dict[str, Any]) -> None:
    first = list_candidates(people["reader"], image)["candidates"][0]
    mark(people["reader"], first)
    look = _ask(people["reader"], image, blind=True)
    ok(people["second"].post(f"/api/second-looks/{look['id']}/claim"), 201)
    seen = {
        name: list_candidates(people[name], image)["candidates"][0]["marks"] for name in ("second", "vet")
    }
    assert (len(seen["second"]), len(seen["vet"])) == (0, 1)


def test_object_that_one_of_two_readers_drew_is_settled_before_the_signature(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    reader, second, vet = people["reader"], people["second"], people["vet"]
    sign_off = f"/api/specimens/{image['specimen_id']}/sign-off"
    for one in list_candidates(reader, image)["candidates"]:
        mark(reader, one)
    both, alone = _draw(reader, image, HERE), _draw(reader, image, THERE)
    look = _ask(reader, image, blind=True)
    ok(second.post(f"/api/second-looks/{look['id']}/claim"), 201)
    _draw(second, image, [one + 2 for one in HERE[:2]] + HERE[2:])
    assert _waiting(reader, image, "drawn_alone") == []
    ok(second.post(f"/api/second-looks/{look['id']}/close"), 200)
    (row,) = _waiting(second, image, "drawn_alone")
    assert (row["candidate_id"], row["is_mine"]) == (alone["id"], True)
    assert row["asked_by"]["display_name"] == "The reader"
    assert (row["file_name"], row["rank"], row["object_number"]) == (image["file_name"], None, 2)
    assert not _waiting(reader, image, "drawn_alone")[0]["is_mine"]
    shown = {one["id"]: one["drawn_alone"] for one in list_candidates(vet, image)["objects"]}
    assert shown[alone["id"]] and not shown[both["id"]]
    refused = problem(vet.post(sign_off, json={}), 409)
    assert "1 object was drawn by one reader alone" in refused["detail"]
    assert [one["candidate_id"] for one in refused["drawn_alone"]] == [alone["id"]]
    url = f"/api/candidates/{alone['id']}/adjudications"
    problem(reader.post(url, json={"answer": "confirm"}), 403)
    ok(vet.post(url, json={"answer": "confirm"}), 201)
    assert _waiting(second, image, "drawn_alone") == []
    ok(vet.post(sign_off, json={}), 201)


def test_mark_of_the_other_reader_speaks_of_a_lone_object(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    reads = {
        name: ok(people[name].post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
        for name in ("reader", "second")
    }
    drawn = _draw(people["reader"], image, HERE)
    # Until it is locked, a read is one's own.
    seen = {name: list_candidates(people[name], image)["objects"] for name in reads}
    assert (len(seen["reader"]), seen["second"]) == (1, [])
    for name, read in reads.items():
        ok(people[name].post(f"/api/reads/{read['id']}/lock"), 200)
    assert len(_waiting(people["second"], image, "drawn_alone")) == 1
    mark(people["second"], drawn, answer="reject", reason="pollen")
    assert _waiting(people["second"], image, "drawn_alone") == []
    assert len(_waiting(people["second"], image, "differing_marks")) == 1


@pytest.fixture
def elsewhere(settings: Settings, server: str) -> Iterator[dict[str, Member]]:
    """An administrator and an assistant of a hospital of their own."""
    with httpx.Client(base_url=server, timeout=60) as client:
        made = {}
        for role in ("administrator", "assistant"):
            create_user(settings, f"ruled-{role}", f"Ruled {role}", role, PASSWORD, hospital="Ruled")
            made[role] = Member(client, f"ruled-{role}", role)
            made[role].signed_in = made[role].sign_in()
        yield made


def test_new_specimens_begin_with_the_hospitals_rule(elsewhere: dict[str, Member]) -> None:
    administrator, assistant = elsewhere["administrator"], elsewhere["assistant"]
    older = assistant.made("/api/specimens", specimen_body())
    rule = {"rule": "unaided_first", "reason": "agreed in May"}
    problem(assistant.post("/api/reading-rules", json=rule), 403)
    problem(administrator.post("/api/reading-rules", json={"rule": "unaided_first"}), 422)
    made = administrator.made("/api/reading-rules", rule)
    assert ok(assistant.get("/api/reading-rules"), 200) == [made]
    newer = assistant.made("/api/specimens", specimen_body())
    assert ok(assistant.get(f"/api/specimens/{older['id']}/reading-rules"), 200) == []
    (held,) = ok(assistant.get(f"/api/specimens/{newer['id']}/reading-rules"), 200)
    assert (held["rule"], held["reason"], held["of_hospital"]) == ("unaided_first", "agreed in May", True)
    assert held["created_by"]["display_name"] == "Ruled administrator"
    logged = ok(assistant.get(f"/api/specimens/{newer['id']}/events"), 200)
    (entry,) = [one for one in logged if one["table"] == "reading_rules"]
    assert entry["who"]["display_name"] == "Ruled assistant"
    own = {"rule": "aided_allowed", "reason": "a control"}
    changed = administrator.made(f"/api/specimens/{newer['id']}/reading-rules", own)
    assert not changed["of_hospital"]
