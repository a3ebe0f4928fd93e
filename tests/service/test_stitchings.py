"""Overlapping pictures of a preparation become one more picture, and the service says how sure it is."""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image
from service_calls import next_number, ok, problem, specimen_body, wait_until_ready

FIELD_WH = (320, 240)
PLACES_XY = ((0, 0), (240, 3), (243, 178), (2, 175))


def cut_fields(seed: int, places_xy: tuple[tuple[int, int], ...] = PLACES_XY) -> list[bytes]:
    """Pictures of one slide of dots, each showing a quarter of the next."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(120, 230, (106, 142, 3), dtype=np.uint8))
    slide = coarse.resize((567, 421), Image.Resampling.BICUBIC)
    fields = []
    for x, y in places_xy:
        file = io.BytesIO()
        slide.crop((x, y, x + FIELD_WH[0], y + FIELD_WH[1])).save(file, "PNG")
        fields.append(file.getvalue())
    return fields


def file_fields(client: httpx.Client, fields: list[bytes], um_per_px: float | None = 0.5) -> dict[str, Any]:
    """A specimen with these pictures, all ready: its preparation's id and the images."""
    body = specimen_body()
    body["preparation"]["coverslip_mm"] = 22
    preparation_id = ok(client.post("/api/specimens", json=body), 201)["preparations"][0]["id"]
    query = {} if um_per_px is None else {"um_per_px": um_per_px}
    images = [
        ok(
            client.post(
                f"/api/preparations/{preparation_id}/images",
                params={"file_name": f"field{n}.png", **query},
                content=field,
            ),
            202,
        )
        for n, field in enumerate(fields)
    ]
    return {
        "id": preparation_id,
        "images": [wait_until_ready(client, image["status_url"]) for image in images],
    }


def stitch(client: httpx.Client, preparation: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Ask, wait until it has ended, and return what became of it."""
    ids = [image["id"] for image in preparation["images"]]
    asked = client.post(
        f"/api/preparations/{preparation['id']}/stitchings", json={"image_ids": ids, **changes}
    )
    row = ok(asked, 202)
    assert asked.headers["Location"] == f"/api/stitchings/{row['id']}"
    deadline = time.monotonic() + 120
    while row["state"] in ("waiting", "stitching"):
        assert time.monotonic() < deadline, row
        time.sleep(0.05)
        row = ok(client.get(f"/api/stitchings/{row['id']}"), 200)
    return row


def test_stitching_adds_a_mosaic_with_the_fields_scale(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(next_number()))
    row = stitch(assistant, preparation)
    assert (row["state"], row["problem"]) == ("ready", None)
    mosaic = wait_until_ready(assistant, f"/api/images/{row['image_id']}")
    assert (mosaic["state"], mosaic["preparation_id"]) == ("ready", preparation["id"])
    assert (mosaic["width"], mosaic["height"]) == (563, 418)
    assert mosaic["calibration"]["um_per_px"] == 0.5
    # 563 x 418 px of 0.5 µm, less two corners of 3 and 2 px, on 22 x 22 mm.
    imaged = row["report"]["coverage"]["imaged"]
    assert imaged["mm2"] == pytest.approx(563 * 418 * 0.25e-6, rel=0.02)
    assert imaged["share_of_coverslip"] == pytest.approx(imaged["mm2"] / 484, abs=1e-5)
    assert {one["image_id"] for one in row["report"]["placed"]} == {
        image["id"] for image in preparation["images"]
    }
    assert min(one["sureness"] for one in row["report"]["placed"]) > 0.99


def test_fields_are_kept_beside_the_mosaic(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(next_number()))
    row = stitch(assistant, preparation)
    kept = ok(assistant.get(f"/api/images/{preparation['images'][0]['id']}"), 200)
    specimen = ok(assistant.get(f"/api/specimens/{kept['specimen_id']}"), 200)
    assert [image["id"] for image in specimen["preparations"][0]["images"]] == [
        *(image["id"] for image in preparation["images"]),
        row["image_id"],
    ]


def test_stitching_again_makes_no_second_mosaic(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(next_number()))
    first, second = stitch(assistant, preparation), stitch(assistant, preparation)
    assert first["id"] != second["id"] and first["image_id"] == second["image_id"]
    listed = ok(assistant.get(f"/api/preparations/{preparation['id']}/stitchings"), 200)
    assert [row["id"] for row in listed] == [first["id"], second["id"]]


def test_field_of_another_slide_is_left_out_by_name(assistant: httpx.Client) -> None:
    fields = [*cut_fields(next_number()), cut_fields(next_number() + 5000)[0]]
    preparation = file_fields(assistant, fields)
    row = stitch(assistant, preparation)
    (left_out,) = row["report"]["left_out"]
    assert (left_out["field"], left_out["image_id"]) == ("field4.png", preparation["images"][4]["id"])
    assert "may be from another slide" in left_out["reason"]


def test_pictures_that_do_not_overlap_end_in_one_sentence(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, [cut_fields(next_number() + 7000)[0] for _ in range(2)])
    row = stitch(assistant, preparation)
    assert (row["state"], row["image_id"], row["report"]) == ("failed", None, None)
    assert row["problem"].startswith("No two of the 2 pictures were found to overlap")


def refuse(client: httpx.Client, preparation_id: int, body: dict[str, Any], status: int) -> str:
    answer = client.post(f"/api/preparations/{preparation_id}/stitchings", json=body)
    detail: str = problem(answer, status)["detail"]
    return detail


def test_what_can_not_be_stitched_is_refused(
    assistant: httpx.Client, new_image: Callable[..., dict[str, Any]]
) -> None:
    preparation = file_fields(assistant, cut_fields(next_number())[:2])
    first, second = (image["id"] for image in preparation["images"])
    stranger = new_image()
    assert "image_ids" in refuse(assistant, preparation["id"], {"image_ids": [first]}, 422)
    assert "named twice" in refuse(assistant, preparation["id"], {"image_ids": [first, first]}, 409)
    assert "in preparation" in refuse(
        assistant, preparation["id"], {"image_ids": [first, stranger["id"]]}, 404
    )
    assert "order" in refuse(
        assistant, preparation["id"], {"image_ids": [first, second], "order": "spiral"}, 422
    )
    problem(assistant.post("/api/preparations/999999/stitchings", json={"image_ids": [first, second]}), 404)
    problem(assistant.get("/api/stitchings/999999"), 404)


def test_pictures_of_different_scales_are_refused(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(next_number())[:2])
    ok(
        assistant.post(f"/api/images/{preparation['images'][0]['id']}/proposals", json={"um_per_px": 0.4}),
        202,
    )
    ids = [image["id"] for image in preparation["images"]]
    assert "different scales (0.4, 0.5 µm per pixel)" in refuse(
        assistant, preparation["id"], {"image_ids": ids}, 409
    )


def test_nobody_signed_in_stitches_nothing(anybody: httpx.Client) -> None:
    problem(anybody.post("/api/preparations/1/stitchings", json={"image_ids": [1, 2]}), 401)
