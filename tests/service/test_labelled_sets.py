"""Labelled sets by rule, frozen, with what they hold."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from PIL import Image
from service_calls import list_candidates, mark, ok, problem, specimen_body, wait_until_ready
from service_slides import draw_slide
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from service.set_rule import Rule

LONG_AGO = "2001-02-03"


def sign_off(client: httpx.Client, image: dict[str, Any]) -> None:
    ok(client.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={}), 201)


@pytest.fixture
def signed(reader: httpx.Client, new_image: Callable[..., Any]) -> dict[str, Any]:
    """A signed-off picture: two candidates confirmed under their own group, the sure third one rejected."""
    image = new_image()
    first, second, third = list_candidates(reader, image)["candidates"]
    mark(reader, first)
    mark(reader, second)
    mark(reader, third, answer="reject", reason="pollen")
    sign_off(reader, image)
    return image


def make(client: httpx.Client, *images: dict[str, Any], **rule: Any) -> httpx.Response:
    body = {"specimen_ids": [image["specimen_id"] for image in images], **rule}
    return client.post("/api/labelled-sets", json=body)


def test_a_set_is_frozen_with_its_rule_and_hashes(reader: httpx.Client, signed: dict[str, Any]) -> None:
    made = ok(make(reader, signed, least_readers=1), 201)
    shown = ok(reader.get(f"/api/labelled-sets/{made['id']}"), 200)
    content = reader.get(made["download_url"]).content
    assert hashlib.sha256(content).hexdigest() == shown["zip_sha256"]
    manifest = zipfile.ZipFile(io.BytesIO(content)).read("manifest.json")
    assert hashlib.sha256(manifest).hexdigest() == shown["manifest_sha256"]
    assert shown["rule"] == json.loads(manifest)["rule"]
    assert (shown["rule"]["specimen_ids"], shown["rule"]["signed_off"]) == (1, True)
    assert shown["set"] == made


def test_a_frozen_set_is_never_changed(reader: httpx.Client, signed: dict[str, Any], app: FastAPI) -> None:
    made = ok(make(reader, signed), 201)
    database = app.state.parts.database
    for statement in (
        "UPDATE labelled_set_versions SET zip_sha256 = 'x'",
        "DELETE FROM labelled_set_versions",
        "UPDATE labelled_sets SET n_images = 9",
    ):
        with pytest.raises(DatabaseError, match="append-only"), database.write() as session:
            session.execute(text(statement))
    assert ok(reader.get(f"/api/labelled-sets/{made['id']}"), 200)["set"] == made


def test_the_report_counts_measures_and_shows(reader: httpx.Client, signed: dict[str, Any]) -> None:
    made = ok(make(reader, signed), 201)
    report = ok(reader.get(f"/api/labelled-sets/{made['id']}"), 200)["report"]
    assert sum(row["labels"] for row in report["splits"].values()) == 3
    assert sum(row["pictures"] for row in report["splits"].values()) == 1
    labels = {row["group"]: row["train"] + row["held_out"] + row["judging"] for row in report["groups"]}
    assert labels["pollen"] == 1 and sum(labels.values()) == 3
    assert (
        sum(size["n"] for size in report["sizes"])
        == sum(sum(size["counts"]) for size in report["sizes"])
        == 2
    )
    for size in report["sizes"]:
        assert len(size["edges_um"]) == len(size["counts"]) + 1
        for row in size["ranges"]:
            assert size["edges_um"][0] <= row["range_um"][0] < row["range_um"][1] <= size["edges_um"][-1]
    crops = {row["group"]: row["candidate_ids"] for row in report["crops"]}
    assert crops.keys() == labels.keys()
    picture = reader.get(f"/api/candidates/{crops['pollen'][0]}/crop.jpg")
    assert picture.headers["content-type"] == "image/jpeg"


def test_the_report_names_doubtful_marks(
    reader: httpx.Client,
    second: httpx.Client,
    vet: httpx.Client,
    new_image: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The stand-in for a detector gives its darkest ellipse 0.875."""
    monkeypatch.setattr("service.set_report.SURE", 0.87)
    image = new_image()
    first, other, third = list_candidates(reader, image)["candidates"]
    assert list_candidates(second, image)["candidates"][0]["id"] == first["id"]
    mark(reader, first, answer="reject", reason="pollen")
    mark(reader, other)
    mark(second, other, answer="unsure")
    adjudication = {"answer": "confirm", "group": "oocyst"}
    ok(vet.post(f"/api/candidates/{other['id']}/adjudications", json=adjudication), 201)
    mark(reader, third)
    left, *others = third["bbox"]
    over = {"bbox": [left + 2, *others], "group": "taeniid_egg"}
    own = ok(reader.post(f"/api/images/{image['id']}/objects", json=over), 201)
    sign_off(reader, image)
    report = ok(reader.get(f"/api/labelled-sets/{ok(make(reader, image), 201)['id']}"), 200)["report"]
    why = {row["candidate_id"]: row["why"] for row in report["doubtful"] if row["image_id"] == image["id"]}
    assert why[first["id"]] == f"Rejected, but the detector's score is {first['score']:.2f}."
    assert why[other["id"]] == "Readers disagreed; an adjudication settled it."
    assert why[own["id"]].startswith("One place has two names, Taeniid egg and Ascarid egg: ")


