"""Marked pictures from elsewhere as a labelled set."""

from __future__ import annotations

import io
import json
import zipfile

import httpx
from service_calls import ok, problem
from service_slides import draw_slide

PATH = "/api/labelled-sets/imports"


def pack(**changes: object) -> bytes:
    """A picture with an oocyst, a box of a category of theirs, and one outside."""
    content = {
        "images": [{"id": 1, "file_name": "theirs.png", "um_per_px": 0.5}],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 1, "bbox": [10, 10, 40, 30]},
            {"id": 2, "image_id": 1, "category_id": 2, "bbox": [90, 90, 40, 30]},
            {"id": 3, "image_id": 1, "category_id": 1, "bbox": [9000, 90, 40, 30]},
        ],
        "categories": [{"id": 1, "name": "oocyst"}, {"id": 2, "name": "Whip"}],
        **changes,
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        file.writestr("all.json", json.dumps(content))
        file.writestr("theirs.png", draw_slide(91_001))
    return buffer.getvalue()


def test_an_import_is_a_frozen_set_with_what_was_refused(vet: httpx.Client) -> None:
    made = ok(vet.post(PATH, content=pack(), params={"group": "Whip = trichurid_egg"}), 201)
    assert (made["images"], made["annotations"]) == (1, 2)
    shown = ok(vet.get(f"/api/labelled-sets/{made['id']}"), 200)
    report = shown["report"]["import"]
    assert report["mapped"] == {"oocyst": "oocyst", "Whip": "trichurid_egg"}
    assert [row["what"] for row in report["refused"]] == ["annotation 3"] and report["refused_in_all"] == 1
    assert shown["rule"]["imported"] and len(shown["zip_sha256"]) == 64
    content = zipfile.ZipFile(io.BytesIO(vet.get(made["download_url"]).content)).read("annotations.json")
    assert b"theirs" not in content


def test_a_place_marked_under_two_names_is_doubtful_and_stays(vet: httpx.Client) -> None:
    boxes = [(1, [10, 10, 40, 30]), (2, [12, 10, 40, 30]), (1, [90, 90, 40, 30]), (1, [91, 90, 40, 30])]
    twice = [
        {"id": number, "image_id": 1, "category_id": category, "bbox": box}
        for number, (category, box) in enumerate(boxes, start=1)
    ]
    sent = pack(annotations=twice)
    made = ok(vet.post(PATH, content=sent, params={"group": "Whip = trichurid_egg"}), 201)
    report = ok(vet.get(f"/api/labelled-sets/{made['id']}"), 200)["report"]
    (row,) = report["doubtful"]
    assert row["why"].startswith("One place has two names, Coccidian oocyst and Trichurid egg ")
    assert row["why"].endswith("corner is at 10, 10 px.") and row["image_id"] is None and row["file_name"]
    assert made["annotations"] == 4 and report["doubtful_in_all"] == 1


def test_a_category_that_is_none_of_ours_says_nothing_either_way(vet: httpx.Client) -> None:
    made = ok(vet.post(PATH, content=pack()), 201)
    report = ok(vet.get(f"/api/labelled-sets/{made['id']}"), 200)["report"]["import"]
    assert (report["unmapped"], report["n_objects"], report["n_ignored_regions"]) == ({"Whip": 1}, 1, 1)


def test_bad_imports_are_refused(vet: httpx.Client, reader: httpx.Client) -> None:
    problem(reader.post(PATH, content=pack()), 403)
    assert "no zip file" in problem(vet.post(PATH, content=b"no zip"), 422)["detail"]
    for line, sentence in (
        ("Whip", "must be THEIRS=ours"),
        ("Whip=yeast", "yeast"),
        ("Hook=oocyst", "lacks"),
    ):
        assert sentence in problem(vet.post(PATH, content=pack(), params={"group": line}), 422)["detail"]
