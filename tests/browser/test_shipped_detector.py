"""The reading path with the weights that are shipped, on a drawn field whose eggs are known."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import STYLES
from triage.boxes import intersection_areas
from triage.groups import read_groups

from .conftest import Clinic, enter_with_session, open_watched, run_clinic

Boxes = NDArray[np.float64]
LONG_MS = 120_000
SEED, SHAPE_HW, UM_PER_PX = 14, (480, 640), 0.5
LARGE_PX = 60


@pytest.fixture
def shipped_clinic(chromium: str, tmp_path: Path) -> Iterator[Clinic]:
    """The service as it is shipped, workers in processes of their own."""
    with run_clinic(tmp_path, detector="shipped") as running:
        yield running


def draw_field(path: Path) -> Boxes:
    """Draw a field; the boxes of the large eggs that lie whole in it."""
    scene = draw_scene(SEED, 0, STYLES["field"], SHAPE_HW, um_per_px=UM_PER_PX)
    (picture,), (truth,) = render_scenes([scene])
    Image.fromarray(picture.permute(1, 2, 0).numpy()).save(path, "JPEG", quality=92)
    is_egg = np.array([group.kind == "candidate" for group in read_groups()])[truth.labels]
    boxes_xyxy: Boxes = np.asarray(truth.boxes_xyxy, dtype=np.float64)
    is_large = (boxes_xyxy[:, 2:] - boxes_xyxy[:, :2]).max(axis=1) >= LARGE_PX
    return boxes_xyxy[is_egg & is_large & (np.asarray(truth.visible) >= 0.99)]


def test_drawn_field_is_read_from_upload_to_sign_off(
    browser: Browser, shipped_clinic: Clinic, tmp_path: Path
) -> None:
    eggs_xyxy = draw_field(tmp_path / "drawn.jpg")
    specimen = shipped_clinic.file_specimen("drawn")
    with open_watched(browser, shipped_clinic) as page:
        enter_with_session(page, shipped_clinic)
        image_id = upload(page, shipped_clinic, specimen, tmp_path / "drawn.jpg")
        check_eggs_are_boxed(shipped_clinic.candidates(image_id)["candidates"], eggs_xyxy)
        mark_all_and_sign_off(page)


def upload(page: Page, clinic: Clinic, specimen: dict[str, Any], picture: Path) -> int:
    page.goto(f"{clinic.address}/specimens/{specimen['id']}")
    page.get_by_label("µm per pixel by hand").check()
    page.get_by_label("µm per pixel", exact=True).fill(str(UM_PER_PX))
    page.locator("#file-input").set_input_files(picture)
    expect(page.get_by_text(re.compile(r"\d to mark"))).to_be_visible(timeout=LONG_MS)
    page.get_by_role("link", name=f"Read {picture.name}").click()
    page.get_by_role("button", name="Show proposals").click()
    page.locator("#rail-list .rail-item").first.wait_for()
    return int(page.url.rsplit("/", 1)[-1])


def check_eggs_are_boxed(candidates: list[dict[str, Any]], eggs_xyxy: Boxes) -> None:
    """Each egg has a measured candidate whose box shares half of their union."""
    assert len(eggs_xyxy) >= 2
    boxes = np.array([item["bbox"] for item in candidates], dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    shared = intersection_areas(eggs_xyxy, boxes)
    areas = [np.prod(rows[:, 2:] - rows[:, :2], axis=1) for rows in (eggs_xyxy, boxes)]
    iou = shared / (areas[0][:, None] + areas[1][None] - shared)
    assert (iou.max(axis=1, initial=0.0) >= 0.5).all()
    assert all(candidates[row]["length_um"] > 0 for row in iou.argmax(axis=1))


def mark_all_and_sign_off(page: Page) -> None:
    for item in page.locator("#rail-list .rail-item").all():
        item.click()
        page.keyboard.press("c")
        expect(item).to_have_accessible_name(re.compile("confirmed$"))
    expect(page.locator("#rail-count")).to_contain_text("all marked")
    page.get_by_role("button", name="Sign off…").click()
    page.get_by_role("dialog").get_by_role("button", name="Sign off", exact=True).click()
    expect(page.locator("#frozen-notice")).to_contain_text("Signed off by")
