"""Amending a signed record: it thaws, is signed again, and each version says what it changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem

pytestmark = pytest.mark.on_both


@pytest.fixture
def signed(reader: httpx.Client, new_image: Callable[..., Any]) -> dict[str, Any]:
    """A signed specimen whose three candidates are confirmed; `candidates` are its candidates."""
    image: dict[str, Any] = new_image()
    found = list_candidates(reader, image)["candidates"]
    for one in found:
        mark(reader, one, group="oocyst")
    ok(reader.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={"remark": "first"}), 201)
    return {**image, "candidates": found}


def _amend(client: httpx.Client, image: dict[str, Any], reason: str = "Second thoughts.") -> httpx.Response:
    return client.post(f"/api/specimens/{image['specimen_id']}/amendments", json={"reason": reason})


def test_amended_record_becomes_a_new_version_that_says_what_changed(
    reader: httpx.Client, vet: httpx.Client, signed: dict[str, Any]
) -> None:
    url, changed = f"/api/specimens/{signed['specimen_id']}", signed["candidates"][1]
    problem(reader.post(f"/api/candidates/{changed['id']}/marks", json={"answer": "unsure"}), 409)
    opened = ok(_amend(vet, signed), 201)
    assert (opened["number"], opened["opened_by"]["display_name"]) == (2, "The vet")
    assert ok(reader.get(url), 200)["signed_off"] is None
    mark(reader, changed, answer="reject", reason="pollen")
    ok(vet.post(f"{url}/sign-off", json={}), 201)
    told = ok(reader.get(f"{url}/versions"), 200)
    first, second = told["versions"]
    assert told["open_amendment"] is None and first["changes"] == [] and first["remark"] == "first"
    assert second["amendment"]["reason"] == "Second thoughts."
    (change,) = second["changes"]
    assert change["candidate_id"] == changed["id"] and change["by"]["display_name"] == "The reader"
    assert (change["before"]["answer"], change["after"]["answer"]) == ("confirm", "reject")
    assert ok(reader.get(url), 200)["signed_off"]["by"]["display_name"] == "The vet"
    problem(reader.post(f"/api/candidates/{changed['id']}/marks", json={"answer": "unsure"}), 409)


def test_amendment_waits_for_every_mark_again(
    reader: httpx.Client, vet: httpx.Client, signed: dict[str, Any]
) -> None:
    ok(_amend(vet, signed), 201)
    mark(vet, signed["candidates"][0], answer="unsure")
    refused = problem(reader.post(f"/api/specimens/{signed['specimen_id']}/sign-off", json={}), 409)
    assert [one["candidate_id"] for one in refused["unsettled"]] == [signed["candidates"][0]["id"]]


def test_only_a_signed_record_is_amended_by_who_may_sign(
    reader: httpx.Client, assistant: httpx.Client, signed: dict[str, Any], image: dict[str, Any]
) -> None:
    problem(_amend(assistant, signed), 403)
    problem(_amend(reader, signed, ""), 422)
    assert "not signed off" in problem(_amend(reader, image), 409)["detail"]
    ok(_amend(reader, signed), 201)
    assert "open already" in problem(_amend(reader, signed), 409)["detail"]


def test_specimen_under_amendment_is_left_out_of_labelled_sets(
    reader: httpx.Client, signed: dict[str, Any]
) -> None:
    ok(_amend(reader, signed), 201)
    refused = reader.post("/api/labelled-sets", json={"specimen_ids": [signed["specimen_id"]]})
    assert "not signed off" in problem(refused, 409)["detail"]
