"""Scales: measured on photographs, confirmed or refused by a person, kept as history."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import pytest
import tifffile
from PIL import Image
from service_calls import next_number, ok, problem, specimen_body, wait_until_ready
from service_slides import draw_slide

from service.drift import trace_drift
from service.store.models import CalibrationRow
from training.synthesize.ruling import Ruling, draw_ruling

UM_PER_PX = 0.5
STATED = {
    "microscope": "M2",
    "objective": "40x",
    "um_per_px": 0.2,
    "um_per_px_sd": 0.002,
    "source": "micrometer",
}
POINTS = {"method": "two points", "first_xy": [10, 20], "second_xy": [410, 20], "length_um": 200}


def to_png(pixels: np.ndarray[Any, Any]) -> bytes:
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG")
    return file.getvalue()


@pytest.fixture(scope="session")
def rulings() -> dict[str, bytes]:
    """Photographs of a drawn stage micrometer along x and along y, and of plain glass."""
    drawn = {
        axis: to_png(draw_ruling(Ruling(shape_hw=(480, 640), um_per_px=UM_PER_PX, angle_deg=angle), 5))
        for axis, angle in (("x", 2.0), ("y", 88.0))
    }
    glass = np.random.default_rng(3).normal(200, 2, (480, 640, 3)).clip(0, 255).astype(np.uint8)
    return {**drawn, "glass": to_png(glass)}


def send(client: httpx.Client, picture: bytes, file_name: str = "ruling.png") -> dict[str, Any]:
    answer = client.post("/api/calibration-pictures", params={"file_name": file_name}, content=picture)
    return ok(answer, 201)


def measure(client: httpx.Client, picture: dict[str, Any], **asked: Any) -> httpx.Response:
    body = {"method": "ruling", "division_um": 10, **asked}
    if asked.get("method", "ruling") != "ruling":
        body = asked
    return client.post(f"/api/calibration-pictures/{picture['id']}/measurements", json=body)


@pytest.fixture(scope="session")
def picture(assistant: httpx.Client, rulings: dict[str, bytes]) -> dict[str, Any]:
    return send(assistant, rulings["x"])


@pytest.fixture
def pointed(assistant: httpx.Client, picture: dict[str, Any]) -> dict[str, Any]:
    """A measurement of the test's own, along x."""
    return ok(measure(assistant, picture, **POINTS), 201)


def confirm(client: httpx.Client, measurement: dict[str, Any], **changes: Any) -> httpx.Response:
    where = {"microscope": f"M-{next_number()}", "objective": "10x", "camera_setting": "full size"}
    return client.post(f"/api/scale-measurements/{measurement['id']}/confirmation", json={**where, **changes})


def test_photographed_ruling_is_measured_shown_and_confirmed(
    assistant: httpx.Client, reader: httpx.Client, picture: dict[str, Any]
) -> None:
    found = ok(measure(assistant, picture), 201)
    assert found["um_per_px_x"] == pytest.approx(UM_PER_PX, rel=0.003)
    assert 0 < found["um_per_px_x_sd"] < 0.01 * UM_PER_PX
    assert (found["um_per_px_y"], found["measured_axis"], found["state"]) == (None, "x", "proposed")
    shown = Image.open(io.BytesIO(reader.get(found["shown_url"]).content))
    assert shown.width == 640 and shown.height > 480
    before = ok(reader.get("/api/calibrations"), 200)
    on_record = ok(confirm(reader, found, microscope="Bench 7"), 201)
    assert on_record["um_per_px"] == found["um_per_px"] and on_record["source"] == "stage micrometer"
    assert (on_record["image_width"], on_record["image_height"]) == (640, 480)
    assert on_record["created_by"]["display_name"] == "The reader"
    assert on_record["measurement_ids"] == [found["id"]]
    after = ok(reader.get("/api/calibrations"), 200)
    assert [one["id"] for one in after] == [on_record["id"], *(one["id"] for one in before)]
    read = ok(reader.get(f"/api/scale-measurements/{found['id']}"), 200)
    assert (read["state"], read["calibration_id"]) == ("confirmed", on_record["id"])


