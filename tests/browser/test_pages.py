"""What leads from page to page: signing in and out, the menu, the theme, the worklist."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, expect

from .conftest import Clinic, sign_in
from .faults import list_faults


def test_signed_out_reader_comes_back_to_the_page_after_sign_in(page: Page, clinic: Clinic) -> None:
    page.goto(f"{clinic.address}/calibrations")
    sign_in(page, clinic, "reader")
    page.wait_for_url(f"{clinic.address}/calibrations")


def test_sign_in_never_leads_to_another_site(page: Page, clinic: Clinic) -> None:
    page.goto(f"{clinic.address}/sign-in?next=https://example.org/elsewhere")
    sign_in(page, clinic, "reader")
    page.wait_for_url(f"{clinic.address}/")


def test_wrong_password_is_told_beside_the_form(page: Page, clinic: Clinic) -> None:
    page.goto(f"{clinic.address}/sign-in")
    page.get_by_label("User name").fill("reader")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).not_to_be_empty()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_unknown_specimen_is_told_in_a_sentence(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/987654")
    expect(reader.get_by_role("alert").first).to_contain_text("987654")


def test_wrong_address_leads_back_to_the_worklist(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimen/7")
    expect(reader.get_by_role("heading", level=1)).to_have_text("There is no such page")
    expect(reader.locator("main")).to_contain_text("/specimen/7")
    theme = reader.get_by_label("Color theme").bounding_box() or {}
    assert theme["x"] + theme["width"] > 0.9 * (reader.viewport_size or {})["width"]
    assert not list_faults(reader)
    reader.locator("main").get_by_role("link", name="Worklist").click()
    expect(reader.get_by_role("heading", level=1)).to_have_text("Worklist")


def test_assistant_is_offered_no_sign_off_and_told_of_practice_no_more_than_is_so(
    page: Page, clinic: Clinic
) -> None:
    specimen = clinic.file_specimen("at the desk")
    page.goto(f"{clinic.address}/sign-in?next=/specimens/{specimen['id']}")
    sign_in(page, clinic, "assistant")
    expect(page.locator("#sign-off")).to_have_text("A reader marks every candidate and signs off.")
    page.goto(f"{clinic.address}/practice")
    expect(page.locator("#practice-problem")).to_contain_text("needs the role 'reader'")
    expect(page.locator("#collections")).to_be_empty()


def test_specimen_says_that_candidates_are_not_counted_yet(reading: int, page: Page, clinic: Clinic) -> None:
    specimen_id = clinic.client.get(f"/api/images/{reading}").json()["specimen_id"]
    expect(page.locator("#detector-words")).to_contain_text("Proposed by the detector")
    page.goto(f"{clinic.address}/specimens/{specimen_id}")
    expect(page.locator("#numbers")).to_contain_text("5 candidates are not marked yet and not counted.")
    expect(page.locator("#picture-list")).to_contain_text("1,200 × 900 px")


def test_signed_out_reader_is_asked_to_sign_in_again(page: Page, clinic: Clinic) -> None:
    page.goto(f"{clinic.address}/account")
    sign_in(page, clinic, "reader")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{clinic.address}/sign-in")
    page.goto(f"{clinic.address}/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_chosen_theme_stays_on_the_next_page(reader: Page, clinic: Clinic) -> None:
    ground = "getComputedStyle(document.body).backgroundColor"
    light = reader.evaluate(ground)
    reader.get_by_label("Color theme").select_option("dark")
    dark = reader.evaluate(ground)
    reader.goto(f"{clinic.address}/account")
    assert reader.evaluate(ground) == dark != light


def test_navigation_keeps_to_one_line_at_a_usual_width(reader: Page) -> None:
    count = reader.locator("#waiting-count")
    count.evaluate("one => { one.textContent = '120'; one.hidden = false; }")
    for width in (1265, 1280, 1920):
        reader.set_viewport_size({"width": width, "height": 720})
        links = reader.get_by_role("navigation", name="Pages").get_by_role("link").all()
        boxes = [link.bounding_box() or {} for link in links]
        assert len({round(box["y"]) for box in boxes}) == 1
        theme = reader.get_by_label("Color theme").bounding_box() or {}
        assert max(box["x"] + box["width"] for box in boxes) <= theme["x"]


def test_menu_opens_on_a_phone(reader: Page) -> None:
    reader.set_viewport_size({"width": 360, "height": 740})
    expect(reader.get_by_role("link", name="Calibrations", exact=True)).to_be_hidden()
    reader.get_by_role("button", name="Menu").click()
    expect(reader.get_by_role("link", name="Calibrations", exact=True)).to_be_visible()


def test_worklist_shows_what_waits(reading: int, page: Page, clinic: Clinic) -> None:
    specimen: dict[str, Any] = clinic.client.get("/api/specimens").json()[0]
    page.goto(clinic.address)
    row = page.get_by_role("row").filter(has=page.get_by_role("link", name=specimen["code"]))
    expect(row).to_contain_text("5 to mark")
