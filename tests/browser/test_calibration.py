"""Scales in the browser: measured on a photograph, confirmed or refused, kept, and their course over time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, Route, expect

from training.synthesize.ruling import Ruling, draw_ruling

from .conftest import UM_PER_PX, Clinic, Drawn, open_watched, sign_in

LONG_MS = 60_000

# Along x and along y, in pictures of one size.
ANGLES_DEG = {"x": 2.0, "y": 92.0}


@pytest.fixture(scope="module")
def photographs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A drawn stage micrometer along x and along y, and plain glass."""
    folder = tmp_path_factory.mktemp("photographs")
    pixels = {
        axis: draw_ruling(Ruling(shape_hw=(450, 600), um_per_px=UM_PER_PX, angle_deg=angle_deg), 5)
        for axis, angle_deg in ANGLES_DEG.items()
    }
    pixels["glass"] = np.random.default_rng(3).normal(200, 2, (450, 600, 3)).clip(0, 255).astype(np.uint8)
    for name, drawn in pixels.items():
        Image.fromarray(drawn).save(folder / f"{name}.png")
    return {name: folder / f"{name}.png" for name in pixels}


def send(page: Page, clinic: Clinic, photograph: Path, **belongs: str) -> None:
    """Send a photograph, and come to the page that measures it."""
    page.goto(f"{clinic.address}/calibrations/new")
    for label, value in belongs.items():
        page.get_by_label(label.replace("_", " "), exact=True).fill(value)
    page.locator("#file-input").set_input_files(photograph)
    wait_until_sent(page, photograph)


def wait_until_sent(page: Page, photograph: Path) -> None:
    """Until the page that measures it is there."""
    page.wait_for_url("**/calibrations/pictures/*", timeout=LONG_MS)
    expect(page.get_by_role("heading", level=1)).to_have_text(photograph.name)
    expect(page.locator("#results")).not_to_be_empty()


def measure(page: Page) -> Locator:
    """Press the button, and wait for the newest measurement."""
    before = page.locator("article.result").count()
    page.get_by_role("button", name="Measure", exact=True).click()
    expect(page.locator("article.result")).to_have_count(before + 1)
    return page.locator("article.result").first


def test_photographed_ruling_goes_by_way_of_its_picture_into_the_history(
    reader: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    send(
        reader,
        clinic,
        photographs["x"],
        Microscope_and_camera="Bench C, camera on port",
        Objective="10x",
        Camera_setting="full size",
    )
    found = measure(reader)
    expect(found.get_by_role("definition").first).to_have_text(re.compile(r"0\.(500|499).* µm per pixel"))
    expect(found.get_by_role("definition").nth(1)).to_have_text("not measured")
    shown = found.get_by_role("img")
    expect(shown).to_have_js_property("complete", True)
    assert shown.evaluate("(image) => image.naturalWidth") == 600
    expect(found).to_contain_text("Proposed")
    found.get_by_role("button", name="Confirm it into the history").click()
    expect(reader.locator("article.result").first).to_contain_text("Confirmed")
    reader.goto(f"{clinic.address}/calibrations")
    row = reader.get_by_role("row").filter(has_text="Bench C, camera on port")
    expect(row).to_contain_text("full size")
    expect(row).to_contain_text("600 × 450 px")
    series = reader.locator(".drift").filter(has_text="Bench C")
    expect(series.get_by_role("img")).to_have_attribute(
        "aria-label", re.compile("1 calibrations; newest 0.5")
    )
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('calibrated')['id']}")
    expect(reader.get_by_label("Calibration", exact=True)).to_contain_text(
        "Bench C, camera on port, 10x, full size"
    )


def test_both_axes_are_joined(reader: Page, clinic: Clinic, photographs: dict[str, Path]) -> None:
    send(reader, clinic, photographs["y"])
    measure(reader)
    send(reader, clinic, photographs["x"], Microscope_and_camera="Bench D", Objective="10x")
    found = measure(reader)
    found.get_by_label("Join with a measurement along y").select_option(index=1)
    found.get_by_role("button", name="Confirm it into the history").click()
    expect(reader.locator("article.result").first).to_contain_text("Confirmed")
    joined = clinic.client.get("/api/calibrations").json()[0]
    assert joined["microscope"] == "Bench D" and len(joined["measurement_ids"]) == 2
    assert joined["um_per_px_x"] is not None and joined["um_per_px_y"] is not None