def test_rulings_along_both_axes_make_one_calibration(
    reader: httpx.Client, picture: dict[str, Any], rulings: dict[str, bytes]
) -> None:
    along_x = ok(measure(reader, picture), 201)
    along_y = ok(measure(reader, send(reader, rulings["y"])), 201)
    assert along_y["um_per_px_y"] == pytest.approx(UM_PER_PX, rel=0.003)
    joined = ok(confirm(reader, along_x, other_axis_id=along_y["id"]), 201)
    assert joined["um_per_px"] == pytest.approx((along_x["um_per_px"] + along_y["um_per_px"]) / 2)
    assert (joined["um_per_px_x"], joined["um_per_px_y"]) == (along_x["um_per_px"], along_y["um_per_px"])
    assert joined["measurement_ids"] == [along_x["id"], along_y["id"]]


def test_two_measurements_along_one_axis_are_refused(
    reader: httpx.Client, picture: dict[str, Any], pointed: dict[str, Any]
) -> None:
    other = ok(measure(reader, picture, **POINTS), 201)
    refused = problem(confirm(reader, pointed, other_axis_id=other["id"]), 422)
    assert "along x and x" in refused["detail"]
    assert ok(reader.get(f"/api/scale-measurements/{pointed['id']}"), 200)["state"] == "proposed"


def test_picture_without_a_ruling_is_refused_and_kept(
    assistant: httpx.Client, rulings: dict[str, bytes]
) -> None:
    glass = send(assistant, rulings["glass"])
    assert "No ruling was found" in problem(measure(assistant, glass), 422)["detail"]
    assert ok(assistant.get(f"/api/calibration-pictures/{glass['id']}"), 200) == glass
    assert ok(assistant.get(f"/api/calibration-pictures/{glass['id']}/measurements"), 200) == []


def test_same_photograph_twice_is_one(
    assistant: httpx.Client, reader: httpx.Client, picture: dict[str, Any], rulings: dict[str, bytes]
) -> None:
    assert send(reader, rulings["x"], "again.png")["id"] == picture["id"]
    listed = [one["id"] for one in ok(assistant.get("/api/calibration-pictures"), 200)]
    assert listed.count(picture["id"]) == 1


def test_two_points_divide_the_known_length(pointed: dict[str, Any]) -> None:
    assert pointed["um_per_px"] == 0.5 and pointed["um_per_px_x"] == 0.5
    # Root 2 of one pixel in 400.
    assert pointed["um_per_px_sd"] == pytest.approx(0.5 * 2**0.5 / 400)
    assert pointed["shown_url"] is None and pointed["details"]["second_xy"] == [410, 20]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"length_um": 0}, "must be above 0"),
        ({"second_xy": [12, 20]}, "2.0 px apart"),
        ({"second_xy": [641, 20]}, "641, 20 lies outside the picture of 640 x 480 px"),
        ({"second_xy": [1]}, "second_xy"),
        ({"method": "guess"}, "method"),
        ({"method": "file"}, "length_um"),
    ],
)
def test_points_that_cannot_be_are_refused(
    changes: dict[str, Any], said: str, assistant: httpx.Client, picture: dict[str, Any]
) -> None:
    assert said in str(problem(measure(assistant, picture, **{**POINTS, **changes}), 422))


@pytest.mark.parametrize(("division_um", "tolerance"), [(0, 0), (-1, 0), (10, 0.5)])
def test_impossible_ruling_is_refused(
    division_um: float, tolerance: float, assistant: httpx.Client, picture: dict[str, Any]
) -> None:
    asked = {"division_um": division_um, "ruling_tolerance": tolerance}
    assert "was given" in problem(measure(assistant, picture, **asked), 422)["detail"]


def test_assistant_measures_but_neither_confirms_nor_refuses(
    assistant: httpx.Client, pointed: dict[str, Any]
) -> None:
    assert "'reader'" in problem(confirm(assistant, pointed), 403)["detail"]
    refusal = f"/api/scale-measurements/{pointed['id']}/refusal"
    problem(assistant.post(refusal, json={"reason": "blurred"}), 403)
    problem(assistant.post("/api/calibrations", json=STATED), 403)
    assert ok(assistant.get(f"/api/scale-measurements/{pointed['id']}"), 200)["state"] == "proposed"


def test_measurement_is_confirmed_once(reader: httpx.Client, pointed: dict[str, Any]) -> None:
    first = ok(confirm(reader, pointed), 201)
    assert f"calibration {first['id']}" in problem(confirm(reader, pointed), 409)["detail"]


