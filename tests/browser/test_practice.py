"""A learner boxes what is seen on a practice slide, and is told what each object is, and why."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from triage.labelled_set import LabelledImage, LabelledObject, write_labelled_set
from triage.zipped_set import zip_set

from .conftest import UM_PER_PX, Clinic, draw_picture, find_picture, sign_in
from .faults import list_faults


@pytest.fixture
def zipped(tmp_path: Path) -> Path:
    """One slide: an ascarid egg where the first blob lies, an oocyst at the second."""
    drawn = draw_picture(tmp_path / "slide.png", "practice")
    objects = tuple(
        LabelledObject((x1, y1, x2 - x1, y2 - y1), "confirm", group, length_um=80.0, width_um=60.0)
        for (x1, y1, x2, y2), group in zip(drawn.strong, ("ascarid_egg", "oocyst"), strict=False)
    )
    image = LabelledImage(drawn.path, "slide", objects, um_per_px=UM_PER_PX)
    written = write_labelled_set(tmp_path / "set", [image], key=b"k" * 32)
    return zip_set(written.folder, tmp_path / "set.zip")


def test_learner_reads_a_slide_blind_and_gets_the_answers(page: Page, clinic: Clinic, zipped: Path) -> None:
    page.goto(f"{clinic.address}/sign-in?next=/practice")
    sign_in(page, clinic, "vet")
    page.get_by_label("A labelled set as a zip file").set_input_files(zipped)
    page.locator("#file-name").fill("Drawn for the test")
    page.get_by_role("button", name="Send it").click()
    page.get_by_role("link", name="Slide 1").click()
    page.get_by_role("button", name="Box what you see").click()
    place = find_picture(page)
    scale = place["width"] / 1200
    left, top = place["left"] + 100 * scale, place["top"] + 100 * scale
    page.mouse.move(left, top)
    page.mouse.down()
    page.mouse.move(left + 160 * scale, top + 120 * scale, steps=4)
    page.mouse.up()
    page.get_by_label("It resembles").select_option(label="Ascarid egg")
    page.get_by_role("button", name="Keep the box").click()
    expect(page.locator("#finds")).to_contain_text("Ascarid egg")
    page.get_by_role("button", name="I have seen it all").click()
    expect(page.locator("#answers-count")).to_contain_text("1 of 2 objects found and called by their group.")
    right, missed = page.locator("#answers > li").all()
    expect(right).to_contain_text("Right")
    expect(right).to_contain_text("It is 80 µm long and 60 µm wide.")
    expect(missed).to_contain_text("Coccidian oocyst")
    expect(missed).to_contain_text("Missed")
    assert list_faults(page) == []
    page.get_by_role("link", name="All slides").click()
    expect(page.locator("#collections")).to_contain_text("1 of 2 objects right")
    expect(page.locator(".curve")).to_have_count(2)