def test_photograph_without_a_ruling_chosen_before_the_script_came_is_told_and_stays(
    reader: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    def choose_and_go_on(route: Route) -> None:
        reader.locator("#file-input").set_input_files(photographs["glass"])
        route.continue_()

    reader.route("**/calibration-upload.js", choose_and_go_on, times=1)
    reader.goto(f"{clinic.address}/calibrations/new")
    wait_until_sent(reader, photographs["glass"])
    reader.get_by_role("button", name="Measure", exact=True).click()
    expect(reader.locator("#measure-problem")).to_contain_text("No ruling was found")
    reader.goto(f"{clinic.address}/calibrations/new")
    expect(reader.get_by_role("link", name="glass.png")).to_be_visible()


def test_points_are_clicked_dragged_and_measured(
    reader: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    send(reader, clinic, photographs["glass"])
    reader.get_by_label("Two points on a known length").check()
    viewer = reader.locator("#viewer")
    viewer.scroll_into_view_if_needed()
    box = viewer.bounding_box()
    assert box is not None
    middle = box["y"] + box["height"] / 2
    for share in (0.3, 0.6):
        reader.mouse.click(box["x"] + share * box["width"], middle)
    expect(reader.locator(".end-point")).to_have_count(2)
    clicked = float(reader.get_by_label("x", exact=True).nth(1).input_value())
    pin = reader.locator(".end-point").nth(1)
    pin.drag_to(viewer, target_position={"x": box["width"] * 0.7, "y": box["height"] / 2})
    assert float(reader.get_by_label("x", exact=True).nth(1).input_value()) > clicked
    reader.get_by_label("Length, µm").fill("150")
    expect(measure(reader)).to_contain_text("Two points on a known length")


def test_points_are_measured_and_confirmed_by_keyboard_alone(
    reader: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    send(reader, clinic, photographs["glass"])
    reader.get_by_label("Find the ruling of a stage micrometer").focus()
    reader.keyboard.press("ArrowDown")
    expect(reader.get_by_label("Two points on a known length")).to_be_checked()
    for typed in ("100", "200", "500", "200", "a scale bar", "250"):
        reader.keyboard.press("Tab")
        reader.keyboard.type(typed)
    expect(reader.locator("#distance")).to_have_text("The points lie 400.0 px apart.")
    before = reader.locator("article.result").count()
    reader.keyboard.press("Enter")
    expect(reader.locator("article.result")).to_have_count(before + 1)
    found = reader.locator("article.result").first
    # Root 2 of one pixel in 400.
    expect(found).to_contain_text("0.6250 ± 0.0022 µm per pixel")
    found.get_by_label("Microscope and camera").focus()
    reader.keyboard.type("Bench E")
    reader.keyboard.press("Tab")
    reader.keyboard.type("4x")
    reader.keyboard.press("Enter")
    expect(reader.locator("article.result").first).to_contain_text("Confirmed")
    assert clinic.client.get("/api/calibrations").json()[0]["um_per_px"] == 0.625


def test_refusal_asks_why_and_stays_on_record(
    reader: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    send(reader, clinic, photographs["x"])
    found = measure(reader)
    found.get_by_role("button", name="Refuse it").click()
    found.get_by_role("button", name="Refuse it for this reason").click()
    expect(found.get_by_role("alert")).to_contain_text("Say first why")
    found.get_by_label("Why it is refused").fill("the camera was turned")
    found.get_by_role("button", name="Refuse it for this reason").click()
    refused = reader.locator("article.result").first
    expect(refused).to_contain_text("Refused: the camera was turned")
    expect(refused.get_by_role("button")).to_have_count(0)


@pytest.fixture
def assistant(browser: Browser, clinic: Clinic) -> Iterator[Page]:
    """A page on which the assistant is signed in."""
    with open_watched(browser, clinic) as page:
        page.goto(f"{clinic.address}/sign-in")
        sign_in(page, clinic, "assistant")
        page.wait_for_url(f"{clinic.address}/")
        yield page


def test_assistant_measures_and_is_told_who_confirms(
    assistant: Page, clinic: Clinic, photographs: dict[str, Path]
) -> None:
    send(assistant, clinic, photographs["x"])
    found = measure(assistant)
    expect(found).to_contain_text("needs the role reader")
    expect(found.get_by_role("button", name="Confirm it into the history")).to_have_count(0)
    assistant.goto(f"{clinic.address}/calibrations")
    expect(assistant.locator("#open-list li").first).to_contain_text("stage micrometer")


def test_drift_beyond_both_uncertainties_is_told(reader: Page, clinic: Clinic) -> None:
    body: dict[str, Any] = {
        "microscope": "Bench F",
        "objective": "40x",
        "um_per_px_sd": 0.0005,
        "source": "stage micrometer",
        "image_width": 4000,
        "image_height": 3000,
    }
    clinic.post("/api/calibrations", {**body, "um_per_px": 0.25})
    half = {"image_width": 2000, "image_height": 1500}
    clinic.post("/api/calibrations", {**body, **half, "um_per_px": 0.51})
    reader.goto(f"{clinic.address}/calibrations")
    series = reader.locator(".drift").filter(has_text="Bench F")
    expect(series).to_contain_text("+2.0 % since the one before, more than their uncertainties explain")
    expect(series.locator("path.value")).to_have_count(1)
    expect(series.locator("circle.value")).to_have_count(1)
    series.get_by_role("link", name="Measure again").click()
    expect(reader.get_by_label("Microscope and camera")).to_have_value("Bench F")


def test_calibration_by_hand_needs_the_picture_size(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/calibrations")
    reader.get_by_text("Enter a calibration by hand").click()
    reader.get_by_label("Microscope and camera").fill("Bench G, phone on eyepiece")
    reader.get_by_label("Objective").fill("10x")
    reader.get_by_label("µm per pixel", exact=True).fill("0.92")
    reader.get_by_label("Its standard uncertainty, µm per pixel").fill("0.01")
    reader.get_by_role("button", name="Add the calibration").click()
    expect(reader.locator("#calibration-problem")).to_contain_text("Picture width")
    reader.get_by_label("Picture width, px").fill("4000")
    reader.get_by_label("Picture height, px").fill("3000")
    reader.get_by_role("button", name="Add the calibration").click()
    row = reader.get_by_role("row").filter(has_text="Bench G")
    expect(row).to_contain_text("0.920 ± 0.010 µm per pixel")


def test_eyepiece_scale_gives_the_length_in_a_phones_picture(
    reader: Page, clinic: Clinic, drawn: Drawn
) -> None:
    reader.goto(f"{clinic.address}/calibrations/eyepiece")
    # College of the Canyons, ocular micrometer exercise; it prints 5.5 after rounding.
    reader.get_by_label("Stage micrometer, divisions").fill("12")
    reader.get_by_label("Eyepiece, divisions", exact=True).fill("22")
    expect(reader.locator("#ocular-figure")).to_contain_text("5.455 ± 0.070 µm")
    reader.get_by_label("An object covers, eyepiece divisions").fill("5")
    expect(reader.locator("#object-figure")).to_contain_text("27.3 ± 1.6 µm")
    reader.get_by_label("Microscope and eyepiece").fill("Bench H")
    reader.get_by_label("Objective").fill("10x")
    reader.get_by_role("button", name="Keep this scale").click()
    expect(reader.locator("#ocular-list")).to_contain_text("Bench H, 10x")
    image = clinic.add_picture(clinic.file_specimen("phone"), drawn.path)
    reader.goto(f"{clinic.address}/images/{image}/scale")
    for name, value in (("x1", "100"), ("y1", "450"), ("x2", "900"), ("y2", "450")):
        reader.locator(f"#{name}").fill(value)
    reader.get_by_text("Take the length from an eyepiece's scale").click()
    reader.get_by_label("Divisions between the points").fill("40")
    reader.get_by_role("button", name="Take this length").click()
    expect(reader.get_by_label("Length, µm")).to_have_value("218.1818")
    found = measure(reader)
    found.get_by_role("button", name="Use this scale for this picture").click()
    reader.wait_for_url(f"**/reading/{image}")
    used = clinic.client.get(f"/api/images/{image}").json()["calibration"]
    assert used["um_per_px"] == pytest.approx(40 * 12 * 10 / 22 / 800)
    assert used["source"].startswith("two points on a known length in this picture, confirmed by Try reader")


def test_what_a_file_says_is_used_only_once_confirmed(
    reader: Page, clinic: Clinic, drawn: Drawn, tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    pixels = np.asarray(Image.open(drawn.path))
    tifffile.imwrite(path, pixels, resolution=(20_000, 20_000), resolutionunit="CENTIMETER")
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('file scale')['id']}")
    reader.get_by_label("Unknown").check()
    reader.locator("#file-input").set_input_files(path)
    listed = reader.locator("#picture-list")
    expect(listed).to_contain_text("the file says 0.5 µm per pixel, which nobody has confirmed")
    expect(listed).to_contain_text("5 to mark")
    listed.get_by_role("link").first.click()
    reader.get_by_role("button", name="Show proposals").click()
    expect(reader.locator("#reading-scale")).to_contain_text("Scale unknown")
    reader.get_by_role("button", name="Correct the scale…").click()
    reader.get_by_role("button", name="Confirm what the file says: 0.5 µm per pixel").click()
    expect(reader.locator("#reading-scale")).to_contain_text("0.5 ± 0.01 µm per pixel")
    image = int(reader.url.rsplit("/", 1)[-1])
    source = clinic.client.get(f"/api/images/{image}").json()["calibration"]["source"]
    assert source == "file metadata (resolution of the TIFF), confirmed by Try reader"


def test_reading_page_says_how_old_the_calibration_is(reader: Page, clinic: Clinic, drawn: Drawn) -> None:
    stated = {
        "microscope": "M-age",
        "objective": "10x",
        "um_per_px": 0.5,
        "um_per_px_sd": 0.01,
        "source": "ruling",
    }
    calibration = clinic.post("/api/calibrations", stated)
    preparation = clinic.file_specimen("calibration age")["preparations"][0]["id"]
    image = (
        clinic.client.post(
            f"/api/preparations/{preparation}/images",
            params={"file_name": "age.png", "calibration_id": calibration["id"]},
            content=drawn.path.read_bytes(),
        )
        .raise_for_status()
        .json()["id"]
    )
    reader.goto(f"{clinic.address}/reading/{image}")
    line = reader.locator("#used-calibration-age")
    expect(line).to_have_text("Sizes rest on a calibration made today.")

    def as_if_old(route: Route) -> None:
        listed = route.fetch().json()
        route.fulfill(json=[one | {"is_old": True} for one in listed])

    reader.route("**/api/calibrations", as_if_old)
    reader.reload()
    expect(line).to_have_text(
        "Sizes rest on a calibration made today; photograph a stage micrometer again soon."
    )