def test_refused_measurement_stays_on_record_and_is_not_confirmed(
    vet: httpx.Client, pointed: dict[str, Any]
) -> None:
    path = f"/api/scale-measurements/{pointed['id']}"
    refused = ok(vet.post(f"{path}/refusal", json={"reason": "every tenth mark only"}), 201)
    assert (refused["state"], refused["refusal"]) == ("refused", "every tenth mark only")
    assert "was refused" in problem(confirm(vet, pointed), 409)["detail"]
    problem(vet.post(f"{path}/refusal", json={"reason": "again"}), 409)
    problem(vet.post(f"{path}/refusal", json={"reason": " "}), 422)


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/api/calibration-pictures/999999"),
        ("GET", "/api/calibration-pictures/999999/tiles/0/0/0.jpg"),
        ("GET", "/api/calibration-pictures/999999/measurements"),
        ("POST", "/api/calibration-pictures/999999/measurements"),
        ("GET", "/api/images/999999/measurements"),
        ("POST", "/api/images/999999/measurements"),
        ("GET", "/api/scale-measurements/999999"),
        ("GET", "/api/scale-measurements/999999/shown.jpg"),
        ("POST", "/api/scale-measurements/999999/confirmation"),
        ("POST", "/api/scale-measurements/999999/refusal"),
    ],
)
def test_what_is_not_there_is_missing_and_needs_a_person(
    method: str, path: str, reader: httpx.Client, anybody: httpx.Client
) -> None:
    body = {
        "measurements": {"method": "ruling", "division_um": 10},
        "confirmation": {"microscope": "M", "objective": "10x"},
        "refusal": {"reason": "blurred"},
    }.get(path.rsplit("/", 1)[-1])
    problem(reader.request(method, path, json=body), 404)
    problem(anybody.request(method, path, json=body), 401)


@pytest.mark.parametrize(
    "path", ["calibrations", "calibration-series", "calibration-pictures", "ocular-scales"]
)
def test_lists_need_a_person(path: str, anybody: httpx.Client) -> None:
    problem(anybody.get(f"/api/{path}"), 401)


def test_upload_that_is_no_picture_is_refused(assistant: httpx.Client, anybody: httpx.Client) -> None:
    query = {"file_name": "notes.txt"}
    refused = problem(assistant.post("/api/calibration-pictures", params=query, content=b"words"), 422)
    assert "notes.txt is no picture" in refused["detail"]
    problem(assistant.post("/api/calibration-pictures", params=query, content=bytes(5 * 1024**2)), 413)
    problem(anybody.post("/api/calibration-pictures", params=query, content=b"words"), 401)


def test_tiles_of_a_photograph_are_there(assistant: httpx.Client, picture: dict[str, Any]) -> None:
    tiles = f"/api/calibration-pictures/{picture['id']}/tiles"
    top = picture["zoom_levels"] - 1
    assert Image.open(io.BytesIO(assistant.get(f"{tiles}/{top}/0/0.jpg").content)).size == (256, 256)
    problem(assistant.get(f"{tiles}/{top}/9/0.jpg"), 404)
    problem(
        assistant.get(
            f"/api/scale-measurements/{ok(measure(assistant, picture, **POINTS), 201)['id']}/shown.jpg"
        ),
        404,
    )


def draw_tiff(seed: int) -> bytes:
    """A slide whose file says 0.5 µm per pixel."""
    pixels = np.asarray(Image.open(io.BytesIO(draw_slide(seed))))
    file = io.BytesIO()
    tifffile.imwrite(file, pixels, resolution=(20_000, 20_000), resolutionunit="CENTIMETER")
    return file.getvalue()


def test_file_scale_is_a_proposal_until_a_person_confirms_it(
    reader: httpx.Client, new_image: Callable[..., Any]
) -> None:
    image = new_image(draw_tiff(next_number()), um_per_px=None, file_name="scan.tif")
    assert image["calibration"] is None and image["calibration_age_days"] is None
    assert image["file_scale"] == {"um_per_px": 0.5, "source": "resolution of the TIFF"}
    candidates = ok(reader.get(f"/api/images/{image['id']}/candidates"), 200)
    assert candidates["calibration"] is None
    assert all(one["length_um"] is None for one in candidates["candidates"])
    wanted = {"confirm_file_scale": True}
    ok(reader.post(f"/api/images/{image['id']}/proposals", json=wanted), 202)
    measured = wait_until_ready(reader, f"/api/images/{image['id']}")["calibration"]
    assert (measured["um_per_px"], measured["um_per_px_sd"]) == (0.5, 0.01)
    assert measured["source"] == "file metadata (resolution of the TIFF), confirmed by The reader"


