"""From sign-in to the labelled set, as a reader does it."""

from __future__ import annotations

import contextlib
import io
import re
import zipfile
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from pycocotools.coco import COCO

from .conftest import SIZE_WH, Clinic, Drawn, find_picture, sign_in

LONG_MS = 60_000
DRAW_TOLERANCE_PX = 8.0


def test_reader_takes_a_picture_from_upload_to_the_labelled_set(
    page: Page, clinic: Clinic, drawn: Drawn, tmp_path: Path
) -> None:
    page.goto(clinic.address)
    sign_in(page, clinic, "reader")
    file_specimen(page)
    upload_picture(page, drawn.path)
    open_proposals(page)
    mark_by_keyboard(page)
    add_missed_object(page, drawn)
    sign_off_is_refused_and_leads_to_what_is_open(page)
    correct_first_mark(page)
    sign_off(page)
    coco = read_labelled_set(page, tmp_path)
    check_labels(coco, drawn)


def file_specimen(page: Page) -> None:
    page.get_by_role("link", name="File a specimen").last.click()
    page.get_by_label("Specimen code").fill("PF-0431")
    page.get_by_label("Animal").fill("Juniper")
    page.get_by_label("Standing time, minutes").fill("5")
    page.get_by_label("Passive (bench-top)").check()
    advice = page.locator("[data-advice=standing_min]")
    expect(advice).to_contain_text("Eight minutes at least. This one stood 5. common practice, no source")
    page.get_by_label("Standing time, minutes").fill("10")
    expect(advice).to_be_empty()
    page.get_by_role("button", name="File the specimen").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Specimen PF-0431")


def upload_picture(page: Page, picture: Path) -> None:
    page.get_by_label("µm per pixel by hand").check()
    page.get_by_label("µm per pixel", exact=True).fill("0.5")
    page.locator("#file-input").set_input_files(picture)
    expect(page.get_by_text(re.compile("Looking for candidates|Waiting its turn|5 to mark"))).to_be_visible()
    expect(page.get_by_text("5 to mark")).to_be_visible(timeout=LONG_MS)


def open_proposals(page: Page) -> None:
    page.get_by_role("link", name="Read field-01.png").click()
    page.get_by_role("button", name="Show proposals").click()
    expect(page.locator("#rail-list .rail-item")).to_have_count(5)
    expect(page.locator("#rail-count")).to_have_text("5 candidates, 5 to mark")
    expect(page.locator(".scale-bar")).to_contain_text("µm")


def mark_by_keyboard(page: Page) -> None:
    expect_current(page, "Candidate 1")
    page.keyboard.press("j")
    expect_current(page, "Candidate 2")
    page.keyboard.press("k")
    expect_current(page, "Candidate 1")
    page.keyboard.press("c")
    expect_marked(page, 1, "confirmed")
    page.keyboard.press("j")
    page.keyboard.press("r")
    page.keyboard.press("1")
    expect_marked(page, 2, "rejected")
    expect(page.locator("#mark-history")).to_contain_text("Rejected: Pollen")
    page.keyboard.press("n")
    page.keyboard.press("u")
    expect_marked(page, 3, "unsure")
    page.keyboard.press("n")
    page.keyboard.press("g")
    expect(page.get_by_label("Group to confirm it as")).to_be_focused()
    page.get_by_label("Group to confirm it as").select_option("oocyst")
    page.get_by_role("button", name="Confirm as this").click()
    expect(page.locator("#mark-history")).to_contain_text("Confirmed: Coccidian oocyst")


def add_missed_object(page: Page, drawn: Drawn) -> None:
    page.keyboard.press("f")
    page.keyboard.press("a")
    drag_box(page, drawn.faint)
    page.get_by_label("Group it resembles").select_option("taeniid_egg")
    page.get_by_role("button", name="Add the object").click()
    expect(page.locator("#rail-list .rail-item")).to_have_count(6)
    expect_current(page, "Added object 1")


