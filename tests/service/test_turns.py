"""How reader and tool, and readers among themselves, take turns."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem

pytestmark = pytest.mark.on_both
# The first of the drawn ellipses, loosely boxed by hand; and a place where there is nothing.
OVER_FIRST, ELSEWHERE = [95, 85, 80, 60], [450, 250, 60, 60]


def _begin(client: httpx.Client, image: dict[str, Any], mode: str = "unaided") -> dict[str, Any]:
    read: dict[str, Any] = ok(client.post(f"/api/images/{image['id']}/reads", json={"mode": mode}), 201)
    return read


def _draw(client: httpx.Client, image: dict[str, Any], bbox: list[int], group: str) -> dict[str, Any]:
    body = {"bbox": bbox, "group": group}
    drawn: dict[str, Any] = ok(client.post(f"/api/images/{image['id']}/objects", json=body), 201)
    return drawn


def _lock(client: httpx.Client, read: dict[str, Any]) -> None:
    ok(client.post(f"/api/reads/{read['id']}/lock"), 200)


def _differences(client: httpx.Client, read: dict[str, Any]) -> dict[str, Any]:
    answer: dict[str, Any] = ok(client.get(f"/api/reads/{read['id']}/differences"), 200)
    return answer


def _user_id(client: httpx.Client) -> int:
    return int(ok(client.get("/api/session"), 200)["user"]["id"])


def _waiting(client: httpx.Client, image: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in ok(client.get("/api/waiting"), 200) if one["specimen_id"] == image["specimen_id"]]


def test_differences_come_after_the_lock_in_three_lists(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any]
) -> None:
    read = _begin(reader, image)
    drawn, alone = (_draw(reader, image, box, "oocyst") for box in (OVER_FIRST, ELSEWHERE))
    problem(reader.get(f"/api/reads/{read['id']}/differences"), 409)
    _lock(reader, read)
    first, *others = list_candidates(reader, image)["candidates"]
    answer = _differences(reader, read)
    assert [(pair["object_id"], pair["candidate_id"]) for pair in answer["both"]] == [
        (drawn["id"], first["id"])
    ]
    assert answer["only_reader"] == [alone["id"]]
    assert answer["only_tool"] == [one["id"] for one in others]
    assert answer["changes"] == []
    problem(second.get(f"/api/reads/{read['id']}/differences"), 403)


def test_changes_after_the_lock_keep_their_direction(reader: httpx.Client, image: dict[str, Any]) -> None:
    read = _begin(reader, image)
    _draw(reader, image, OVER_FIRST, "oocyst")
    alone = _draw(reader, image, ELSEWHERE, "oocyst")
    _lock(reader, read)
    first, taken, refused = list_candidates(reader, image)["candidates"]
    mark(reader, taken)
    mark(reader, refused, answer="reject", reason="pollen")
    mark(reader, first, group="taeniid_egg")
    mark(reader, alone, answer="reject", reason="pollen")
    changes = _differences(reader, read)["changes"]
    said = [
        (one["candidate_id"], one["before_group"], one["mark"]["group"], one["direction"]) for one in changes
    ]
    assert said == [
        (taken["id"], None, taken["group"], "toward_tool"),
        (first["id"], "oocyst", "taeniid_egg", "neither"),
        (alone["id"], "oocyst", None, "toward_tool"),
    ]


def test_mark_is_taken_back_and_the_one_before_holds_again(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any], candidates: list[dict[str, Any]]
) -> None:
    earlier, slip = mark(reader, candidates[0]), mark(reader, candidates[0], answer="unsure")
    problem(reader.post(f"/api/marks/{earlier['id']}/withdrawal"), 409)
    problem(second.post(f"/api/marks/{slip['id']}/withdrawal"), 403)
    ok(reader.post(f"/api/marks/{slip['id']}/withdrawal"), 200)
    now = list_candidates(reader, image)["candidates"][0]
    assert now["current"]["id"] == earlier["id"] and [one["id"] for one in now["withdrawn"]] == [slip["id"]]
    problem(reader.post(f"/api/marks/{slip['id']}/withdrawal"), 409)
    assert mark(reader, candidates[0], answer="unsure")["replaces"] == slip["id"]


def test_own_find_is_taken_back_only_before_the_lock(reader: httpx.Client, image: dict[str, Any]) -> None:
    read = _begin(reader, image)
    slip, kept = (_draw(reader, image, box, "oocyst") for box in (OVER_FIRST, ELSEWHERE))
    ok(reader.post(f"/api/marks/{slip['marks'][0]['id']}/withdrawal"), 200)
    assert [one["id"] for one in list_candidates(reader, image)["objects"]] == [kept["id"]]
    _lock(reader, read)
    answer = reader.post(f"/api/marks/{kept['marks'][0]['id']}/withdrawal")
    assert "locked unaided read" in problem(answer, 409)["detail"]


def test_specimen_read_unaided_first_withholds_until_it_is_allowed(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any]
) -> None:
    url = f"/api/specimens/{image['specimen_id']}/reading-rules"
    rule = {"rule": "unaided_first", "reason": "teaching slide"}
    problem(reader.post(url, json=rule), 403)
    ok(vet.post(url, json=rule), 201)
    assert list_candidates(reader, image)["withheld"]
    assert ok(reader.get(f"/api/images/{image['id']}"), 200)["candidates"] is None
    problem(reader.post(f"/api/images/{image['id']}/reads", json={"mode": "aided"}), 409)
    ok(vet.post(url, json={"rule": "aided_allowed", "reason": "urgent"}), 201)
    _begin(reader, image, "aided")
    assert not list_candidates(reader, image)["withheld"]
    assert [one["rule"] for one in ok(reader.get(url), 200)] == ["unaided_first", "aided_allowed"]


def test_place_and_what_was_on_screen_are_kept_for_each_reader(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any]
) -> None:
    url = f"/api/images/{image['id']}/reading-place"
    place = {"x": 150, "y": 100, "screen_per_px": 1, "stop": 2, "group": "ascarid_egg"}
    view = {"bbox": [0, 0, 300, 420], "screen_per_px": 1.0}
    far = {"bbox": [300, 0, 300, 420], "screen_per_px": 0.02}
    ok(reader.post(url, json={"views": [view, far], "place": place}), 200)
    answer = ok(reader.get(url, params={"group": "ascarid_egg"}), 200)
    assert answer["place"] == place
    assert answer["shown"] == ["1" * 9 + "0" * (answer["columns"] - 9)] * answer["rows"]
    assert ok(second.get(url), 200)["place"] is None
    problem(reader.post(url, json={"views": [{"bbox": [0, 0, 0, 9], "screen_per_px": 1}]}), 422)
    assert "no group 'egg'" in problem(reader.get(url, params={"group": "egg"}), 422)["detail"]


def test_tail_is_rejected_in_one_act_only_after_all_of_it_was_seen(
    reader: httpx.Client, second: httpx.Client, image: dict[str, Any], candidates: list[dict[str, Any]]
) -> None:
    mark(reader, candidates[0])
    sheet = ok(reader.post(f"/api/images/{image['id']}/contact-sheets", json={"from_rank": 1}), 201)
    url = f"/api/contact-sheets/{sheet['id']}"
    tail = [one["id"] for one in candidates[1:]]
    assert sheet["candidate_ids"] == tail
    ok(reader.post(f"{url}/views", json={"candidate_ids": tail[:1]}), 200)
    refusal = problem(reader.post(f"{url}/rejection", json={"reason": "pollen"}), 409)
    assert refusal["unseen"] == tail[1:]
    problem(second.post(f"{url}/views", json={"candidate_ids": tail}), 403)
    ok(reader.post(f"{url}/views", json={"candidate_ids": tail[1:]}), 200)
    done = ok(reader.post(f"{url}/rejection", json={"reason": "pollen"}), 201)
    marked = list_candidates(reader, image)["candidates"][1:]
    assert [one["current"]["id"] for one in marked] == done["mark_ids"]
    assert ok(second.get(f"/api/images/{image['id']}/contact-sheets"), 200) == [done]
    ok(reader.post(f"{url}/withdrawal"), 200)
    assert [one["current"] for one in list_candidates(reader, image)["candidates"][1:]] == [None, None]


def test_call_for_the_doctor_waits_for_a_veterinarian_alone(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any], candidates: list[dict[str, Any]]
) -> None:
    url = f"/api/candidates/{candidates[0]['id']}/doctor-calls"
    call = ok(reader.post(url, json={"words": "two poles, but square"}), 201)
    problem(reader.post(url, json={"words": "again"}), 409)
    assert [(one["kind"], one["is_mine"]) for one in _waiting(vet, image)] == [("doctor_call", True)]
    assert [one["is_mine"] for one in _waiting(reader, image)] == [False]
    (row,) = _waiting(vet, image)
    assert (row["file_name"], row["rank"], row["object_number"]) == (image["file_name"], 1, None)
    assert list_candidates(vet, image)["candidates"][0]["current"]["answer"] == "unsure"
    answer = f"/api/doctor-calls/{call['id']}/answer"
    problem(reader.post(answer, json={"words": "a mite egg"}), 403)
    ok(vet.post(answer, json={"words": "looks like a mite egg"}), 201)
    assert _waiting(vet, image) == []
    problem(vet.post(answer, json={"words": "twice"}), 409)


def test_call_on_an_object_that_was_taken_back_is_still_listed(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any]
) -> None:
    drawn = _draw(reader, image, ELSEWHERE, "oocyst")
    ok(reader.post(f"/api/candidates/{drawn['id']}/doctor-calls", json={"words": "two poles"}), 201)
    assert [one["object_number"] for one in _waiting(vet, image)] == [1]
    for one in reversed(list_candidates(reader, image)["objects"][0]["marks"]):
        ok(reader.post(f"/api/marks/{one['id']}/withdrawal"), 200)
    assert list_candidates(reader, image)["objects"] == []
    assert [one["object_number"] for one in _waiting(vet, image)] == [None]


def test_readers_who_differ_settle_together(
    reader: httpx.Client,
    second: httpx.Client,
    vet: httpx.Client,
    image: dict[str, Any],
    candidates: list[dict[str, Any]],
) -> None:
    mark(reader, candidates[0])
    mark(second, candidates[0], answer="unsure")
    assert [one["kind"] for one in _waiting(second, image)] == ["differing_marks"]
    url, body = (
        f"/api/candidates/{candidates[0]['id']}/settling-offers",
        {"answer": "reject", "reason": "pollen"},
    )
    problem(vet.post(url, json=body), 403)
    offer = ok(reader.post(url, json=body), 201)
    assert [one["id"] for one in offer["lacks"]] == [_user_id(second)]
    assert [(one["kind"], one["is_mine"]) for one in _waiting(second, image)] == [("settling_offer", True)]
    assert ok(second.post(f"/api/settling-offers/{offer['id']}/agreements"), 201)["settled"]
    now = list_candidates(reader, image)["candidates"][0]
    assert not now["unsettled"] and now["current"]["reason"] == "pollen"
    problem(second.post(f"/api/settling-offers/{offer['id']}/agreements"), 409)


def test_blind_reader_learns_of_no_difference(
    reader: httpx.Client, second: httpx.Client, vet: httpx.Client, image: dict[str, Any]
) -> None:
    item = list_candidates(vet, image)["candidates"][0]
    mark(reader, item)
    mark(vet, item, answer="unsure")
    body = {"reader_id": _user_id(second), "blind": True}
    ok(reader.post(f"/api/specimens/{image['specimen_id']}/second-looks", json=body), 201)
    assert [(one["kind"], one["is_mine"]) for one in _waiting(second, image)] == [("second_look", True)]
    assert {one["kind"] for one in _waiting(vet, image)} == {"second_look", "differing_marks"}


def test_cutout_has_its_span_and_stays_in_the_picture(reader: httpx.Client, image: dict[str, Any]) -> None:
    url = f"/api/images/{image['id']}/cutout.jpg"
    answer = reader.get(url, params={"x": 0, "y": 0, "span_px": 200, "side_px": 100})
    assert answer.status_code == 200 and answer.headers["content-type"] == "image/jpeg"
    problem(reader.get(url, params={"x": 601, "y": 0, "span_px": 200}), 422)


def test_likenesses_show_what_was_signed_off_here(
    reader: httpx.Client, vet: httpx.Client, new_image: Any
) -> None:
    earlier, now = new_image(), new_image()
    for item in list_candidates(reader, earlier)["candidates"]:
        mark(reader, item, answer="reject", reason="pollen")
    item = list_candidates(reader, now)["candidates"][0]
    url = f"/api/candidates/{item['id']}/likenesses"
    assert all(one["appearance"] for one in ok(reader.get(url), 200))
    ok(vet.post(f"/api/specimens/{earlier['specimen_id']}/sign-off", json={}), 201)
    names = {one["name"]: one["examples"] for one in ok(reader.get(url), 200)}
    assert item["group"] in names
    assert ok(reader.get(f"/api/candidates/{item['id']}/elsewhere"), 200) == []