def test_file_scale_of_a_photograph_is_confirmed_into_the_history(reader: httpx.Client) -> None:
    photograph = send(reader, draw_tiff(next_number()), "micrometer.tif")
    assert photograph["file_scale"]["um_per_px"] == 0.5
    found = ok(measure(reader, photograph, method="file"), 201)
    assert found["state"] == "proposed" and "2 % is assumed" in " ".join(found["notes"])
    on_record = ok(confirm(reader, found), 201)
    assert on_record["source"] == "file metadata (resolution of the TIFF)"
    assert on_record["um_per_px_x"] == on_record["um_per_px_y"] == 0.5


def test_file_without_a_scale_proposes_none(
    reader: httpx.Client, picture: dict[str, Any], image: dict[str, Any]
) -> None:
    assert picture["file_scale"] is None and image["file_scale"] is None
    assert "states no usable scale" in problem(measure(reader, picture, method="file"), 422)["detail"]
    wanted = {"confirm_file_scale": True}
    problem(reader.post(f"/api/images/{image['id']}/proposals", json=wanted), 422)


def test_scale_in_the_same_shot_holds_for_that_image_alone(
    reader: httpx.Client, image: dict[str, Any], new_image: Callable[..., Any]
) -> None:
    asked = {**POINTS, "known_length": "10 divisions of the eyepiece's scale", "length_um": 100}
    found = ok(reader.post(f"/api/images/{image['id']}/measurements", json=asked), 201)
    assert ok(reader.get(f"/api/images/{image['id']}/measurements"), 200) == [found]
    assert "that picture alone" in problem(confirm(reader, found), 409)["detail"]
    other = new_image()
    taken = {"measurement_id": found["id"]}
    refused = problem(reader.post(f"/api/images/{other['id']}/proposals", json=taken), 422)
    assert "not made on this picture" in refused["detail"]
    ok(reader.post(f"/api/images/{image['id']}/proposals", json=taken), 202)
    measured = wait_until_ready(reader, f"/api/images/{image['id']}")["calibration"]
    assert measured["um_per_px"] == 0.25 and measured["source"].startswith("two points on a known length in")
    read = ok(reader.get(f"/api/scale-measurements/{found['id']}"), 200)
    assert (read["state"], read["calibration_id"]) == ("confirmed", None)


def test_two_scales_at_once_are_refused(reader: httpx.Client, image: dict[str, Any]) -> None:
    both = {"um_per_px": 0.5, "confirm_file_scale": True}
    refused = problem(reader.post(f"/api/images/{image['id']}/proposals", json=both), 422)
    assert "`confirm_file_scale` or `um_per_px`" in refused["detail"]


def test_calibration_is_carried_to_the_same_picture_resized_alone(
    reader: httpx.Client, new_image: Callable[..., Any], assistant: httpx.Client
) -> None:
    stated = {**STATED, "um_per_px": 0.25, "image_width": 1200, "image_height": 840}
    calibration = ok(reader.post("/api/calibrations", json=stated), 201)
    image = new_image(draw_slide(next_number()), um_per_px=None, calibration_id=calibration["id"])
    assert image["calibration"]["um_per_px"] == 0.5 and image["calibration"]["id"] == calibration["id"]
    assert image["calibration_age_days"] == 0
    assert "taken at 1200 x 840 px, for the same picture resized" in image["calibration"]["source"]
    specimen = ok(assistant.post("/api/specimens", json=specimen_body()), 201)
    refused = problem(
        assistant.post(
            f"/api/preparations/{specimen['preparations'][0]['id']}/images",
            params={"file_name": "cut.png", "calibration_id": calibration["id"]},
            content=draw_slide(next_number(), height=400),
        ),
        422,
    )
    assert "600 x 400 px, which is not the same picture resized" in refused["detail"]


