"""A detector of the hospital's own: marked pictures sent, a training watched, a signature, and back."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

from triage.labelled_set import choose_split, name_specimen

from .conftest import SET_KEY, Clinic, draw_picture, sign_in
from .faults import list_faults


def find_specimen(split: str) -> str:
    """A specimen that falls into this split."""
    key = SET_KEY.encode()
    names = (f"S-{number}" for number in itertools.count())
    return next(name for name in names if choose_split(name_specimen(name, key)) == split)


def write_marked(folder: Path) -> list[Path]:
    """A COCO file and two pictures, one to learn from and one to judge on."""
    content: dict[str, Any] = {"images": [], "annotations": [], "categories": [{"id": 1, "name": "Whip"}]}
    paths = []
    for number, split in enumerate(("train", "judging"), start=1):
        picture = draw_picture(folder / f"{split}.png", f"own detector, {split}")
        left, top, right, bottom = picture.strong[0]
        box = {
            "id": number,
            "image_id": number,
            "category_id": 1,
            "bbox": [left, top, right - left, bottom - top],
        }
        content["annotations"].append(box)
        content["images"].append(
            {"id": number, "file_name": picture.path.name, "um_per_px": 0.5, "specimen": find_specimen(split)}
        )
        paths.append(picture.path)
    path = folder / "marked.json"
    path.write_text(json.dumps(content))
    return [path, *paths]


def test_a_detector_is_trained_looked_at_signed_in_and_left_again(
    page: Page, clinic: Clinic, tmp_path: Path
) -> None:
    page.goto(f"{clinic.address}/labelled-sets")
    sign_in(page, clinic, "vet")
    page.get_by_label("A zip file, or a JSON file and its pictures").set_input_files(write_marked(tmp_path))
    page.get_by_label("Their category = our group").fill("Whip = trichurid_egg")
    page.get_by_role("button", name="Import").click()
    expect(page.get_by_role("cell", name="trichurid_egg")).to_be_visible()
    expect(page.get_by_text("The locked split holds 1 specimen. A detector trained")).to_be_visible()
    page.get_by_role("button", name="Start the training").click()
    page.get_by_role("link", name="How it was judged").click(timeout=60_000)
    expect(page.get_by_text("Nothing was held out to check on.")).to_have_count(0)
    expect(page.get_by_role("img", name="Reliability")).to_be_visible()
    expect(page.get_by_role("row", name="Focus: sharp")).to_contain_text("1 of 2, 50 %")
    expect(page.get_by_text("On 4 pictures and tiles without objects 2 candidates")).to_be_visible()
    expect(page.get_by_text("Not calibrated: a score says which candidate")).to_contain_text(
        "3 true and 9 false"
    )
    expect(page.get_by_text("May take over")).to_be_visible()
    assert list_faults(page) == []
    page.get_by_label("I read the comparison; nothing that the one in use found is lost.").check()
    page.get_by_role("button", name="Sign it into use").click()
    page.wait_for_url("**/detectors")
    used = page.locator("#detector-list tbody tr").first
    expect(used).to_contain_text("In use")
    expect(page.locator("#use-list tbody tr").first).to_contain_text("Try vet")
    page.get_by_role("button", name="Go back to it and sign").click()
    expect(used).not_to_contain_text("In use")
    expect(page.locator("#detector-list tbody tr").last).to_contain_text("In use")
    expect(page.locator("#use-list tbody tr").first).to_contain_text("Back to")
