"""Practice: collections, blind reads with their answers, the rule, and reads that need a second look."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem
from service_slides import BOXES_XYWH, draw_slide

from triage.labelled_set import LabelledImage, LabelledObject, write_labelled_set
from triage.zipped_set import zip_set

GROUPS = ("ascarid_egg", "oocyst", "pollen")


def _zip_set(folder: Path, seeds: list[int]) -> bytes:
    """Slides with one ascarid egg, one oocyst and one pollen grain each, as a zipped set."""
    images = []
    for seed in seeds:
        path = folder / f"{seed}.png"
        path.write_bytes(draw_slide(seed))
        objects = tuple(
            LabelledObject(
                tuple(map(float, box)),  # type: ignore[arg-type]
                "reject" if group == "pollen" else "confirm",
                group,
                length_um=40.0,
                width_um=30.0,
            )
            for box, group in zip(BOXES_XYWH, GROUPS, strict=True)
        )
        images.append(LabelledImage(path, f"specimen {seed}", objects, um_per_px=0.5))
    written = write_labelled_set(folder / "set", images, key=b"k" * 32)
    return zip_set(written.folder, folder / "set.zip").read_bytes()


@pytest.fixture(scope="module")
def zipped(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return _zip_set(tmp_path_factory.mktemp("practice"), [9001, 9002])


@pytest.fixture(scope="module")
def collection(vet: httpx.Client, zipped: bytes) -> dict[str, Any]:
    """Two slides to practise on."""
    sent = vet.post("/api/practice-collections", params={"name": "First slides"}, content=zipped)
    made: dict[str, Any] = ok(sent, 201)
    return made


@pytest.fixture
def rule(vet: httpx.Client) -> Iterator[None]:
    """One object of each group, right, before somebody reads alone; no practice is asked for afterwards."""
    ok(vet.post("/api/practice/rule", json={"objects_per_group": 1, "share_right": 1.0}), 201)
    yield
    ok(vet.post("/api/practice/rule", json={"objects_per_group": 0, "share_right": 0.0}), 201)


def _read(client: httpx.Client, slide: dict[str, Any], finds: list[tuple[Any, str]]) -> dict[str, Any]:
    read = ok(client.post(f"/api/practice-slides/{slide['id']}/reads"), 201)
    for bbox, group in finds:
        body = {"bbox": bbox, "group": group}
        ok(client.post(f"/api/practice-reads/{read['id']}/finds", json=body), 201)
    ended: dict[str, Any] = ok(client.post(f"/api/practice-reads/{read['id']}/end"), 200)
    return ended


def test_slide_tells_nothing_before_the_end_and_everything_afterwards(
    reader: httpx.Client, collection: dict[str, Any]
) -> None:
    slide = collection["slides"][0]
    url = f"/api/practice-slides/{slide['id']}"
    assert ok(reader.get(url), 200)["read"] is None and slide["n_known"] is None
    assert reader.get(f"{url}/tiles/0/0/0.jpg").headers["content-type"] == "image/jpeg"
    read = ok(reader.post(f"{url}/reads"), 201)
    slip = {"bbox": [5, 5, 20, 20], "group": "oocyst"}
    slip_id = ok(reader.post(f"/api/practice-reads/{read['id']}/finds", json=slip), 201)["id"]
    assert reader.delete(f"/api/practice-finds/{slip_id}").status_code == 204
    ended = _read(reader, slide, [(BOXES_XYWH[0], "ascarid_egg"), (BOXES_XYWH[2], "oocyst")])
    assert ended["id"] == read["id"]
    results = {one["known"]: one["result"] for one in ended["answers"]}
    assert results == {"ascarid_egg": "right", "oocyst": "missed", "pollen": "other group"}
    egg = next(one for one in ended["answers"] if one["known"] == "ascarid_egg")
    assert "It is 40 µm long and 30 µm wide." in egg["reasons"]
    assert all(size["source"] for size in egg["sizes"]) and egg["sizes"]
    problem(reader.post(f"/api/practice-reads/{read['id']}/finds", json=slip), 409)
    again = _read(reader, slide, [(BOXES_XYWH[1], "oocyst")])
    assert again["is_again"]
    standing = {one["group"]: one for one in ok(reader.get("/api/practice/me"), 200)["groups"]}
    # Missed once, and the pollen grain called an oocyst; the second read counts no more.
    assert standing["oocyst"]["curve"] == [[1, 0.0], [2, 0.0]]


def test_practice_reads_are_ones_own(
    reader: httpx.Client, second: httpx.Client, assistant: httpx.Client, collection: dict[str, Any]
) -> None:
    slide = collection["slides"][1]
    read = ok(reader.post(f"/api/practice-slides/{slide['id']}/reads"), 201)
    url = f"/api/practice-reads/{read['id']}"
    problem(second.post(f"{url}/end"), 403)
    outside = {"bbox": [590, 400, 50, 50], "group": "oocyst"}
    assert (
        "inside the picture of 600 x 420 px"
        in problem(reader.post(f"{url}/finds", json=outside), 422)["detail"]
    )
    unknown = {"bbox": [1, 1, 5, 5], "group": "dragon_egg"}
    problem(reader.post(f"{url}/finds", json=unknown), 422)
    problem(assistant.post(f"/api/practice-slides/{slide['id']}/reads"), 403)
    problem(reader.post("/api/practice-slides/999999/reads"), 404)


def _zip_of(files: dict[str, str]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as zipped:
        for name, text in files.items():
            zipped.writestr(name, text)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"no zip", "no zip file that can be unpacked"),
        (_zip_of({"../evil": "x"}), "which no labelled set holds"),
        (_zip_of({}), "annotations.json can't be read"),
    ],
)
def test_what_is_no_labelled_set_is_refused(vet: httpx.Client, content: bytes, sentence: str) -> None:
    sent = vet.post("/api/practice-collections", params={"name": "Wrong"}, content=content)
    assert sentence in problem(sent, 422)["detail"]


def test_collections_are_for_the_veterinarian_to_add_and_come_once(
    reader: httpx.Client, vet: httpx.Client, zipped: bytes, collection: dict[str, Any]
) -> None:
    where = {"params": {"name": "Again"}, "content": zipped}
    problem(reader.post("/api/practice-collections", **where), 403)  # type: ignore[arg-type]
    assert (
        "was made of this set already"
        in problem(
            vet.post("/api/practice-collections", **where),  # type: ignore[arg-type]
            409,
        )["detail"]
    )


def test_own_signed_specimens_become_practice_slides(
    reader: httpx.Client, vet: httpx.Client, new_image: Callable[..., Any]
) -> None:
    image = new_image()
    for one in list_candidates(reader, image)["candidates"]:
        mark(reader, one, group="strongylid_egg")
    ok(vet.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={}), 201)
    made = ok(reader.post("/api/labelled-sets", json={"specimen_ids": [image["specimen_id"]]}), 201)
    body = {"set_id": made["id"], "name": "Our own"}
    problem(reader.post("/api/practice-collections/own", json=body), 403)
    own = ok(vet.post("/api/practice-collections/own", json=body), 201)
    assert own["is_own"] and len(own["slides"]) == 1
    ended = _read(vet, own["slides"][0], [])
    assert [one["result"] for one in ended["answers"]] == ["missed"] * 3


def test_reader_still_learning_gets_a_second_look_asked_and_loses_nothing(
    second: httpx.Client,
    vet: httpx.Client,
    collection: dict[str, Any],
    rule: None,
    new_image: Callable[..., Any],
) -> None:
    image = new_image()
    url = f"/api/specimens/{image['specimen_id']}"
    assert ok(second.get("/api/practice/me"), 200)["is_learning"]
    for one in list_candidates(second, image)["candidates"]:
        mark(second, one, group="oocyst")
    (note,) = ok(second.get(f"{url}/learner-reads"), 200)
    assert note["looked_again_at"] is None and "nothing is held back" in note["words"]
    (look,) = ok(second.get(url), 200)["second_looks"]
    assert look["blind"] and look["reader"] is None
    ok(vet.post(f"/api/second-looks/{look['id']}/close"), 200)
    assert ok(second.get(f"{url}/learner-reads"), 200)[0]["looked_again_at"]
    assert not ok(vet.get("/api/practice/me"), 200)["is_learning"]


def test_reader_who_has_practised_reads_alone(
    second: httpx.Client,
    collection: dict[str, Any],
    rule: None,
    new_image: Callable[..., Any],
    vet: httpx.Client,
) -> None:
    for one in ok(second.get("/api/practice-collections"), 200):
        for slide in one["slides"]:
            boxes = BOXES_XYWH[:2] if not one["is_own"] else BOXES_XYWH
            groups = GROUPS if not one["is_own"] else ("strongylid_egg",) * 3
            _read(second, slide, list(zip(boxes, groups, strict=False)))
    assert not ok(second.get("/api/practice/me"), 200)["is_learning"]
    image = new_image()
    mark(second, list_candidates(second, image)["candidates"][0])
    assert ok(second.get(f"/api/specimens/{image['specimen_id']}/learner-reads"), 200) == []
    names = [one["person"]["display_name"] for one in ok(vet.get("/api/practice/people"), 200)]
    assert names == sorted(names, key=str.casefold) and "The assistant" not in names


def test_rule_is_the_veterinarians(reader: httpx.Client, vet: httpx.Client) -> None:
    body = {"objects_per_group": 5, "share_right": 0.8}
    problem(reader.post("/api/practice/rule", json=body), 403)
    problem(vet.post("/api/practice/rule", json={**body, "share_right": 1.5}), 422)
