"""What holds on every page: it fits, it is labelled, it works without a mouse."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from .conftest import Clinic, draw_picture, sign_in

PAGES = (
    "/",
    "/specimens/new",
    "/specimens/{specimen}",
    "/reading/{image}",
    "/calibrations",
    "/calibrations/new",
    "/calibrations/eyepiece",
    "/images/{image}/scale",
    "/bench",
    "/labelled-sets",
    "/detectors",
    "/readers",
    "/practice",
    "/account",
)
# Phone, large phone, desktop at 200 % zoom, desktop; CSS pixels.
WIDTHS_PX = (360, 390, 720, 1440)
TABS_TRIED = 12
# What assistive technology needs at least (WCAG 2.2, success criteria 1.1.1, 1.3.1, 2.4.2, 3.1.1, 4.1.2).
LIST_FLAWS = """() => {
  const all = (selector) => [...document.querySelectorAll(selector)];
  const labelOf = (field) => [...(field.labels ?? [])].map((label) => label.textContent.trim()).join('')
    || field.getAttribute('aria-label');
  const nameOf = (control) => control.getAttribute('aria-label') || control.textContent.trim();
  const ids = all('[id]').map((element) => element.id);
  return [
    ...all('input, select, textarea').filter((field) => !labelOf(field))
      .map((field) => `no label: ${field.outerHTML}`),
    ...all('button, a[href], summary').filter((control) => control.checkVisibility() && !nameOf(control))
      .map((control) => `no name: ${control.outerHTML}`),
    ...all('img').filter((image) => !image.hasAttribute('alt')).map((image) => `no alt: ${image.outerHTML}`),
    ...(all('h1').length === 1 ? [] : [`${all('h1').length} h1`]),
    ...(document.documentElement.lang === 'en-US' ? [] : ['no language']),
    ...(document.title.replace('· Coverslip', '').trim() ? [] : ['no title']),
    ...ids.filter((id, place) => ids.indexOf(id) !== place).map((id) => `id ${id} twice`),
  ];
}"""


@pytest.fixture(scope="module")
def paths(clinic: Clinic, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Each page's path for a specimen with a long code and one picture, its read begun."""
    specimen = clinic.file_specimen("PF-0440-with-a-code-as-long-as-a-bar-code-can-be-0123456789")
    folder = tmp_path_factory.mktemp("picture")
    picture = draw_picture(folder / "a-picture-whose-name-was-given-by-some-camera-20261125.png", "all pages")
    image = clinic.add_picture(specimen, picture.path)
    clinic.post(f"/api/images/{image}/reads", {"mode": "aided"})
    return {path: path.format(specimen=specimen["id"], image=image) for path in PAGES}


def open_page(page: Page, clinic: Clinic, path: str) -> None:
    """Open a page and wait until it has its content."""
    page.goto(clinic.address + path)
    page.wait_for_load_state("networkidle")
    expect(page.locator("[aria-busy=true]")).to_have_count(0)


@pytest.mark.parametrize("path", PAGES)
def test_page_has_no_sideways_scroll_at_any_width(
    reader: Page, clinic: Clinic, paths: dict[str, str], path: str
) -> None:
    open_page(reader, clinic, paths[path])
    for width in WIDTHS_PX:
        reader.set_viewport_size({"width": width, "height": 800})
        assert reader.evaluate("document.documentElement.scrollWidth") <= width, width


@pytest.mark.parametrize("path", PAGES)
def test_page_names_every_control_and_picture(
    reader: Page, clinic: Clinic, paths: dict[str, str], path: str
) -> None:
    open_page(reader, clinic, paths[path])
    assert reader.evaluate(LIST_FLAWS) == []


@pytest.mark.parametrize("path", PAGES)
def test_page_shows_where_the_keyboard_is(
    reader: Page, clinic: Clinic, paths: dict[str, str], path: str
) -> None:
    open_page(reader, clinic, paths[path])
    for _ in range(TABS_TRIED):
        reader.keyboard.press("Tab")
        assert reader.evaluate(
            """() => {
                const shows = (element) => element && getComputedStyle(element).outlineStyle !== 'none';
                const focused = document.activeElement;
                return focused === document.body || shows(focused) || shows(focused.closest('label'));
            }"""
        ), reader.evaluate("document.activeElement.outerHTML")


def test_sign_in_page_fits_and_is_labelled(page: Page, clinic: Clinic) -> None:
    page.set_viewport_size({"width": 360, "height": 740})
    page.goto(f"{clinic.address}/sign-in")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate(LIST_FLAWS) == []


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
