"""Turns between reader and tool, and between readers, by keyboard alone."""

from __future__ import annotations

import re
from contextlib import closing
from typing import Any

import httpx
from playwright.sync_api import Page, Response, expect

from .conftest import Clinic, Drawn, sign_in

OVER_FIRST, ON_FAINT = [105, 95, 150, 130], [880, 380, 160, 120]


def _press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def _as_other(clinic: Clinic, user_name: str) -> httpx.Client:
    """A client in somebody else's session."""
    client = httpx.Client(base_url=clinic.address, timeout=60)
    body = {"user_name": user_name, "password": f"{user_name}-password"}
    answer = client.post("/api/session", json=body).raise_for_status().json()
    client.headers["X-CSRF-Token"] = answer["csrf_token"]
    return client


def _is_place_noted(answer: Response) -> bool:
    return "reading-place" in answer.url and answer.request.method == "POST"


def _marks(clinic: Clinic, image_id: int) -> list[dict[str, Any] | None]:
    return [one["current"] for one in clinic.candidates(image_id)["candidates"]]


def test_unaided_read_is_guided_locked_and_compared(reader: Page, clinic: Clinic, drawn: Drawn) -> None:
    image_id = clinic.add_picture(clinic.file_specimen("guided"), drawn.path)
    reader.goto(f"{clinic.address}/reading/{image_id}")
    reader.get_by_role("button", name="Start unaided").press("Enter")
    words = reader.locator("#guide-words")
    expect(words).to_contain_text("large enough to show Giardia cyst")
    expect(reader.locator("#differences")).to_be_hidden()
    reader.locator("#guide-group").select_option("oocyst")
    expect(words).to_contain_text("large enough to show Coccidian oocyst")
    with reader.expect_response(_is_place_noted):
        _press(reader, "s", "s")
    expect(reader.locator("#guide-stop")).to_contain_text("stop 2 of")
    expect(words).not_to_have_text(re.compile(r"^0 %"))
    with reader.expect_response(_is_place_noted):
        reader.reload()
    reader.reload()
    reader.get_by_role("button", name="Go on where I was").press("Enter")
    expect(reader.locator("#guide-group")).to_have_value("oocyst")
    expect(reader.locator("#guide-stop")).to_contain_text("stop 2 of")
    for box in (OVER_FIRST, ON_FAINT):
        clinic.post(f"/api/images/{image_id}/objects", {"bbox": box, "group": "oocyst"})
    reader.get_by_role("button", name="Lock my read and show proposals").press("Enter")
    lists = reader.locator("#differences-lists")
    expect(lists).to_contain_text("Found by both: 1")
    expect(lists).to_contain_text("Only by you: 1")
    expect(lists).to_contain_text("Only by the tool: 4")
    lists.get_by_role("button", name="Candidate 2").press("Enter")
    _press(reader, "c")
    expect(lists).to_contain_text("1 change since you locked your read")
    lists.locator("summary").press("Enter")
    expect(lists).to_contain_text(re.compile(r"Candidate 2: from not found to Confirmed.*toward the tool"))