def drag_box(page: Page, box: tuple[int, int, int, int]) -> None:
    """Drag over a box of the picture, which the viewer shows whole."""
    picture = find_picture(page)
    scale = picture["width"] / SIZE_WH[0]
    start = (picture["left"] + box[0] * scale, picture["top"] + box[1] * scale)
    end = (picture["left"] + box[2] * scale, picture["top"] + box[3] * scale)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    page.mouse.move(*end)
    page.mouse.up()


def sign_off_is_refused_and_leads_to_what_is_open(page: Page) -> None:
    page.get_by_role("button", name="Sign off…").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("button", name="Sign off", exact=True).click()
    expect(dialog.get_by_role("alert")).to_contain_text("can't be signed off yet")
    dialog.get_by_role("link", name="Mark candidate 5 of field-01.png").click()
    expect_current(page, "Candidate 5")
    page.keyboard.press("c")
    expect_marked(page, 5, "confirmed")


def correct_first_mark(page: Page) -> None:
    page.get_by_role("button", name=re.compile("^Candidate 1,")).click()
    page.keyboard.press("u")
    history = page.locator("#mark-history > li")
    expect(history).to_have_count(2)
    expect(history.first).to_contain_text("Confirmed: Ascarid egg")
    expect(history.first).to_contain_text("replaced by a later mark")
    expect(history.last).to_contain_text("Unsure")
    page.keyboard.press("c")
    expect(history).to_have_count(3)


def sign_off(page: Page) -> None:
    page.get_by_role("button", name="Sign off…").click()
    page.get_by_role("dialog").get_by_role("button", name="Sign off", exact=True).click()
    expect(page.locator("#frozen-notice")).to_contain_text("Signed off by")
    expect(page.locator(".answers")).to_have_count(0)
    expect(page.get_by_role("button", name="Add an object")).to_be_hidden()
    page.reload()
    expect(page.locator("#frozen-notice")).to_contain_text("The marks are frozen")
    expect(page.locator("#rail-list .rail-item")).to_have_count(6)
    expect(page.locator(".answers")).to_have_count(0)


def read_labelled_set(page: Page, folder: Path) -> COCO:
    page.get_by_role("link", name="Labelled sets").click()
    page.get_by_label("Only these").check()
    page.get_by_label("PF-0431").check()
    with page.expect_response(lambda one: one.request.method == "POST") as made:
        page.get_by_role("button", name="Make the labelled set").click()
    with page.expect_download(timeout=LONG_MS) as download:
        page.get_by_role("link", name=f"Download set {made.value.json()['id']}", exact=True).click()
    with zipfile.ZipFile(download.value.path()) as archive:
        archive.extractall(folder / "set")
    annotations = next((folder / "set").rglob("annotations.json"))
    with contextlib.redirect_stdout(io.StringIO()):
        return COCO(str(annotations))


def check_labels(coco: COCO, drawn: Drawn) -> None:
    names = {category["id"]: category["name"] for category in coco.loadCats(coco.getCatIds())}
    labels = [(names[row["category_id"]], row["bbox"]) for row in coco.loadAnns(coco.getAnnIds())]
    assert sorted(name for name, _ in labels) == [*["ascarid_egg"] * 2, "oocyst", "pollen", "taeniid_egg"]
    (image,) = coco.loadImgs(coco.getImgIds())
    assert len(image["ignore_regions"]) == 1
    left, top, right, bottom = drawn.faint
    expected = [left, top, right - left, bottom - top]
    assert dict(labels)["taeniid_egg"] == pytest.approx(expected, abs=DRAW_TOLERANCE_PX)


def expect_current(page: Page, name: str) -> None:
    expect(page.locator("#candidate-heading")).to_have_text(name)
    expect(page.locator(".rail-item[aria-current=true]")).to_have_accessible_name(re.compile(f"^{name},"))


def expect_marked(page: Page, rank: int, words: str) -> None:
    """Wait until the mark is stored, not only shown."""
    item = page.locator("#rail-list .rail-item").nth(rank - 1)
    expect(item).to_have_accessible_name(re.compile(f"{words}$"))
