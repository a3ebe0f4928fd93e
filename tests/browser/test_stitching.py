"""Overlapping pictures of a preparation become one on its page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Page, expect

from .conftest import Clinic

FIELD_WH = (320, 240)
STEP_XY = (250, 185)
BLOBS_XY = ((285, 60), (535, 90))
LONG_MS = 120_000


@pytest.fixture
def fields(tmp_path: Path, request: pytest.FixtureRequest) -> list[Path]:
    """Three rows of three pictures of one slide, the last of the second row not taken; three of others."""
    seed = sum(map(ord, request.node.name))
    slide = draw_slide(seed)
    paths = []
    for row in range(3):
        for column in range(3):
            if (row, column) == (1, 2):
                continue
            left, top = column * STEP_XY[0], row * STEP_XY[1]
            paths.append(tmp_path / f"field-{row}-{column}.png")
            slide.crop((left, top, left + FIELD_WH[0], top + FIELD_WH[1])).save(paths[-1])
    paths.append(tmp_path / "stranger.png")
    draw_slide(seed + 1).crop((0, 0, *FIELD_WH)).save(paths[-1])
    other = draw_slide(seed + 2, blobs_xy=())
    for number, left in enumerate((0, STEP_XY[0])):
        paths.append(tmp_path / f"other-{number}.png")
        other.crop((left, 0, left + FIELD_WH[0], FIELD_WH[1])).save(paths[-1])
    return paths


def draw_slide(seed: int, blobs_xy: tuple[tuple[int, int], ...] = BLOBS_XY) -> Image.Image:
    """Bright grain by which pictures are placed, and dark blobs in the overlaps of the first row."""
    coarse = Image.fromarray(np.random.default_rng(seed).integers(180, 230, (155, 205, 3), dtype=np.uint8))
    slide = coarse.resize((820, 620), Image.Resampling.BICUBIC)
    for x, y in blobs_xy:
        ImageDraw.Draw(slide).ellipse((x - 20, y - 14, x + 20, y + 14), fill=(60, 45, 25))
    return slide


def add_pictures(clinic: Clinic, specimen: dict[str, Any], pictures: list[Path]) -> None:
    """Upload all, then wait for the last: what waits for its candidates is stitched all the same."""
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    for picture in pictures[:-1]:
        query = {"file_name": picture.name, "um_per_px": 0.5, "um_per_px_sd": 0.005}
        clinic.client.post(path, params=query, content=picture.read_bytes()).raise_for_status()
    clinic.add_picture(specimen, pictures[-1])


def test_pictures_are_stitched_and_the_gap_is_named(
    reader: Page, clinic: Clinic, fields: list[Path], request: pytest.FixtureRequest
) -> None:
    specimen = clinic.file_specimen(request.node.name)
    add_pictures(clinic, specimen, fields)
    reader.goto(f"{clinic.address}/specimens/{specimen['id']}")
    panel = reader.locator("#stitching")
    expect(panel.get_by_role("checkbox", name="field-0-0.png")).to_be_checked()
    panel.get_by_role("button", name="Stitch these pictures").click()
    link = panel.get_by_role("link", name="Read the mosaic")
    expect(link).to_be_visible(timeout=LONG_MS)
    expect(panel).to_contain_text("8 pictures placed")
    expect(panel).to_contain_text(
        "1 picture left out:stranger.png: It shows nothing that another field shows"
    )
    expect(panel).to_contain_text("One more part hangs together, but nothing ties it surely to the rest.")
    panel.get_by_text("Part 2: 2 pictures").click()
    expect(panel.get_by_role("img", name="Map of the part.")).to_be_visible()
    panel.get_by_role("button", name="Choose these pictures").click()
    chosen = panel.locator("#stitch-choices input:checked")
    expect(chosen).to_have_count(2)
    expect(panel.get_by_role("checkbox", name="other-1.png")).to_be_checked()
    expect(panel).to_contain_text("pass 2, right third")
    expect(panel.get_by_role("img", name="Map of the scan")).to_be_visible()
    # 820 x 610 px of 0.5 µm less the gap, on 22 x 22 mm.
    expect(panel).to_contain_text("of the coverslip")
    expect(reader.locator("#picture-list")).to_contain_text(".ome.tif")
    # The mosaic is no field of the next scan.
    expect(panel.locator("#stitch-choices input")).to_have_count(len(fields))
    link.click()
    reader.get_by_role("button", name="Show proposals").click()
    expect(reader.locator("#viewer img.leaflet-tile-loaded").first).to_be_visible(timeout=LONG_MS)
    # The mosaic's own page has the map of its scan as soon as its candidates are there.
    expect(reader.locator("#seen-area")).to_contain_text("pass 2, right third", timeout=LONG_MS)
    # The guided read tells what the mosaic itself shows nothing of.
    expect(reader.locator("#guide-words")).to_contain_text("The picture shows nothing at: ")
    expect(reader.locator("#guide-map .map-gap")).to_have_count(1)


def test_pictures_that_do_not_overlap_give_one_sentence(
    reader: Page, clinic: Clinic, fields: list[Path], request: pytest.FixtureRequest
) -> None:
    specimen = clinic.file_specimen(request.node.name)
    add_pictures(clinic, specimen, [fields[0], fields[-3]])
    reader.goto(f"{clinic.address}/specimens/{specimen['id']}")
    panel = reader.locator("#stitching")
    panel.get_by_role("button", name="Stitch these pictures").click()
    expect(panel).to_contain_text("No two of the 2 pictures were found to overlap", timeout=LONG_MS)


def test_object_of_two_pictures_counts_once_until_it_is_parted(
    reader: Page, clinic: Clinic, fields: list[Path], request: pytest.FixtureRequest
) -> None:
    specimen = clinic.file_specimen(request.node.name)
    add_pictures(clinic, specimen, fields[:3])
    reader.goto(f"{clinic.address}/specimens/{specimen['id']}")
    panel = reader.locator("#stitching")
    panel.get_by_role("button", name="Only count what they share once").click()
    told = panel.locator("#shown-twice")
    expect(told).to_contain_text("2 objects are seen in several pictures and count once:", timeout=LONG_MS)
    expect(panel.get_by_role("link", name="Read the mosaic")).to_have_count(0)
    expect(told.get_by_role("listitem").first).to_contain_text("field-0-0.png and field-0-1.png")
    told.get_by_role("button", name="These are two objects").first.click()
    expect(told).to_contain_text("1 object is seen in several pictures and counts once:")
