"""An object that two overlapping pictures of a coverslip show counts once."""

from __future__ import annotations

import io
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image, ImageDraw
from service_calls import list_candidates, mark, ok, problem, wait_until_ready
from test_stitchings import FIELD_WH, PLACES_XY, file_fields, stitch

from service.settings import Settings
from service.shown_twice import count_once, find_shown_twice
from service.store import reading
from service.store.database import Database

# Middles on the slide: in the first field alone, in the first two, and in all four.
BLOBS_XY = ((100, 80), (280, 70), (281, 206))


def cut_fields(seed: int, blobs_xy: tuple[tuple[int, int], ...] = BLOBS_XY) -> list[bytes]:
    """Overlapping pictures of one slide with dark blobs."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(180, 230, (106, 142, 3), dtype=np.uint8))
    slide = coarse.resize((567, 421), Image.Resampling.BICUBIC)
    canvas = ImageDraw.Draw(slide)
    for x, y in blobs_xy:
        canvas.ellipse((x - 24, y - 18, x + 24, y + 18), fill=(60, 45, 25))
    fields = []
    for x, y in PLACES_XY:
        file = io.BytesIO()
        slide.crop((x, y, x + FIELD_WH[0], y + FIELD_WH[1])).save(file, "PNG")
        fields.append(file.getvalue())
    return fields


def show(client: httpx.Client, preparation: dict[str, Any]) -> dict[str, Any]:
    answer: dict[str, Any] = ok(client.get(f"/api/preparations/{preparation['id']}/shown-twice"), 200)
    return answer


def ids(preparation: dict[str, Any]) -> list[int]:
    return [image["id"] for image in preparation["images"]]


def test_objects_in_overlaps_are_one_and_can_be_parted(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(41))
    assert show(assistant, preparation) == {"counted_image_ids": ids(preparation), "same": []}
    row = stitch(assistant, preparation, writes_mosaic=False)
    assert (row["state"], row["image_id"], len(row["report"]["placed"])) == ("ready", None, 4)
    shown = show(assistant, preparation)
    assert shown["counted_image_ids"] == ids(preparation)
    by_pictures = {tuple(one["image_ids"]): one["candidate_ids"] for one in shown["same"]}
    assert set(by_pictures) == {tuple(ids(preparation)), tuple(ids(preparation)[:2])}
    two = by_pictures[tuple(ids(preparation)[:2])]
    path = f"/api/preparations/{preparation['id']}/partings"
    parted = ok(assistant.post(path, json={"candidate_ids": two}), 201)
    assert [tuple(one["image_ids"]) for one in parted["same"]] == [tuple(ids(preparation))]
    assert show(assistant, preparation) == parted
    refused = problem(assistant.post(path, json={"candidate_ids": two}), 409)
    assert "are not held for one object" in refused["detail"]


def test_objects_of_a_part_beside_the_mosaic_count_once_too(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, [*cut_fields(44), *cut_fields(45, ((279, 165),))[:2]])
    row = stitch(assistant, preparation)
    (part,) = row["report"]["parts"]
    beside = ids(preparation)[4:]
    assert [one["image_id"] for one in part["placed"]] == beside
    # Two fields of 320 x 240 px of 0.5 µm, 80 x 237 px of them shared.
    assert part["coverage"]["imaged"]["mm2"] == pytest.approx((2 * 320 * 240 - 80 * 237) * 0.25e-6, rel=0.03)
    wait_until_ready(assistant, f"/api/images/{row['image_id']}")
    shown = show(assistant, preparation)
    assert shown["counted_image_ids"] == sorted([*beside, row["image_id"]])
    assert [one["image_ids"] for one in shown["same"]] == [beside]
    (counted,) = ok(assistant.get(f"/api/specimens/{preparation['images'][0]['specimen_id']}/numbers"), 200)
    coverages = [row["report"]["coverage"], part["coverage"]]
    both = sum(one[name]["mm2"] for one in coverages for name in ("in_focus", "focus_not_judged"))
    assert counted["area_mm2"] == pytest.approx(both, abs=1e-4)


def test_mosaic_counts_in_place_of_its_fields(assistant: httpx.Client) -> None:
    preparation = file_fields(assistant, cut_fields(42))
    row = stitch(assistant, preparation)
    wait_until_ready(assistant, f"/api/images/{row['image_id']}")
    assert show(assistant, preparation) == {"counted_image_ids": [row["image_id"]], "same": []}


def test_count_takes_the_confirmed_candidate_of_each_object(reader: httpx.Client, settings: Settings) -> None:
    preparation = file_fields(reader, cut_fields(43))
    stitch(reader, preparation, writes_mosaic=False)
    second = list_candidates(reader, preparation["images"][1])["candidates"]
    for one in second:
        mark(reader, one)
    database = Database(settings.records_url())
    try:
        with database.read() as session:
            shown = find_shown_twice(session, preparation["id"])
            spoken = reading.list_spoken(session, shown.counted_image_ids)
            once = count_once(spoken, shown)
    finally:
        database.close()
    assert len(spoken) == 1 + 2 + 4 and len(once) == len(BLOBS_XY)
    assert {one["id"] for one in second} <= {one.candidate.id for one in once}
