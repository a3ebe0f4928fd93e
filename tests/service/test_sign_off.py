"""Signing off, and the labelled set that comes of it."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from pycocotools.coco import COCO
from service_calls import list_candidates, mark, ok, problem
from service_slides import BOXES_XYWH, draw_slide

from triage.labelled_set import read_labelled_set

pytestmark = pytest.mark.on_both


def _sign_off(client: httpx.Client, image: dict[str, Any]) -> httpx.Response:
    return client.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={"remark": "read at 10x"})


@pytest.fixture
def signed_off(reader: httpx.Client, new_image: Callable[..., Any]) -> dict[str, Any]:
    """Three candidates confirmed, rejected and left unsure, one object added."""
    image: dict[str, Any] = new_image(file_name="Mrs Example's dog Pip.png")
    first, second, third = list_candidates(reader, image)["candidates"]
    mark(reader, first, group="taeniid_egg")
    mark(reader, second, answer="reject", reason="pollen")
    mark(reader, third, answer="unsure")
    body = {"bbox": [500, 300, 40, 30], "group": "oocyst"}
    ok(reader.post(f"/api/images/{image['id']}/objects", json=body), 201)
    ok(_sign_off(reader, image), 201)
    return image


def test_sign_off_waits_for_every_mark_above_the_cut(
    reader: httpx.Client, image: dict[str, Any], candidates: list[dict[str, Any]]
) -> None:
    mark(reader, candidates[1])
    document = problem(_sign_off(reader, image), 409)
    assert document["unmarked"] == [
        {"image_id": image["id"], "candidate_id": one["id"], "rank": one["rank"]}
        for one in (candidates[0], candidates[2])
    ]
    assert document["unsettled"] == [] and document["not_ready"] == []
    mark(reader, candidates[0])
    mark(reader, candidates[2], answer="unsure")
    signed = ok(_sign_off(reader, image), 201)
    assert signed["by"]["display_name"] == "The reader"
    specimen = ok(reader.get(f"/api/specimens/{image['specimen_id']}"), 200)
    assert specimen["signed_off"] == signed


def test_sign_off_waits_for_differing_marks_to_be_settled(
    reader: httpx.Client,
    second: httpx.Client,
    vet: httpx.Client,
    image: dict[str, Any],
    candidates: list[Any],
) -> None:
    for candidate in candidates:
        mark(reader, candidate)
    mark(second, candidates[0], answer="unsure")
    document = problem(_sign_off(reader, image), 409)
    assert [one["candidate_id"] for one in document["unsettled"]] == [candidates[0]["id"]]
    ok(vet.post(f"/api/candidates/{candidates[0]['id']}/adjudications", json={"answer": "confirm"}), 201)
    ok(_sign_off(reader, image), 201)


def test_sign_off_waits_for_open_reads_and_second_looks(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any], candidates: list[Any]
) -> None:
    for candidate in candidates:
        mark(vet, candidate)
    read = ok(reader.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    look = ok(vet.post(f"/api/specimens/{image['specimen_id']}/second-looks", json={}), 201)
    document = problem(_sign_off(vet, image), 409)
    assert (document["open_reads"], document["open_second_looks"]) == ([image["id"]], [look["id"]])
    ok(reader.post(f"/api/reads/{read['id']}/lock"), 200)
    ok(reader.post(f"/api/second-looks/{look['id']}/close"), 200)
    ok(_sign_off(vet, image), 201)


def test_sign_off_waits_for_pictures_that_are_not_ready(
    reader: httpx.Client, assistant: httpx.Client, image: dict[str, Any], candidates: list[Any]
) -> None:
    for candidate in candidates:
        mark(reader, candidate)
    later = assistant.post(
        f"/api/preparations/{image['preparation_id']}/images",
        params={"file_name": "later.png", "um_per_px": 0.05},
        content=draw_slide(980, width=1800, height=1500),
    )
    document = problem(_sign_off(reader, image), 409)
    assert document["not_ready"] == [ok(later, 202)["id"]]


def test_sign_off_needs_a_picture_and_a_reader(
    reader: httpx.Client, assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    url = f"/api/specimens/{new_specimen()['id']}/sign-off"
    assert "no picture" in problem(reader.post(url, json={}), 409)["detail"]
    problem(assistant.post(url, json={}), 403)
    problem(reader.post("/api/specimens/999999/sign-off", json={}), 404)


def test_signed_off_specimen_takes_nothing_more(
    reader: httpx.Client, assistant: httpx.Client, signed_off: dict[str, Any]
) -> None:
    image_url = f"/api/images/{signed_off['id']}"
    candidate = list_candidates(reader, signed_off)["candidates"][0]
    refused = [
        reader.post(f"/api/candidates/{candidate['id']}/marks", json={"answer": "unsure"}),
        reader.post(f"{image_url}/objects", json={"bbox": [1, 1, 9, 9], "group": "oocyst"}),
        reader.post(f"{image_url}/reads", json={"mode": "unaided"}),
        reader.post(f"{image_url}/proposals", json={"um_per_px": 1}),
        reader.post(f"/api/specimens/{signed_off['specimen_id']}/second-looks", json={}),
        assistant.post(
            f"/api/preparations/{signed_off['preparation_id']}/images",
            params={"file_name": "late.png"},
            content=draw_slide(981),
        ),
        _sign_off(reader, signed_off),
    ]
    for answer in refused:
        assert "signed off" in problem(answer, 409)["detail"]


def _export(client: httpx.Client, image: dict[str, Any], folder: Path) -> Path:
    made = ok(client.post("/api/labelled-sets", json={"specimen_ids": [image["specimen_id"]]}), 201)
    assert (made["images"], made["annotations"], made["left_out"]) == (1, 3, [])
    archive = client.get(made["download_url"])
    assert archive.headers["content-type"] == "application/zip"
    zipfile.ZipFile(io.BytesIO(archive.content)).extractall(folder)
    return folder


def test_labelled_set_reads_back_with_another_program(
    reader: httpx.Client, signed_off: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`pycocotools` is the outside reader of the COCO form."""
    coco = COCO(str(_export(reader, signed_off, tmp_path) / "annotations.json"))
    capsys.readouterr()
    named = {category["id"]: category["name"] for category in coco.loadCats(coco.getCatIds())}
    found = {named[one["category_id"]]: one for one in coco.loadAnns(coco.getAnnIds())}
    assert found.keys() == {"taeniid_egg", "pollen", "oocyst"}
    assert found["taeniid_egg"]["bbox"] == pytest.approx(BOXES_XYWH[0], abs=3)
    assert found["oocyst"]["bbox"] == [500, 300, 40, 30] and found["oocyst"]["origin"] == "reader"
    (row,) = coco.loadImgs(coco.getImgIds())
    with Image.open(tmp_path / "images" / row["file_name"]) as picture:
        size = picture.size
    assert size == (row["width"], row["height"]) == (600, 420)
    assert row["ignore_regions"][0]["bbox"] == pytest.approx(BOXES_XYWH[2], abs=3)