def test_what_waits_is_answered_and_settled_together(
    reading: int, page: Page, clinic: Clinic, request: Any
) -> None:
    with closing(_as_other(clinic, "vet")) as vet:
        second = clinic.candidates(reading)["candidates"][1]
        answer = {"answer": "unsure"}
        vet.post(f"/api/candidates/{second['id']}/marks", json=answer).raise_for_status()
    _press(page, "d")
    page.keyboard.type("two poles, but square")
    _press(page, "Tab", "Enter")
    expect(page.locator("#candidate-panel")).to_contain_text("Waits for a veterinarian")
    _press(page, "j", "c")
    expect(page.locator("#candidate-panel")).to_contain_text("Readers differ")
    page.get_by_text("Settle it together…").press("Enter")
    page.get_by_label("Why").fill("clear in the next field")
    page.get_by_role("button", name="Offer this").press("Enter")
    expect(page.locator("#candidate-panel")).to_contain_text("Waits for Try vet")

    page.context.clear_cookies()
    page.goto(f"{clinic.address}/waiting")
    sign_in(page, clinic, "vet")
    rows = page.get_by_role("row").filter(has_text=request.node.name)
    expect(rows).to_have_count(2)
    expect(page.locator("#waiting-count")).to_be_visible()
    call = rows.filter(has_text="two poles, but square")
    expect(call).to_contain_text("You")
    expect(call).to_contain_text("Candidate 1 of field-01.png")
    expect(rows.filter(has_text="Offer to settle together")).to_contain_text("Candidate 2 of field-01.png")
    name = f"Open offer to settle together of {request.node.name}, Candidate 2 of field-01.png"
    expect(rows.get_by_role("link", name=name, exact=True)).to_be_visible()
    rows.filter(has_text="Offer to settle together").get_by_role("link", name="Open").press("Enter")
    page.get_by_role("button", name="I agree").press("Enter")
    expect(page.locator("#candidate-panel")).to_contain_text(
        "Settled together by Try reader, Try vet. Confirmed"
    )
    _press(page, "k")
    page.get_by_label("What you see in it").fill("a mite's egg, I think")
    page.get_by_role("button", name="Answer the call").press("Enter")
    expect(page.locator("#candidate-panel")).to_contain_text("a mite's egg, I think")
    page.goto(f"{clinic.address}/waiting")
    page.get_by_label("For anybody").check()
    expect(page.locator("#waiting")).not_to_contain_text(request.node.name)


def test_marks_at_pace_are_taken_back_and_a_seen_tail_is_rejected(
    reading: int, page: Page, clinic: Clinic
) -> None:
    panel = page.locator("#candidate-panel")
    expect(panel.locator(".ruled-crop").first).to_contain_text(re.compile(r"\d+ µm"))
    expect(panel.locator(".size-drawing")).to_contain_text("against published ranges")
    expect(panel).to_contain_text("What it may be taken for")
    _press(page, "p", "c")
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 2")
    _press(page, "u")
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 3")
    expect(page.locator("#rail-count")).to_have_text("5 candidates, 3 to mark")
    expect(page.locator("#outbox-notice")).to_be_hidden()
    _press(page, "x")
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 2")
    expect(page.locator("#mark-history")).to_contain_text("taken back")
    assert [one and one["answer"] for one in _marks(clinic, reading)[:2]] == ["confirm", None]

    _press(page, "t")
    sheet = page.get_by_role("dialog")
    expect(sheet.locator("#sheet-crops > li")).to_have_count(4)
    expect(sheet.locator("#sheet-count")).to_have_text("All 4 have been on your screen.")
    sheet.get_by_label("What are they instead?").select_option("pollen")
    sheet.get_by_role("button", name="Reject all 4").press("Enter")
    expect(page.locator("#sheet-notice")).to_contain_text("4 candidates rejected in one act as Pollen")
    expect(page.locator("#rail-count")).to_have_text("5 candidates, all marked")
    (act,) = clinic.client.get(f"/api/images/{reading}/contact-sheets").json()
    assert act["mark_ids"] == [one["id"] for one in _marks(clinic, reading)[1:] if one]
    page.get_by_role("button", name="Take it back").press("Enter")
    expect(page.locator("#rail-count")).to_have_text("5 candidates, 4 to mark")


def test_tail_that_was_not_on_screen_is_not_rejected(reading: int, page: Page, clinic: Clinic) -> None:
    page.set_viewport_size({"width": 390, "height": 700})
    _press(page, "t")
    sheet = page.get_by_role("dialog")
    expect(sheet.locator("#sheet-count")).to_contain_text("have not been on your screen yet")
    expect(sheet.get_by_role("button", name="Reject all 5")).to_be_disabled()
    for crop in sheet.locator("#sheet-crops > li").all():
        crop.locator("img").scroll_into_view_if_needed()
        expect(crop).to_contain_text("✓ seen")
    expect(sheet.locator("#sheet-count")).to_have_text("All 5 have been on your screen.")
    expect(sheet.get_by_role("button", name="Reject all 5")).to_be_enabled()
    assert _marks(clinic, reading) == [None] * 5
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
