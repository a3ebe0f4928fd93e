"""What readers find, and how far they agree."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from service_calls import list_candidates, mark, ok, problem

from service.reader_answers import NOTHING, UNSURE, ObjectSaid, join_places
from service.readers_measured import Share, measure_agreement, measure_reader

# Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability", nominal data: four observers, twelve units,
# alpha 0.743 (0.743421 from the same paper's formula).
RATINGS = ("123321412...", "1233224125.3", ".3332342251.", "1233244125 1.".replace(" ", ""))
GROUPS = {
    "1": "ascarid_egg",
    "2": "strongylid_egg",
    "3": "trichurid_egg",
    "4": NOTHING,
    "5": "oocyst",
}


def _said(**values: Any) -> ObjectSaid:
    whole: dict[str, Any] = {"first": {}, "unaided": {}, "aided": {}, "truth": "oocyst", "is_checked": True}
    return ObjectSaid(specimen_id=1, image_id=1, **{**whole, **values})


def test_alpha_of_readers_equals_the_published_example() -> None:
    said = [
        _said(first={reader: GROUPS[row[unit]] for reader, row in enumerate(RATINGS) if row[unit] != "."})
        for unit in range(12)
    ]
    agreement = measure_agreement(said)
    assert agreement.alpha == pytest.approx(0.743421, abs=1e-6)
    assert agreement.n_objects == 11 and len(agreement.pairs) == 6


def test_agreement_of_nobody_says_so() -> None:
    agreement = measure_agreement([_said(first={1: "oocyst"})])
    assert (agreement.n_objects, agreement.alpha, agreement.fleiss, agreement.pairs) == (0, None, None, ())


def test_reader_is_measured_alone_and_with_proposals() -> None:
    said = [
        _said(unaided={1: "oocyst"}, aided={1: "oocyst"}),
        _said(unaided={1: NOTHING}, aided={1: "oocyst"}),
        _said(unaided={1: "oocyst"}, aided={1: "giardia_cyst"}),
        _said(unaided={1: UNSURE}, aided={1: NOTHING}),
        _said(truth=NOTHING, unaided={1: NOTHING}, aided={1: "oocyst"}),
        _said(unaided={1: "oocyst"}, aided={1: "oocyst"}, is_checked=False),
    ]
    figures = measure_reader(said, 1)
    assert (figures.unaided.found, figures.aided.found) == (Share(2, 4), Share(3, 4))
    assert (figures.aided.right_group, figures.aided.upheld) == (Share(2, 3), Share(3, 4))
    changed = figures.changed
    assert (changed.stayed_right, changed.became_right, changed.became_wrong, changed.stayed_wrong) == (
        (1, 1, 2, 1)
    )


def _spoken(bbox: list[float], drawn_by: int | None = None) -> Any:
    return SimpleNamespace(candidate=SimpleNamespace(said={"bbox": bbox}, drawn_by=drawn_by))


def test_boxes_of_two_readers_at_one_place_are_one_object_whatever_their_group() -> None:
    tool, near, far = _spoken([10, 10, 40, 40]), _spoken([14, 12, 40, 40], 1), _spoken([200, 10, 40, 40], 1)
    second, twice = _spoken([205, 12, 40, 40], 2), _spoken([198, 8, 40, 40], 2)
    places = join_places([tool, near, far, second, twice])
    assert [len(place) for place in places] == [2, 2, 1]
    assert {id(one) for one in places[1]} >= {id(far)}


def test_only_answers_given_alone_count(
    reader: httpx.Client, second: httpx.Client, vet: httpx.Client, new_image: Callable[..., Any]
) -> None:
    before = {one["reader"]["display_name"]: one for one in _measured(vet)["readers"]}
    image = new_image()
    read = ok(reader.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    drawn = {"bbox": [102, 82, 78, 58], "group": "ascarid_egg"}
    ok(reader.post(f"/api/images/{image['id']}/objects", json=drawn), 201)
    ok(reader.post(f"/api/reads/{read['id']}/lock"), 200)
    candidates = list_candidates(reader, image)["candidates"]
    for one in candidates[:2]:
        mark(reader, one, group="oocyst")
    mark(reader, candidates[2], answer="reject", reason="pollen")
    look = ok(reader.post(f"/api/specimens/{image['specimen_id']}/second-looks", json={"blind": True}), 201)
    for one in candidates:
        mark(second, one, group="oocyst")
    ok(second.post(f"/api/second-looks/{look['id']}/close"), 200)
    # Seen after the other's marks, so of no use as an answer given alone.
    mark(reader, candidates[2], group="oocyst")
    ok(
        vet.post(
            f"/api/candidates/{_drawn_id(vet, image)}/marks", json={"answer": "reject", "reason": "mite"}
        ),
        201,
    )
    settled = {"answer": "reject", "reason": "mite"}
    ok(vet.post(f"/api/candidates/{_drawn_id(vet, image)}/adjudications", json=settled), 201)
    ok(vet.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={}), 201)
    after = {one["reader"]["display_name"]: one for one in _measured(vet)["readers"]}
    assert _gain(before, after, "The reader", "unaided", "found") == (1, 3)
    assert _gain(before, after, "The reader", "aided", "found") == (2, 3)
    assert _gain(before, after, "The second", "aided", "found") == (3, 3)


def _measured(client: httpx.Client) -> dict[str, Any]:
    measured: dict[str, Any] = ok(client.get("/api/readers-measured"), 200)
    return measured


def _drawn_id(client: httpx.Client, image: dict[str, Any]) -> int:
    (drawn,) = list_candidates(client, image)["objects"]
    return int(drawn["id"])


def _gain(before: dict[str, Any], after: dict[str, Any], name: str, way: str, what: str) -> tuple[int, int]:
    new, old = after[name][way][what], before.get(name, {}).get(way, {}).get(what, {"n": 0, "of": 0})
    return new["n"] - old["n"], new["of"] - old["of"]


def test_reader_sees_own_figures_alone(reader: httpx.Client, assistant: httpx.Client) -> None:
    own = ok(reader.get("/api/readers-measured/me"), 200)
    assert [one["reader"]["display_name"] for one in own["readers"]] == ["The reader"]
    assert own["agreement"]["pairs"] == []
    problem(reader.get("/api/readers-measured"), 403)
    problem(assistant.get("/api/readers-measured/me"), 403)
