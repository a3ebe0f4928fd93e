"""Objects per coverslip: areas, limits, groups not assessed, sensitivity from blind second looks."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from scipy import stats
from service_calls import list_candidates, mark, ok, problem

from service.numbers import CoverslipNumbers, GroupNumbers, UnassessedGroup
from service.objects_counted import count_objects
from service.papers.count_words import tell_group, tell_many, tell_not_assessed, tell_remarks
from service.papers.words import read_words
from service.sensitivity import MeasuredSensitivities, Sensitivity, lower_share
from triage.counts import limit_objects


@pytest.mark.parametrize(("found", "objects"), [(40, 40), (30, 40), (1, 50), (0, 30)])
def test_lower_limit_of_a_share_is_the_exact_one(found: int, objects: int) -> None:
    outside = stats.binomtest(found, objects, alternative="greater").proportion_ci(0.95, method="exact").low
    assert lower_share(found, objects) == pytest.approx(outside, abs=1e-12)


@pytest.mark.parametrize("n_marked", [0, 1, 7])
def test_upper_limit_is_the_exact_one_of_a_poisson_mean(n_marked: int) -> None:
    upper = limit_objects(n_marked, area_share=0.25, sensitivity=0.8).upper
    assert stats.poisson.cdf(n_marked, upper * 0.25 * 0.8) == pytest.approx(0.05, abs=1e-9)
    assert upper == pytest.approx(stats.chi2.ppf(0.95, 2 * n_marked + 2) / 2 / 0.2)


def test_sensitivity_of_a_group_needs_thirty_objects_else_all_are_taken_together() -> None:
    measured = MeasuredSensitivities({"oocyst": (28, 31), "ascarid_egg": (5, 6)})
    of_group, of_all = measured.of_group("oocyst"), measured.of_group("ascarid_egg")
    assert of_group is not None and (of_group.n_found, of_group.is_of_group) == (28, True)
    assert of_all is not None and (of_all.n_found, of_all.n_objects, of_all.is_of_group) == (33, 37, False)
    assert MeasuredSensitivities({"oocyst": (28, 29)}).of_group("oocyst") is None


def _spoken(bbox: list[float], group: str = "oocyst", image_id: int = 1, answer: str = "confirm") -> Any:
    said = SimpleNamespace(answer=answer, group=group, reason=None, reader_id=1, created_at=0)
    candidate = SimpleNamespace(image_id=image_id, said={"bbox": bbox}, group=group)
    return SimpleNamespace(candidate=candidate, marks=(said,), adjudications=(), withdrawn=())


@pytest.mark.parametrize(
    ("other", "n_objects"),
    [
        (_spoken([12, 10, 40, 40]), 1),
        (_spoken([35, 10, 40, 40]), 2),
        (_spoken([12, 10, 40, 40], group="ascarid_egg"), 1),
        (_spoken([12, 10, 40, 40], image_id=2), 2),
    ],
)
def test_object_with_two_candidates_counts_once(other: Any, n_objects: int) -> None:
    assert len(count_objects([_spoken([10, 10, 40, 40]), other])) == n_objects


def test_place_with_two_groups_counts_once_under_what_was_said_last() -> None:
    first, last = _spoken([10, 10, 40, 40]), _spoken([12, 10, 40, 40], group="ascarid_egg")
    last.marks[0].created_at = 1
    (counted,) = count_objects([first, last])
    assert (counted.group, counted.other_groups) == ("ascarid_egg", ("oocyst",))
    (alone,) = count_objects([first])
    assert alone.other_groups == ()
    twice, once = tell_remarks(read_words(), _numbers(n_two_groups=2)), tell_remarks(read_words(), _numbers())
    assert any(
        line.startswith("2 of the objects marked were confirmed under several groups") for line in twice
    )
    assert not any("several groups" in line for line in once)


def _group(**changes: Any) -> GroupNumbers:
    limit = limit_objects(0, area_share=0.12, sensitivity=1.0).upper
    values: dict[str, Any] = {
        "group": "oocyst",
        "n_marked": 0,
        "area_mm2": 58.0,
        "area_share": 0.12,
        "per_coverslip": 0.0,
        "upper_limit": limit,
        "sensitivity": None,
    }
    return GroupNumbers(**{**values, **changes})


def _numbers(**changes: Any) -> CoverslipNumbers:
    values: dict[str, Any] = {
        "preparation_id": 1,
        "coverslip_mm": 22.0,
        "n_pictures": 1,
        "area_mm2": 58.0,
        "area_share": 0.12,
        "groups": (),
        "not_assessed": (),
        "unsure": 0,
        "remarks": (),
    }
    return CoverslipNumbers(**{**values, **changes})


def test_none_marked_is_told_with_its_limit_and_what_was_assumed() -> None:
    told = tell_group(read_words(), _group(), _numbers())
    assert told.startswith("None marked on 12 % of the coverslip. Up to 24 may lie")
    assert "has not been measured in this hospital" in told
    measured = tell_group(read_words(), _group(sensitivity=Sensitivity(40, 38, 0.85, True)), _numbers())
    assert "if 85 % of such objects get marked, as measured in this hospital" in measured


def test_each_reason_why_a_group_was_not_assessed_is_a_line_of_its_own() -> None:
    judged = {"limited_by": ["sampling"], "width_px": 7.3, "magnification": 10.0}
    other = UnassessedGroup("giardia_cyst", 0, ("", "", ""), ({**judged, "width_px": 6.1}, judged, judged))
    lines = tell_not_assessed(read_words(), _numbers(not_assessed=(other,)))
    assert [line.split(" px wide")[0] for line in lines] == [
        f"Giardia cyst: can't be assessed in this picture: the smallest is only {px}" for px in (6.1, 7.3)
    ]
    assert tell_not_assessed(read_words(), _numbers(not_assessed=(other,), n_pictures=0)) == []


def test_objects_of_a_group_that_was_not_assessed_are_told() -> None:
    judged = {"limited_by": ["sampling"], "width_px": 7.3, "magnification": 10.0}
    marked = UnassessedGroup("giardia_cyst", 2, ("",), (judged,))
    (line,) = tell_not_assessed(read_words(), _numbers(not_assessed=(marked,)))
    assert line.startswith("Giardia cyst, 2 marked: can't be assessed in this picture")


def test_limit_that_cannot_be_had_says_why() -> None:
    without = _group(upper_limit=None, per_coverslip=None, area_share=None)
    assert "the side of the coverslip is not recorded" in tell_group(
        read_words(), without, _numbers(coverslip_mm=None)
    )
    without = _group(upper_limit=None, per_coverslip=None, area_share=None, area_mm2=None)
    assert "the scale of a picture is unknown" in tell_group(read_words(), without, _numbers())


@pytest.mark.parametrize(
    ("n", "about", "limit"),
    [
        (0, "0", "0"),
        (999, "999", "999"),
        (1004, "1,000", "1,010"),
        (17493, "17,500", "17,500"),
        (28955, "29,000", "29,000"),
    ],
)
def test_numbers_of_the_whole_glass_are_told_in_three_figures(n: int, about: str, limit: str) -> None:
    assert (tell_many(n), tell_many(n, is_limit=True)) == (about, limit)


def test_numbers_of_a_specimen_hold_area_limits_and_groups_not_assessed(
    reader: httpx.Client, new_image: Callable[..., Any]
) -> None:
    image = new_image(facts={"coverslip_mm": 22}, um_per_px=1.0)
    for one in list_candidates(reader, image)["candidates"]:
        mark(reader, one, group="ascarid_egg")
    (told,) = ok(reader.get(f"/api/specimens/{image['specimen_id']}/numbers"), 200)
    side = told["coverslip_mm"]
    assert told["n_pictures"] == 1 and told["area_mm2"] == pytest.approx(
        image["width"] * image["height"] / 1e6, rel=0.02
    )
    assert told["area_share"] == pytest.approx(told["area_mm2"] / side**2)
    by_group = {one["group"]: one for one in told["groups"]}
    marked, none = by_group["ascarid_egg"], by_group["strongylid_egg"]
    assert marked["n_marked"] == 3 and marked["per_coverslip"] == pytest.approx(3 / told["area_share"])
    assert none["upper_limit"] == pytest.approx(-math.log(0.05) / told["area_share"])
    assert "giardia_cyst" in {one["group"] for one in told["not_assessed"]} - {*by_group}
    assert any("no eggs per gram" in one for one in told["remarks"])


def test_area_is_unknown_without_a_scale(reader: httpx.Client, seen_image: dict[str, Any]) -> None:
    (told,) = ok(reader.get(f"/api/specimens/{seen_image['specimen_id']}/numbers"), 200)
    if seen_image["calibration"] is None:
        assert told["area_mm2"] is None and "the area is unknown" in told["area_sentence"]
    problem(reader.get("/api/specimens/999999/numbers"), 404)
    refused = reader.get(f"/api/specimens/{seen_image['specimen_id']}/numbers", params={"language": "xx"})
    assert "There are no texts in 'xx'" in problem(refused, 422)["detail"]


def test_blind_second_looks_measure_the_sensitivity(
    reader: httpx.Client, second: httpx.Client, vet: httpx.Client, new_image: Callable[..., Any], app: Any
) -> None:
    from service.sensitivity import measure_sensitivities

    database = app.state.parts.database
    with database.read() as session:
        before = measure_sensitivities(session).found.get("spirurid_egg", (0, 0))
    image = new_image()
    candidates = list_candidates(reader, image)["candidates"]
    for one in candidates[:2]:
        mark(reader, one, group="spirurid_egg")
    mark(reader, candidates[2], answer="reject", reason="pollen")
    url = f"/api/specimens/{image['specimen_id']}"
    look = ok(reader.post(f"{url}/second-looks", json={"blind": True}), 201)
    for one in candidates:
        mark(second, one, group="spirurid_egg")
    ok(second.post(f"/api/second-looks/{look['id']}/close"), 200)
    settled = {"answer": "confirm", "group": "spirurid_egg"}
    ok(vet.post(f"/api/candidates/{candidates[2]['id']}/adjudications", json=settled), 201)
    ok(vet.post(f"{url}/sign-off", json={}), 201)
    with database.read() as session:
        after = measure_sensitivities(session).found["spirurid_egg"]
    assert (after[0] - before[0], after[1] - before[1]) == (2, 3)