def test_calibration_is_kept_beside_the_older_one(reader: httpx.Client) -> None:
    setting = {**STATED, "microscope": f"M-{next_number()}", "camera_setting": "1x adapter"}
    older = ok(reader.post("/api/calibrations", json=setting), 201)
    newer = ok(reader.post("/api/calibrations", json=setting | {"um_per_px": 0.21}), 201)
    listed = ok(reader.get("/api/calibrations"), 200)
    assert [one["id"] for one in listed[:2]] == [newer["id"], older["id"]]
    assert listed[1]["um_per_px"] == 0.2 and listed[1]["camera_setting"] == "1x adapter"
    assert (listed[0]["is_newest"], listed[1]["is_newest"]) == (True, False)
    series = ok(reader.get("/api/calibration-series"), 200)[0]
    assert [point["calibration_id"] for point in series["points"]] == [older["id"], newer["id"]]
    assert series["points"][1]["change_percent"] == pytest.approx(5)
    assert (series["reminder_days"], series["is_old"], series["age_days"]) == (365, False, 0)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"um_per_px": 0}, "must lie between"),
        ({"um_per_px_sd": -1}, "0 or more"),
        ({"source": " "}, "source"),
    ],
)
def test_impossible_calibration_is_refused(changes: dict[str, Any], said: str, reader: httpx.Client) -> None:
    assert said in problem(reader.post("/api/calibrations", json=STATED | changes), 422)["detail"]


def make_row(
    number: int, um_per_px: float, days_ago: int, wh: tuple[int, int] | None, **changes: Any
) -> CalibrationRow:
    width, height = wh or (None, None)
    values = {"microscope": "M", "objective": "10x", "camera_setting": "", "source": "micrometer", **changes}
    return CalibrationRow(
        id=number,
        um_per_px=um_per_px,
        um_per_px_sd=0.001,
        image_width=width,
        image_height=height,
        created_at=datetime(2026, 11, 25, tzinfo=UTC) - timedelta(days=days_ago),
        **values,
    )


def test_series_joins_pictures_of_one_field_and_parts_settings() -> None:
    rows = [
        make_row(5, 0.51, 10, (2000, 1500)),
        make_row(4, 0.25, 200, (4000, 3000)),
        make_row(3, 0.5, 300, (1920, 1080)),
        make_row(2, 0.5, 400, (2000, 1500), camera_setting="zoom 2"),
        make_row(1, 0.2, 500, None),
    ]
    series = trace_drift(rows, now=datetime(2026, 11, 25, tzinfo=UTC), reminder_days=365)
    assert [[point.calibration_id for point in one.points] for one in series] == [[4, 5], [3], [2], [1]]
    older, newer = series[0].points
    assert older.um_per_px == 0.5 and older.high - older.low == pytest.approx(2 * 1.96 * 0.002)
    assert newer.change_percent == pytest.approx(2) and newer.has_drifted and not older.has_drifted
    assert [one.is_old for one in series] == [False, False, True, True]


def test_ocular_scale_of_a_printed_example_is_worked_out_and_kept(
    assistant: httpx.Client, reader: httpx.Client
) -> None:
    # College of the Canyons, ocular micrometer exercise, without its rounding (it prints 5.5).
    reading = {"stage_divisions": 12, "ocular_divisions": 22}
    figures = ok(assistant.post("/api/ocular-scales/figures", json=reading), 200)
    assert figures["um_per_division"] == pytest.approx(5.454545, abs=1e-6)
    where = {"microscope": f"M-{next_number()}", "objective": "10x"}
    problem(assistant.post("/api/ocular-scales", json=reading | where), 403)
    kept = ok(reader.post("/api/ocular-scales", json=reading | where), 201)
    assert ok(assistant.get("/api/ocular-scales"), 200)[0] == kept
    assert kept["um_per_division"] == figures["um_per_division"] and kept["stage_division_um"] == 10


def test_ocular_scale_of_no_divisions_is_refused(reader: httpx.Client, anybody: httpx.Client) -> None:
    reading = {"stage_divisions": 12, "ocular_divisions": 0}
    for path, body in (("/figures", reading), ("", reading | {"microscope": "M", "objective": "10x"})):
        assert (
            "must be above 0" in problem(reader.post(f"/api/ocular-scales{path}", json=body), 422)["detail"]
        )
        problem(anybody.post(f"/api/ocular-scales{path}", json=body), 401)
