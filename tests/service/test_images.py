"""Uploads, their state, their tiles and their bytes."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from PIL import Image
from service_calls import list_candidates, problem, specimen_body, wait_until_ready
from service_slides import BOXES_XYWH, FAINT_BOX_XYWH, draw_slide

from service.settings import Settings

pytestmark = pytest.mark.on_both


def _upload(
    client: httpx.Client, specimen: dict[str, Any], picture: bytes, **parameters: Any
) -> httpx.Response:
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    return client.post(path, params={"file_name": "slide.png", **parameters}, content=picture)


def test_upload_answers_at_once_with_where_to_look(
    assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    response = _upload(assistant, new_specimen(), draw_slide(901))
    assert response.status_code == 202
    assert response.headers["location"] == response.json()["status_url"]
    assert response.json()["state"] in ("waiting", "proposing")
    wait_until_ready(assistant, response.headers["location"])


def test_upload_keeps_the_bytes_unchanged(
    reader: httpx.Client, new_image: Callable[..., Any], settings: Settings
) -> None:
    picture = draw_slide(902)
    image = new_image(picture)
    below = settings.data_folder / ("originals" if settings.object_store_url is None else "copies/originals")
    kept = below / image["sha256"][:2] / image["sha256"]
    assert kept.read_bytes() == picture
    assert image["sha256"] == hashlib.sha256(picture).hexdigest() and image["bytes"] == len(picture)
    sent_back = reader.get(f"/api/images/{image['id']}/original")
    assert sent_back.content == picture
    assert sent_back.headers["content-disposition"].startswith("attachment")


def test_candidates_are_the_drawn_ellipses_in_rank_order(
    reader: httpx.Client, seen_image: dict[str, Any]
) -> None:
    answer = list_candidates(reader, seen_image)
    assert [one["rank"] for one in answer["candidates"]] == [1, 2, 3]
    for candidate, drawn in zip(answer["candidates"], BOXES_XYWH, strict=True):
        assert candidate["bbox"] == pytest.approx(drawn, abs=3)
    assert [one["bbox"] for one in answer["below_cut"]] == [pytest.approx(FAINT_BOX_XYWH, abs=3)]
    assert answer["below_cut"][0]["below_cut"] and not answer["candidates"][0]["below_cut"]


def test_candidates_say_what_the_contract_asks(reader: httpx.Client, seen_image: dict[str, Any]) -> None:
    answer = list_candidates(reader, seen_image)
    assert {"image", "calibration", "detector", "adequacy", "candidates", "caution"} <= answer.keys()
    assert answer["detector"]["weights_sha256"] == "b" * 64
    candidate = answer["candidates"][0]
    named = {"rank", "bbox", "score", "group", "group_scores", "length_um", "width_um", "length_um_sd"}
    assert named | {"width_um_sd", "ellipse", "size_check", "reasons"} <= candidate.keys()
    # An ellipse drawn 80 px long, at 0.5 µm per pixel.
    assert candidate["length_um"] == pytest.approx(40, abs=1.5)


def test_sizes_are_unknown_without_a_scale(reader: httpx.Client, new_image: Callable[..., Any]) -> None:
    image = new_image(draw_slide(903), um_per_px=None)
    assert image["calibration"] is None
    candidates = list_candidates(reader, image)["candidates"]
    assert candidates and all(one["length_um"] is None for one in candidates)
    assert {one["size_check"]["result"] for one in candidates} == {"no calibration"}


def test_same_picture_twice_in_one_preparation_is_one_image(
    assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    specimen, picture = new_specimen(), draw_slide(904)
    first, again = (_upload(assistant, specimen, picture).json() for _ in range(2))
    assert first["id"] == again["id"]
    images = assistant.get(f"/api/specimens/{specimen['id']}").json()["preparations"][0]["images"]
    assert len(images) == 1


def test_same_picture_at_another_scale_is_a_conflict(
    assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    specimen, picture = new_specimen(), draw_slide(905)
    first = _upload(assistant, specimen, picture, um_per_px=0.5).json()
    document = problem(_upload(assistant, specimen, picture, um_per_px=0.7), 409)
    assert document["image_id"] == first["id"]


def test_same_picture_in_two_specimens_is_told(
    assistant: httpx.Client, new_image: Callable[..., Any]
) -> None:
    picture = draw_slide(906)
    first, second = new_image(picture), new_image(picture)
    assert first["id"] != second["id"]
    assert second["also_in"] == [first["specimen_id"]]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "zero bytes"),
        (b"these are only words, whatever the name says", "is no picture"),
        (draw_slide(907)[:2000], "cut short or damaged"),
    ],
    ids=["empty", "text", "cut short"],
)
def test_upload_of_what_is_no_picture_is_refused_at_once(
    body: bytes, said: str, assistant: httpx.Client, new_specimen: Callable[..., Any], settings: Settings
) -> None:
    specimen = new_specimen()
    document = problem(_upload(assistant, specimen, body, file_name="slide.jpg"), 422)
    assert said in document["detail"] and "slide.jpg" in document["detail"]
    assert assistant.get(f"/api/specimens/{specimen['id']}").json()["preparations"][0]["images"] == []
    left = {path.name for path in (settings.data_folder / "scratch").rglob("*") if path.is_file()}
    assert left == {".alive"}


def test_upload_beyond_the_limit_is_refused(
    assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    document = problem(_upload(assistant, new_specimen(), bytes(5 * 1024 * 1024)), 413)
    assert "4194304 bytes" in document["detail"]


def test_upload_needs_a_preparation_and_a_person(assistant: httpx.Client, anybody: httpx.Client) -> None:
    query = {"file_name": "slide.png"}
    problem(assistant.post("/api/preparations/999999/images", params=query, content=b"x"), 404)
    problem(anybody.post("/api/preparations/1/images", params=query, content=b"x"), 401)


@pytest.mark.parametrize(
    ("parameters", "status", "said"),
    [
        ({"um_per_px": 0}, 422, "must lie between"),
        ({"um_per_px": "nan"}, 422, "um_per_px"),
        ({"um_per_px": 0.5, "um_per_px_sd": 0.6}, 422, "less than the scale itself"),
        ({"um_per_px_sd": 0.1}, 422, "without `um_per_px`"),
        ({"calibration_id": 99999}, 404, "no calibration 99999"),
    ],
)
def test_upload_with_an_impossible_scale_is_refused(
    parameters: dict[str, Any],
    status: int,
    said: str,
    assistant: httpx.Client,
    new_specimen: Callable[..., Any],
) -> None:
    assert said in problem(_upload(assistant, new_specimen(), b"", **parameters), status)["detail"]


def test_upload_takes_a_calibration_of_its_own_picture_size(
    assistant: httpx.Client,
    reader: httpx.Client,
    new_image: Callable[..., Any],
    new_specimen: Callable[..., Any],
) -> None:
    body = {
        "microscope": "M1",
        "objective": "10x",
        "um_per_px": 0.5,
        "um_per_px_sd": 0.01,
        "source": "micrometer",
    }
    fitting = reader.post("/api/calibrations", json={**body, "image_width": 600, "image_height": 420}).json()
    image = new_image(draw_slide(908), um_per_px=None, calibration_id=fitting["id"])
    assert image["calibration"]["id"] == fitting["id"] and image["calibration"]["um_per_px_sd"] == 0.01
    other = reader.post("/api/calibrations", json={**body, "image_width": 4000, "image_height": 3000}).json()
    document = problem(_upload(assistant, new_specimen(), draw_slide(909), calibration_id=other["id"]), 422)
    assert "4000 x 3000" in document["detail"]


def test_new_scale_gives_a_new_set_and_leaves_the_old(reader: httpx.Client, image: dict[str, Any]) -> None:
    before = list_candidates(reader, image)["candidates"]
    answer = reader.post(f"/api/images/{image['id']}/proposals", json={"um_per_px": 0.25})
    assert answer.status_code == 202
    wait_until_ready(reader, f"/api/images/{image['id']}")
    after = list_candidates(reader, image)["candidates"]
    assert after[0]["length_um"] == pytest.approx(before[0]["length_um"] / 2, rel=0.05)
    assert not {one["id"] for one in before} & {one["id"] for one in after}
    assert reader.get(f"/api/candidates/{before[0]['id']}/crop.jpg").status_code == 200


def test_tiles_put_together_are_the_picture(reader: httpx.Client, seen_image: dict[str, Any]) -> None:
    assert (seen_image["tile_size"], seen_image["zoom_levels"]) == (256, 3)
    whole = Image.new("RGB", (600, 420))
    for column, row in ((column, row) for column in range(3) for row in range(2)):
        answer = reader.get(f"/api/images/{seen_image['id']}/tiles/2/{column}/{row}.jpg")
        assert answer.headers["content-type"] == "image/jpeg"
        whole.paste(Image.open(io.BytesIO(answer.content)), (256 * column, 256 * row))
    # Centre of the first ellipse, and the ground.
    assert whole.getpixel((140, 110)) == pytest.approx((20, 20, 20), abs=12)
    assert whole.getpixel((5, 5)) == pytest.approx((230, 225, 215), abs=12)


def test_tile_that_a_browser_has_is_not_sent_again(reader: httpx.Client, seen_image: dict[str, Any]) -> None:
    url = f"/api/images/{seen_image['id']}/tiles/0/0/0.jpg"
    first = reader.get(url)
    assert "immutable" in first.headers["cache-control"]
    again = reader.get(url, headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304 and again.content == b""


@pytest.mark.parametrize("tile", ["3/0/0", "2/3/0", "2/0/2", "-1/0/0", "0/-1/0"])
def test_tile_outside_the_picture_is_missing(
    tile: str, reader: httpx.Client, seen_image: dict[str, Any]
) -> None:
    problem(reader.get(f"/api/images/{seen_image['id']}/tiles/{tile}.jpg"), 404)


def test_crop_shows_the_candidate(reader: httpx.Client, candidates: list[dict[str, Any]]) -> None:
    answer = reader.get(f"/api/candidates/{candidates[0]['id']}/crop.jpg", params={"side_px": 128})
    crop = Image.open(io.BytesIO(answer.content))
    assert crop.size == (128, 128)
    assert crop.getpixel((64, 64)) == pytest.approx((20, 20, 20), abs=12)
    problem(reader.get("/api/candidates/999999/crop.jpg"), 404)
    problem(reader.get(f"/api/candidates/{candidates[0]['id']}/crop.jpg", params={"side_px": 5}), 422)


@pytest.mark.parametrize("rest", ["", "/candidates", "/original", "/tiles/0/0/0.jpg"])
def test_image_that_is_not_there_is_missing(rest: str, reader: httpx.Client, anybody: httpx.Client) -> None:
    problem(reader.get(f"/api/images/999999{rest}"), 404)
    problem(anybody.get(f"/api/images/1{rest}"), 401)


def test_upload_to_a_specimen_of_another_species_is_measured_against_it(
    assistant: httpx.Client, reader: httpx.Client
) -> None:
    specimen = assistant.post("/api/specimens", json={**specimen_body(), "species": "cat"}).json()
    image = _upload(assistant, specimen, draw_slide(910), um_per_px=0.5).json()
    wait_until_ready(assistant, image["status_url"])
    taxa = {taxon["taxon"] for taxon in list_candidates(reader, image)["candidates"][0]["size_check"]["taxa"]}
    assert "Toxocara cati" in taxa and "Toxocara canis" not in taxa
