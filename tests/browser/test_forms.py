"""Uploads, calibrations, tokens, second looks."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
from playwright.sync_api import Page, expect

from .conftest import Clinic, Drawn

ONE_DROP = """(zone) => {
  const files = new DataTransfer();
  files.items.add(new File(['not a picture'], 'dropped.jpg', { type: 'image/jpeg' }));
  zone.dispatchEvent(new DragEvent('drop', { dataTransfer: files, bubbles: true, cancelable: true }));
}"""


def test_file_that_is_no_picture_is_refused_by_name_and_others_go_on(
    reader: Page, clinic: Clinic, drawn: Drawn, tmp_path: Path
) -> None:
    text = tmp_path / "notes.jpg"
    text.write_text("not a picture")
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('uploads')['id']}")
    reader.get_by_label("Unknown").check()
    reader.locator("#file-input").set_input_files([text, drawn.path])
    refused = reader.locator("#upload-list > li").filter(has_text="notes.jpg")
    expect(refused.get_by_role("alert")).to_contain_text("picture")
    expect(reader.get_by_role("button", name="Send notes.jpg again")).to_be_visible()
    expect(reader.locator("#picture-list")).to_contain_text("field-01.png")
    expect(reader.locator("#picture-list")).to_contain_text("Scale unknown")


def test_dropped_file_is_uploaded(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('drop')['id']}")
    reader.get_by_label("Unknown").check()
    reader.locator("#drop-zone").evaluate(ONE_DROP)
    expect(reader.locator("#upload-list [role=alert]")).to_contain_text("dropped.jpg")


def test_scale_by_hand_must_be_given_before_the_upload(reader: Page, clinic: Clinic, drawn: Drawn) -> None:
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('scale')['id']}")
    reader.get_by_label("µm per pixel by hand").check()
    reader.locator("#file-input").set_input_files(drawn.path)
    expect(reader.locator("#upload-problem")).to_contain_text("µm per pixel above 0")
    expect(reader.locator("#upload-list > li")).to_have_count(0)


def test_phone_camera_is_offered(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('camera')['id']}")
    camera = reader.get_by_label("Take a picture")
    expect(camera).to_have_attribute("capture", "environment")
    expect(camera).to_have_attribute("accept", "image/*")


def test_missing_specimen_code_is_told_and_focused(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_role("button", name="File the specimen").click()
    expect(reader.get_by_role("alert")).to_contain_text("Specimen code")
    expect(reader.get_by_label("Specimen code")).to_be_focused()


def test_added_calibration_is_listed_and_offered_for_uploads(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/calibrations")
    reader.get_by_label("Microscope and camera").fill("Bench scope B, phone on eyepiece")
    reader.get_by_label("Objective").fill("10x")
    reader.get_by_label("µm per pixel", exact=True).fill("0.92")
    reader.get_by_label("Its standard uncertainty, µm per pixel").fill("0.01")
    reader.get_by_role("button", name="Add the calibration").click()
    expect(reader.get_by_role("row").filter(has_text="Bench scope B")).to_contain_text(
        "0.92 ± 0.01 µm per pixel"
    )
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('calibrated')['id']}")
    expect(reader.get_by_label("Calibration", exact=True)).to_contain_text(
        "Bench scope B, phone on eyepiece, 10x"
    )


def test_token_is_shown_once_works_and_is_revoked(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/account")
    reader.get_by_label("Name of the new token").fill("bench computer")
    reader.get_by_role("button", name="Make a token").click()
    token = reader.locator("#token-secret").text_content()
    ask = {"headers": {"Authorization": f"Bearer {token}"}}
    assert httpx.get(f"{clinic.address}/api/specimens", **ask).status_code == 200
    reader.reload()
    expect(reader.locator("#token-list")).to_contain_text("bench computer")
    expect(reader.locator("#token-secret")).to_have_count(0)
    reader.get_by_role("button", name="Revoke bench computer").click()
    expect(reader.get_by_text("No token is in use.")).to_be_visible()
    assert httpx.get(f"{clinic.address}/api/specimens", **ask).status_code == 401


def test_second_look_is_asked_and_shown(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('second look')['id']}")
    reader.get_by_label("Ask").select_option("Try vet")
    reader.get_by_role("button", name="Request a second look").click()
    expect(reader.locator("#second-look-list")).to_have_text(re.compile("Asked.*Try vet, blind"))
