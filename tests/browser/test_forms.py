"""Uploads, calibrations, tokens, second looks."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
from playwright.sync_api import Page, Route, expect

from .conftest import Clinic, Drawn

ONE_DROP = """(zone) => {
  const files = new DataTransfer();
  files.items.add(new File(['not a picture'], 'dropped.jpg', { type: 'image/jpeg' }));
  zone.dispatchEvent(new DragEvent('drop', { dataTransfer: files, bubbles: true, cancelable: true }));
}"""
LOSE_ADVICE = """() => {
    const send = window.fetch;
    window.nLost = 0;
    window.fetch = async (path, settings) => {
        if (!path.startsWith("/api/preparation-advice")) return send(path, settings);
        window.nLost += 1;
        throw new TypeError("Failed to fetch");
    };
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
    reader.get_by_role("button", name="Take notes.jpg off this list").click()
    expect(refused).to_have_count(0)
    expect(reader.locator("#file-input")).to_be_focused()
    expect(reader.locator("#picture-list")).not_to_contain_text("notes.jpg")


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


def test_advice_stands_beside_its_field_with_its_source(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_label("Sample mass, g").fill("0.5")
    advice = reader.locator("[data-advice=sample_g] li")
    expect(advice).to_contain_text("This one weighed 0.5 g.")
    expect(advice.locator("cite")).to_have_text("CAPC microscopic fecal exam procedures")
    expect(reader.locator("[data-advice=coverslip_mm]")).to_be_empty()
    reader.get_by_label("Coverslip side, mm").fill("40")
    expect(reader.locator("[data-advice=coverslip_mm]")).to_contain_text("common practice, no source")
    reader.get_by_label("Flotation solution").select_option("Sheather's sugar solution")
    expect(reader.locator("[data-advice=specific_gravity]")).to_contain_text("At 1.25")


def test_new_facts_are_advised_on_filed_and_shown(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_label("Sample mass, g").fill("2")
    reader.get_by_label("Consistency of the feces").select_option("Liquid")
    expect(reader.locator("[data-advice=sample_g]")).to_contain_text("This one weighed 2 g.")
    reader.get_by_label("Vial, ml").fill("50")
    expect(reader.locator("[data-advice=vial_ml]")).to_contain_text("A vial of 10 to 20 ml.")
    reader.get_by_label("Mouth of the vial, inner width, mm").fill("30")
    expect(reader.locator("[data-advice=vial_mouth_mm]")).to_contain_text("narrower than the coverslip")
    reader.get_by_label("10x").check()
    expect(reader.locator("[data-advice=objectives]")).to_contain_text("This one was read at 10x.")
    reader.get_by_label("40x").check()
    expect(reader.locator("[data-advice=objectives]")).to_be_empty()
    reader.get_by_label("Specimen code").fill("PF-0503")
    reader.get_by_role("button", name="File the specimen").click()
    facts = reader.locator("#preparation-facts")
    expect(facts).to_contain_text("Liquid")
    expect(facts).to_contain_text("50 ml, 30 mm mouth")
    expect(facts).to_contain_text("10x, 40x")


def test_specific_gravity_beyond_what_the_service_takes_is_told_at_the_form(
    reader: Page, clinic: Clinic
) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_label("Specimen code").fill("PF-0504")
    reader.get_by_label("Specific gravity").fill("1.7")
    reader.get_by_role("button", name="File the specimen").click()
    expect(reader.locator("#specimen-problem")).to_contain_text("Specific gravity")
    expect(reader.get_by_label("Specific gravity")).to_be_focused()


def test_sources_that_differ_are_both_shown(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_label("Passive (bench-top)").check()
    reader.get_by_label("Standing time, minutes").fill("9")
    standing = reader.locator("[data-advice=standing_min]")
    expect(standing.locator("li.take-note")).to_contain_text("TroCCAP SOP 1")
    expect(standing.locator("li:not(.take-note)").last).to_contain_text("Zajac")


def test_last_advice_stays_and_filing_goes_on_when_no_advice_comes(reader: Page, clinic: Clinic) -> None:
    reader.goto(f"{clinic.address}/specimens/new")
    reader.get_by_label("Sample mass, g").fill("0.5")
    advice = reader.locator("[data-advice=sample_g]")
    expect(advice).to_contain_text("weighed 0.5 g")
    reader.evaluate(LOSE_ADVICE)
    reader.get_by_label("Sample mass, g").fill("0.7")
    reader.wait_for_function("() => window.nLost > 0")
    expect(advice).to_contain_text("weighed 0.5 g")
    expect(reader.locator("#specimen-problem")).to_be_empty()
    reader.get_by_label("Specimen code").fill("PF-0502")
    reader.get_by_role("button", name="File the specimen").click()
    expect(reader.get_by_role("heading", level=1)).to_have_text("Specimen PF-0502")


def test_later_advice_is_not_undone_by_an_answer_that_came_late(reader: Page, clinic: Clinic) -> None:
    late: list[Route] = []
    reader.route("**/api/preparation-advice*sample_g=0.5&*", lambda route: late.append(route))
    reader.goto(f"{clinic.address}/specimens/new")
    with reader.expect_request("**/api/preparation-advice*sample_g=0.5&*"):
        reader.get_by_label("Sample mass, g").fill("0.5")
    reader.get_by_label("Sample mass, g").fill("0.7")
    advice = reader.locator("[data-advice=sample_g]")
    expect(advice).to_contain_text("weighed 0.7 g")
    with reader.expect_event("requestfinished", lambda request: "sample_g=0.5" in request.url):
        late[0].continue_()
    # Whatever the answer does to the page, it does before the page's next turn.
    reader.evaluate("new Promise((resolve) => setTimeout(resolve))")
    expect(advice).to_contain_text("weighed 0.7 g")


def test_specimen_page_folds_away_what_its_preparation_gives_to_consider(
    reader: Page, clinic: Clinic
) -> None:
    reader.goto(f"{clinic.address}/specimens/{clinic.file_specimen('considered')['id']}")
    considered = reader.locator("#preparation-advice li")
    summary = reader.get_by_text("2 points to consider")
    expect(summary).to_be_visible()
    expect(considered.first).to_be_hidden()
    summary.click()
    expect(considered).to_contain_text(["The solution should be a little denser", "This one weighed 2 g."])
    expect(reader.locator("#preparation-advice cite").last).to_contain_text("CAPC")


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