def test_labelled_set_names_nobody(reader: httpx.Client, signed_off: dict[str, Any], tmp_path: Path) -> None:
    folder = _export(reader, signed_off, tmp_path)
    labelled = read_labelled_set(folder)
    text = json.dumps([labelled.annotations, labelled.manifest])
    specimen = ok(reader.get(f"/api/specimens/{signed_off['specimen_id']}"), 200)
    for name in ("Pip", "Example", "The reader", f'"{specimen["code"]}"'):
        assert name not in text
    assert labelled.manifest["images"][0]["original_sha256"] == signed_off["sha256"]


def test_labelled_set_takes_signed_off_specimens_only(
    reader: httpx.Client, assistant: httpx.Client, image: dict[str, Any]
) -> None:
    answer = reader.post("/api/labelled-sets", json={"specimen_ids": [image["specimen_id"]]})
    assert problem(answer, 409)["open_specimens"] == [image["specimen_id"]]
    problem(reader.post("/api/labelled-sets", json={"specimen_ids": [999999]}), 404)
    problem(reader.post("/api/labelled-sets", json={"specimen_ids": []}), 422)
    problem(assistant.post("/api/labelled-sets", json={}), 403)
    problem(reader.get("/api/labelled-sets/999999.zip"), 404)


def test_same_bytes_in_two_specimens_enter_a_labelled_set_once(
    reader: httpx.Client, new_image: Callable[..., Any]
) -> None:
    picture = draw_slide(982)
    twins = [new_image(picture), new_image(picture)]
    for image in twins:
        for candidate in list_candidates(reader, image)["candidates"]:
            mark(reader, candidate)
        ok(_sign_off(reader, image), 201)
    body = {"specimen_ids": [image["specimen_id"] for image in twins]}
    made = ok(reader.post("/api/labelled-sets", json=body), 201)
    assert (made["images"], made["left_out"]) == (1, [twins[1]["id"]])
    assert made["id"] == ok(reader.get("/api/labelled-sets"), 200)[0]["id"]