def test_pictures_that_look_alike_are_named(reader: httpx.Client, new_image: Callable[..., Any]) -> None:

    picture = draw_slide(7301)
    again = io.BytesIO()
    Image.open(io.BytesIO(picture)).convert("RGB").save(again, "JPEG", quality=80)
    twins = [new_image(picture), new_image(again.getvalue(), file_name="again.jpg")]
    for image in twins:
        for candidate in list_candidates(reader, image)["candidates"]:
            mark(reader, candidate)
        sign_off(reader, image)
    made = ok(make(reader, *twins), 201)
    (pair,) = ok(reader.get(f"/api/labelled-sets/{made['id']}"), 200)["report"]["look_alike_pictures"]
    assert pair["image_ids"] == [image["id"] for image in twins] and not pair["one_specimen"]


def test_specimens_of_one_animal_share_a_split(
    reader: httpx.Client, assistant: httpx.Client, new_image: Callable[..., Any]
) -> None:
    """The animal's label itself stays out."""
    images = []
    for label in ("Bella 4711", "bella  4711"):
        specimen = ok(assistant.post("/api/specimens", json={**specimen_body(), "animal_label": label}), 201)
        picture = draw_slide(7400 + len(images))
        answer = assistant.post(
            f"/api/preparations/{specimen['preparations'][0]['id']}/images",
            params={"file_name": "a.png", "um_per_px": 0.5},
            content=picture,
        )

        image = wait_until_ready(reader, ok(answer, 202)["status_url"])
        for candidate in list_candidates(reader, image)["candidates"]:
            mark(reader, candidate)
        sign_off(reader, image)
        images.append(image)
    content = reader.get(ok(make(reader, *images), 201)["download_url"]).content
    archive = zipfile.ZipFile(io.BytesIO(content))
    rows = json.loads(archive.read("annotations.json"))["images"]
    assert len({row["specimen"] for row in rows}) == 2
    assert len({(row["animal"], row["split"]) for row in rows}) == 1
    assert rows[0]["solution"] == "zinc_sulfate" and rows[0]["coverslip"] != rows[1]["coverslip"]
    assert "4711" not in archive.read("annotations.json").decode() + archive.read("manifest.json").decode()


@pytest.mark.parametrize(
    ("rule", "sentence"),
    [
        (
            {"signed_until": LONG_AGO},
            "None of 1 specimens was signed off between the beginning and 2001-02-03",
        ),
        ({"signed_from": "2999-01-01"}, "between 2999-01-01 and today"),
        ({"microscopes": ["nobody's"]}, "measured with another microscope"),
        ({"least_readers": 2}, "read by 1, fewer than 2"),
    ],
)
def test_a_rule_that_nothing_fits_is_refused(
    reader: httpx.Client, signed: dict[str, Any], rule: dict[str, Any], sentence: str
) -> None:
    assert sentence in problem(make(reader, signed, **rule), 409)["detail"]


def test_pictures_that_do_not_fit_are_left_out_by_name(
    reader: httpx.Client, second: httpx.Client, signed: dict[str, Any], new_image: Callable[..., Any]
) -> None:
    twice = new_image()
    for candidate in list_candidates(reader, twice)["candidates"]:
        mark(reader, candidate)
    list_candidates(second, twice)
    mark(second, list_candidates(second, twice)["candidates"][0])
    sign_off(reader, twice)
    made = ok(make(reader, signed, twice, least_readers=2), 201)
    report = ok(reader.get(f"/api/labelled-sets/{made['id']}"), 200)["report"]
    assert made["images"] == 1
    assert report["left_out"] == [{"image_id": signed["id"], "why": "It was read by 1, fewer than 2."}]


def test_bad_rules_are_refused(reader: httpx.Client, signed: dict[str, Any], assistant: httpx.Client) -> None:
    detail = problem(make(reader, signed, signed_from="2025-02-01", signed_until="2025-01-01"), 422)["detail"]
    assert "swap them" in detail
    problem(make(reader, signed, least_readers=0), 422)
    problem(make(reader, signed, microscopes=[]), 422)
    problem(make(assistant, signed), 403)
    problem(reader.get("/api/labelled-sets/999999"), 404)


def test_rule_takes_the_first_and_the_last_day() -> None:
    at = datetime(2026, 5, 4, 23, 59, tzinfo=UTC)
    day = date(2026, 5, 4)
    for rule, fits in (
        (Rule(), True),
        (Rule(signed_from=day, signed_until=day), True),
        (Rule(signed_from=day + timedelta(1)), False),
        (Rule(signed_until=day - timedelta(1)), False),
    ):
        assert rule.fits_sign_off(at) is fits
