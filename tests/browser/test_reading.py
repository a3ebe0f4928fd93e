"""The reading desk, one behaviour at a time."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Dialog, Page, Route, expect

from .conftest import Clinic, Drawn, draw_picture, find_picture, sign_in

# The page tries again by itself every few seconds, which a slow test would meet or miss by chance.
NO_TRIES_BY_ITSELF = """() => {
    const later = window.setTimeout;
    window.setTimeout = (act, wait, ...rest) => later(act, wait >= 2000 ? 2 ** 31 - 1 : wait, ...rest);
}"""

# Lost inside the page: a request held up outside it may slip through while a slow browser settles.
LOSE_MARKS = """(isStored) => {
    const send = window.fetch;
    window.findNetworkAgain = () => { window.fetch = send; };
    window.fetch = async (path, settings) => {
        if (!/^\\/api\\/candidates\\/\\d+\\/marks$/.test(path)) return send(path, settings);
        if (isStored) await send(path, settings);
        throw new TypeError("Failed to fetch");
    };
}"""
REFUSE_MARKS = """(problem) => {
    const send = window.fetch;
    window.fetch = (path, settings) => path.endsWith("/marks")
        ? Promise.resolve(new Response(JSON.stringify(problem), { status: problem.status }))
        : send(path, settings);
}"""
# Whether a line of an answer's color is drawn on the picture.
HAS_LINE = """(name) => {
    const color = getComputedStyle(document.documentElement).getPropertyValue(`--on-picture-${name}`).trim();
    const wanted = [1, 3, 5].map((start) => parseInt(color.slice(start, start + 2), 16));
    const canvas = document.querySelector("#viewer canvas");
    const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
    for (let at = 0; at < data.length; at += 4)
        if (data[at + 3] === 255 && wanted.every((value, band) => data[at + band] === value)) return true;
    return false;
}"""
FIND_NETWORK_AGAIN = "() => window.findNetworkAgain()"


@pytest.fixture(scope="module")
def looked_at(clinic: Clinic, tmp_path_factory: pytest.TempPathFactory) -> int:
    """Id of one picture for the tests that store nothing, its read begun."""
    drawn = draw_picture(tmp_path_factory.mktemp("picture") / "field-01.png", "looked at")
    image_id = clinic.add_picture(clinic.file_specimen("looked at"), drawn.path)
    clinic.post(f"/api/images/{image_id}/reads", {"mode": "aided"})
    return image_id


@pytest.fixture
def looking(reader: Page, clinic: Clinic, looked_at: int) -> Page:
    """That picture, open on the page."""
    reader.goto(f"{clinic.address}/reading/{looked_at}")
    reader.locator(".rail-item").first.wait_for()
    return reader


def test_unaided_read_withholds_proposals_until_it_is_locked(
    reader: Page, clinic: Clinic, drawn: Drawn
) -> None:
    image_id = clinic.add_picture(clinic.file_specimen("unaided"), drawn.path)
    reader.goto(f"{clinic.address}/reading/{image_id}")
    reader.get_by_role("button", name="Start unaided").click()
    expect(reader.locator("#rail-count")).to_contain_text("proposals are withheld")
    expect(reader.get_by_role("button", name="Add an object")).to_be_visible()
    # Nothing can have been missed by a tool that has not spoken.
    expect(reader.get_by_text("missed object")).to_have_count(0)
    expect(reader.locator(".rail-item")).to_have_count(0)
    reader.reload()
    expect(reader.locator("#rail-count")).to_contain_text("proposals are withheld")
    reader.get_by_role("button", name="Lock my read").click()
    expect(reader.locator("#rail-list .rail-item")).to_have_count(5)
    expect(reader.get_by_role("button", name="Lock my read")).to_be_hidden()


def test_size_of_what_the_edge_cuts_is_compared_with_nothing(
    reader: Page, clinic: Clinic, tmp_path: Path
) -> None:
    path = tmp_path / "edge.png"
    picture = Image.new("RGB", (600, 400), (225, 220, 200))
    ImageDraw.Draw(picture).ellipse((-20, 100, 120, 220), fill=(60, 45, 25))
    picture.save(path)
    image_id = clinic.add_picture(clinic.file_specimen("edge"), path)
    clinic.post(f"/api/images/{image_id}/reads", {"mode": "aided"})
    reader.goto(f"{clinic.address}/reading/{image_id}")
    panel = reader.locator("#candidate-panel")
    expect(panel).to_contain_text("The picture's edge cuts it: the whole may be larger")
    expect(panel.locator(".taxa li").first).to_contain_text("not compared")
    expect(panel.locator(".taxa")).not_to_contain_text(": fits")


def test_crop_shows_which_object_it_is_of_where_the_edge_keeps_it_from_the_middle(
    looking: Page, clinic: Clinic, tmp_path: Path
) -> None:
    expect(looking.locator(".ruled-crop img").first).to_be_visible()
    expect(looking.locator(".crop-ruler .box-line")).to_have_count(0)
    path = tmp_path / "corner.png"
    picture = Image.new("RGB", (600, 400), (225, 220, 200))
    canvas = ImageDraw.Draw(picture)
    canvas.ellipse((430, 20, 580, 140), fill=(60, 45, 25))
    picture.save(path)
    image_id = clinic.add_picture(clinic.file_specimen("corner"), path)
    clinic.post(f"/api/images/{image_id}/reads", {"mode": "aided"})
    looking.goto(f"{clinic.address}/reading/{image_id}")
    drawn = looking.locator(".crop-ruler .box-line")
    (x, y, width, height) = (
        float(drawn.get_attribute(name) or "nan") for name in ("x", "y", "width", "height")
    )
    # The crop is 320 px wide and ends where the picture ends: it shows x from 280 to 600, y from 0 to 320.
    assert [x, y, width, height] == pytest.approx([46.9, 6.2, 46.9, 37.5], abs=3.0)


def test_object_is_added_with_the_keyboard_alone(reading: int, page: Page, clinic: Clinic) -> None:
    page.keyboard.press("a")
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowDown", "Enter"):
        page.keyboard.press(key)
    expect(page.get_by_label("Group it resembles")).to_be_focused()
    page.get_by_role("button", name="Add an object").click()
    expect(page.locator("#object-problem")).to_have_text("Add this object or cancel it first.")
    expect(page.get_by_label("Group it resembles")).to_be_focused()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Tab")
    page.keyboard.type("near the edge")
    page.keyboard.press("Enter")
    expect(page.locator("#rail-list .rail-item")).to_have_count(6)
    expect(page.locator("#candidate-panel")).to_contain_text("A box drawn by hand gives no length and width")
    (added,) = clinic.candidates(reading)["objects"]
    assert added["marks"][0]["remark"] == "near the edge"
    assert added["bbox"][3] > added["bbox"][2]


def test_escape_gives_up_a_drawing(looking: Page) -> None:
    looking.keyboard.press("a")
    expect(looking.locator("#draw-hint")).to_be_visible()
    looking.keyboard.press("Escape")
    expect(looking.locator("#draw-hint")).to_be_hidden()
    looking.keyboard.press("j")
    expect(looking.locator("#candidate-heading")).to_have_text("Candidate 2")


def test_hint_of_a_drawing_lies_beside_the_scale_bar(reader: Page, clinic: Clinic, drawn: Drawn) -> None:
    specimen = clinic.file_specimen("hint")
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    sent = clinic.client.post(path, params={"file_name": "f.png"}, content=drawn.path.read_bytes()).json()
    clinic.post(f"/api/images/{sent['id']}/reads", {"mode": "unaided"})
    reader.goto(f"{clinic.address}/reading/{sent['id']}")
    expect(reader.locator(".scale-bar")).to_contain_text("px of the picture", timeout=60_000)
    reader.get_by_role("button", name="Add an object").click()
    for width in (1440, 1000, 390):
        reader.set_viewport_size({"width": width, "height": 900})
        hint, bar = (reader.locator(name).bounding_box() for name in ("#draw-hint", ".scale-bar"))
        assert hint and bar
        assert hint["x"] >= bar["x"] + bar["width"] or hint["y"] >= bar["y"] + bar["height"], width


def test_candidate_below_the_cut_is_reached_under_its_fold_and_marked(
    reading: int, page: Page, clinic: Clinic
) -> None:
    expect(page.locator("#below-cut-list .rail-item")).to_be_hidden()
    page.get_by_text("Below the cut: 1 weaker candidate").click()
    page.locator("#below-cut-list .rail-item").click()
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 6")
    page.keyboard.press("u")
    expect(page.locator("#mark-history > li")).to_have_count(1)
    assert clinic.candidates(reading)["below_cut"][0]["current"]["answer"] == "unsure"


def test_scale_bar_counts_pixels_when_the_scale_is_unknown(
    reader: Page, clinic: Clinic, drawn: Drawn
) -> None:
    specimen = clinic.file_specimen("no scale")
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    sent = clinic.client.post(path, params={"file_name": "a.png"}, content=drawn.path.read_bytes()).json()
    reader.goto(f"{clinic.address}/reading/{sent['id']}")
    reader.get_by_role("button", name="Show proposals").click()
    expect(reader.locator(".scale-bar")).to_have_text(re.compile(r"\d+ px of the picture"), timeout=60_000)
    expect(reader.locator("#candidate-panel")).to_contain_text("its size is unknown")
    expect(reader.locator("#candidate-panel")).not_to_contain_text("µm long")


def test_scale_bar_has_the_length_that_it_states(looking: Page) -> None:
    """0.5 µm per pixel: the bar's width over the picture's width is its µm over 600."""
    looking.keyboard.press("f")
    stated_um = float((looking.locator(".scale-bar").text_content() or "").split()[0])
    picture = find_picture(looking)
    bar = looking.locator(".scale-bar-line").bounding_box()
    assert bar is not None
    assert bar["width"] / picture["width"] == pytest.approx(stated_um / 600, rel=0.03)


def test_size_and_caution_are_shown_without_opening_anything(looking: Page) -> None:
    expect(looking.locator("#candidate-panel")).to_contain_text(re.compile(r"\d+\.\d ± \d+\.\d µm long"))
    expect(looking.locator("#adequacy")).to_contain_text("of the picture was assessed")
    expect(looking.locator("#adequacy .caution")).to_contain_text("never a diagnosis")


def test_single_keys_can_be_switched_off(looking: Page) -> None:
    looking.keyboard.press("?")
    expect(looking.get_by_role("dialog")).to_contain_text("Next unmarked candidate")
    looking.get_by_label("Single-letter keys are on").uncheck()
    looking.get_by_role("button", name="Close").click()
    looking.keyboard.press("u")
    looking.keyboard.press("j")
    expect(looking.locator("#candidate-heading")).to_have_text("Candidate 1")
    expect(looking.locator("#rail-count")).to_have_text("5 candidates, 5 to mark")


def test_keys_do_not_act_while_somebody_types(looking: Page) -> None:
    looking.locator("#mark-remark").fill("")
    looking.locator("#mark-remark").press_sequentially("juncr")
    expect(looking.locator("#candidate-heading")).to_have_text("Candidate 1")
    expect(looking.locator("#rail-count")).to_have_text("5 candidates, 5 to mark")


def test_remark_is_kept_with_the_mark(reading: int, page: Page) -> None:
    page.locator("#mark-remark").fill("shell folded")
    page.get_by_role("button", name=re.compile("^Confirm C?$|^Confirm$")).first.click()
    expect(page.locator("#mark-history")).to_contain_text("“shell folded”")


def test_what_is_typed_and_opened_outlives_a_mark_that_is_stored_meanwhile(reading: int, page: Page) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.evaluate(LOSE_MARKS, False)
    page.keyboard.press("c")
    expect(page.locator("#outbox-notice")).to_be_visible()
    page.keyboard.press("j")
    page.keyboard.press("r")
    page.locator("#mark-remark").fill("shell folded")
    page.get_by_label("Group to confirm it as").select_option("oocyst")
    page.evaluate(FIND_NETWORK_AGAIN)
    page.get_by_role("button", name="Try now").click()
    expect(page.locator("#rail-list .rail-item").first).to_have_accessible_name(re.compile("confirmed$"))
    expect(page.locator("#mark-remark")).to_have_value("shell folded")
    expect(page.get_by_label("Group to confirm it as")).to_have_value("oocyst")
    page.get_by_role("button", name="Mite").click()
    expect(page.locator("#mark-history")).to_contain_text("“shell folded”")
    expect(page.locator("#mark-remark")).to_have_value("")
    expect(page.locator("#reasons-to-reject")).to_be_hidden()


def test_focus_stays_on_the_answer_that_is_given_by_the_keyboard(reading: int, page: Page) -> None:
    page.locator("[data-answer=unsure]").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#mark-history > li")).to_have_count(1)
    expect(page.locator("[data-answer=unsure]")).to_be_focused()
    page.locator("[data-answer=reject]").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Pollen")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("[data-answer=reject]")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    expect(page.locator("#mark-history > li")).to_have_count(2)
    expect(page.locator("[data-answer=reject]")).to_be_focused()
    page.get_by_role("button", name="Next candidate").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 2")
    expect(page.get_by_role("button", name="Next candidate")).to_be_focused()


def test_mark_is_kept_and_sent_again_when_the_network_is_lost(reading: int, page: Page) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.evaluate(LOSE_MARKS, False)
    page.keyboard.press("c")
    expect(page.locator("#outbox-notice")).to_contain_text("1 mark could not be stored yet")
    expect(page.locator("#rail-list .rail-item").first).to_have_accessible_name(re.compile("not stored yet"))
    page.evaluate(FIND_NETWORK_AGAIN)
    page.get_by_role("button", name="Try now").click()
    expect(page.locator("#outbox-notice")).to_be_hidden()
    expect(page.locator("#mark-history > li")).to_have_count(1)


def test_mark_outlives_a_reload_without_network(reading: int, page: Page, clinic: Clinic) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.evaluate(LOSE_MARKS, False)
    page.keyboard.press("u")
    expect(page.locator("#outbox-notice")).to_be_visible()
    page.on("dialog", Dialog.accept)
    page.evaluate(FIND_NETWORK_AGAIN)
    page.reload()
    expect(page.locator("#mark-history > li")).to_have_count(1)
    assert clinic.candidates(reading)["candidates"][0]["current"]["answer"] == "unsure"


def test_mark_of_a_signed_out_reader_is_told_in_sight_and_stored_after_sign_in(
    reading: int, page: Page, clinic: Clinic
) -> None:
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.locator("#rail-heading").evaluate("heading => heading.scrollIntoView()")
    page.context.clear_cookies()
    page.keyboard.press("u")
    notice = page.locator("#outbox-notice")
    expect(notice).to_be_in_viewport(ratio=1)
    expect(notice).to_contain_text("You are signed out. 1 mark could not be stored yet.")
    expect(notice).to_contain_text("sent once you sign in again; nothing is lost.")
    expect(page.locator("#candidate-heading")).to_be_in_viewport()
    told, panel = notice.bounding_box(), page.locator(".desk-panel").bounding_box()
    assert told and panel and told["y"] + told["height"] < panel["y"]
    notice.get_by_role("button", name="Sign in again").click()
    sign_in(page, clinic, "reader")
    expect(page.locator("#mark-history > li")).to_have_count(1)
    assert clinic.candidates(reading)["candidates"][0]["current"]["answer"] == "unsure"
    assert asked == []


def test_signed_out_where_the_browser_keeps_nothing_the_page_is_to_stay_open(
    reading: int, page: Page, clinic: Clinic
) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.evaluate("() => { Storage.prototype.setItem = () => { throw new Error('full'); }; }")
    page.context.clear_cookies()
    page.keyboard.press("u")
    notice = page.locator("#outbox-notice")
    expect(notice).to_contain_text("It is kept by this page alone: leave it open, sign in in another tab")
    sign_in_elsewhere(page, clinic, "reader")
    notice.get_by_role("button", name="Try now").click()
    expect(page.locator("#mark-history > li")).to_have_count(1)
    assert clinic.candidates(reading)["candidates"][0]["current"]["answer"] == "unsure"


def test_mark_after_a_new_sign_in_in_another_tab_is_stored(reading: int, page: Page, clinic: Clinic) -> None:
    page.context.clear_cookies()
    sign_in_elsewhere(page, clinic, "reader")
    page.keyboard.press("u")
    expect(page.locator("#mark-history > li")).to_have_count(1)
    assert clinic.candidates(reading)["candidates"][0]["current"]["answer"] == "unsure"


def test_mark_waits_while_somebody_else_is_signed_in(reading: int, page: Page, clinic: Clinic) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.context.clear_cookies()
    sign_in_elsewhere(page, clinic, "vet")
    page.keyboard.press("u")
    expect(page.locator("#outbox-notice")).to_contain_text(
        "You are signed out. 1 mark could not be stored yet."
    )
    assert clinic.candidates(reading)["candidates"][0]["marks"] == []


def sign_in_elsewhere(page: Page, clinic: Clinic, user_name: str) -> None:
    """In another tab of the same browser."""
    other = page.context.new_page()
    other.goto(clinic.address)
    sign_in(other, clinic, user_name)
    expect(other.get_by_label("User name")).to_have_count(0)
    other.wait_for_load_state()
    other.close()


@pytest.mark.parametrize("reloads", [False, True])
def test_mark_whose_answer_was_lost_is_not_stored_twice(
    reading: int, page: Page, clinic: Clinic, reloads: bool
) -> None:
    page.evaluate(NO_TRIES_BY_ITSELF)
    page.evaluate(LOSE_MARKS, True)
    page.keyboard.press("c")
    expect(page.locator("#outbox-notice")).to_be_visible()
    page.evaluate(FIND_NETWORK_AGAIN)
    if reloads:
        page.on("dialog", Dialog.accept)
        page.reload()
    else:
        page.get_by_role("button", name="Try now").click()
    expect(page.locator("#mark-history > li")).to_have_count(1)
    expect(page.locator("#outbox-notice")).to_be_hidden()
    assert len(clinic.candidates(reading)["candidates"][0]["marks"]) == 1


def test_refused_mark_is_told_beside_the_answers(reading: int, page: Page, clinic: Clinic) -> None:
    page.evaluate(
        REFUSE_MARKS, {"status": 409, "detail": "This specimen is signed off.", "title": "Conflict"}
    )
    page.keyboard.press("c")
    expect(page.locator("#mark-problem")).to_have_text("This specimen is signed off.")
    expect(page.locator("#rail-count")).to_have_text("5 candidates, 5 to mark")


def test_assistant_can_look_but_not_mark(page: Page, clinic: Clinic, drawn: Drawn) -> None:
    image_id = clinic.add_picture(clinic.file_specimen("assistant"), drawn.path)
    page.goto(f"{clinic.address}/reading/{image_id}")
    sign_in(page, clinic, "assistant")
    expect(page.locator("#rail-list .rail-item")).to_have_count(5)
    expect(page.locator("#frozen-notice")).to_contain_text("you can look, but not mark")
    expect(page.locator(".answers")).to_have_count(0)
    expect(page.get_by_role("button", name="Sign off…")).to_be_hidden()
    page.keyboard.press("c")
    page.keyboard.press("j")
    expect(page.locator("#candidate-heading")).to_have_text("Candidate 2")
    assert clinic.candidates(image_id)["candidates"][0]["marks"] == []


def test_readers_who_differ_are_shown_and_settled_by_the_veterinarian(
    reading: int, page: Page, clinic: Clinic
) -> None:
    item = clinic.candidates(reading)["candidates"][0]
    clinic.post(f"/api/candidates/{item['id']}/marks", {"answer": "unsure"})
    page.context.clear_cookies()
    page.goto(f"{clinic.address}/reading/{reading}")
    sign_in(page, clinic, "vet")
    page.get_by_role("button", name="Show proposals").click()
    page.get_by_role("button", name="Reject", exact=True).click()
    page.get_by_role("button", name=re.compile("Pollen")).click()
    expect(page.locator("#candidate-panel .candidate-top")).to_contain_text("Readers differ")
    page.wait_for_function(f"() => ({HAS_LINE})('none') && !({HAS_LINE})('reject')")
    expect(page.locator("#settle-group")).to_have_value(item["group"])
    page.get_by_label("Settle as").select_option("reject")
    page.locator("#settle-remark").fill("wings of pine pollen")
    page.get_by_role("button", name="Settle", exact=True).click()
    expect(page.locator("#candidate-panel")).to_contain_text("Settled by Try vet. Rejected: Pollen. “wings")
    page.wait_for_function(HAS_LINE, arg="reject")


def test_scale_is_corrected_and_what_it_can_no_longer_show_is_told(
    reading: int, page: Page, clinic: Clinic
) -> None:
    page.keyboard.press("c")
    expect(page.locator("#rail-count")).to_have_text("5 candidates, 4 to mark")
    expect(page.locator("#limits-notice")).to_be_hidden()
    page.get_by_role("button", name="Correct the scale").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("The old set stays on record with its marks")
    dialog.get_by_label("µm per pixel by hand").check()
    dialog.get_by_role("button", name="Propose at this scale").click()
    expect(dialog.get_by_role("alert")).to_contain_text("Give the µm per pixel above 0")
    dialog.get_by_label("µm per pixel", exact=True).fill("2")
    dialog.get_by_role("button", name="Propose at this scale").click()
    expect(page.locator("#reading-scale")).to_contain_text("2 ± 0.04 µm per pixel")
    expect(page.locator("#limits-notice")).to_contain_text(
        re.compile(r"Can't be assessed in this picture:.*Giardia cyst.*40x")
    )
    expect(page.locator("#rail-count")).to_contain_text(re.compile(r"(\d+) candidates, \1 to mark"))
    assert clinic.candidates(reading)["calibration"]["um_per_px"] == 2


def test_size_check_names_no_species_that_size_cannot_part(reading: int, page: Page) -> None:
    sizes = page.locator("#candidate-panel .part").filter(has_text="Size check")
    expect(sizes).to_contain_text("Toxocara canis or Toxocara cati")
    row = sizes.locator(".taxa > li").filter(has_text="Toxocara canis or Toxocara cati")
    expect(row).to_contain_text("Egg size can't tell Toxocara canis from Toxocara cati")
    expect(row).to_contain_text("Uga et al. 2000")
    expect(row).to_contain_text("75-90 x 75-90 µm (Pugh parasite image collection")
    expect(row.locator(".member").first).not_to_contain_text(re.compile("fits|does not fit"))


def test_what_the_picture_can_show_is_told_group_by_group(reading: int, page: Page) -> None:
    adequacy = page.locator("#adequacy")
    adequacy.locator("summary").click()
    row = adequacy.get_by_role("row").filter(has_text="Giardia cyst")
    expect(row).to_contain_text("Wide enough, as far as can be judged without the objective.")
    expect(adequacy).to_contain_text(re.compile(r"Sharpness [\d.]+; blurred below 0.485"))


def test_scale_of_a_signed_off_specimen_stays(reader: Page, clinic: Clinic, tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    Image.new("RGB", (300, 200), (225, 220, 201)).save(blank)
    specimen = clinic.file_specimen("scale frozen")
    image_id = clinic.add_picture(specimen, blank)
    clinic.post(f"/api/specimens/{specimen['id']}/sign-off", {"remark": None})
    reader.goto(f"{clinic.address}/reading/{image_id}")
    expect(reader.locator("#frozen-notice")).to_contain_text("Signed off by")
    expect(reader.locator("#adequacy")).to_contain_text("was assessed")
    expect(reader.get_by_role("button", name="Correct the scale")).to_be_hidden()


def test_first_candidate_of_a_large_picture_is_shown_large_enough_to_judge(
    reader: Page, clinic: Clinic, tmp_path: Path
) -> None:
    large = Image.new("RGB", (2400, 1800), (225, 220, 202))
    ImageDraw.Draw(large).ellipse((300, 300, 360, 345), fill=(60, 45, 25))
    large.save(tmp_path / "large.png")
    image_id = clinic.add_picture(clinic.file_specimen("large"), tmp_path / "large.png")
    reader.goto(f"{clinic.address}/reading/{image_id}")
    reader.get_by_role("button", name="Show proposals").click()
    reader.locator(".rail-item").first.wait_for()
    expect(reader.locator(".rank-flag")).to_be_in_viewport()
    reader.wait_for_function("() => document.querySelector('.scale-bar').textContent === '20 µm'")


def test_worklist_says_what_is_being_worked_on_and_looks_again(
    reader: Page, clinic: Clinic, drawn: Drawn
) -> None:
    specimen = clinic.file_specimen("under way")
    clinic.add_picture(specimen, drawn.path)

    def as_if_earlier(route: Route) -> None:
        answer = route.fetch()
        listed = answer.json()
        listed[0] |= {"images_under_way": 1, "candidates": 0, "unmarked": 0}
        route.fulfill(response=answer, json=listed)

    reader.route("**/api/specimens?*", as_if_earlier, times=1)
    reader.goto(f"{clinic.address}/")
    row = reader.get_by_role("row").filter(has_text="under way")
    expect(row).to_contain_text("1 picture being worked on")
    expect(row).not_to_contain_text("All marked so far")
    expect(row).to_contain_text("5 to mark")
    expect(row).not_to_contain_text("being worked on")
