"""What is wrong with a page for eyes and hands: contrast, names, what is cut off, where the focus is."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

from playwright.sync_api import Page

# The engine axe-core (Deque Systems, MPL 2.0) checks against WCAG 2.2 and more.
AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
RUN_AXE = """async (rules) => (await axe.run(document, rules.length ? { runOnly: rules } : {})).violations
  .filter(({ impact }) => impact === 'serious' || impact === 'critical')
  .map(({ id, help, nodes }) => `${id}: ${help} ${nodes.map((node) => node.html).slice(0, 3).join(' ')}`)"""
# Two phones; a desktop of 1280 px at 200 % (WCAG 2.2, 1.4.4 and 1.4.10), and one of 1440 px.
WIDTHS_PX = (360, 390, 640, 1440)
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
HAS_FOCUS_IN_SIGHT = """() => {
  const shows = (element) => element && getComputedStyle(element).outlineStyle !== 'none';
  const focused = document.activeElement;
  return focused === document.body || shows(focused) || shows(focused.closest('label'));
}"""
# Boxes with text that their own edge cuts, or that must be scrolled sideways. The viewer moves by itself, and
# a plot may be wider than a phone (WCAG 2.2, 1.4.10, excepts what needs two dimensions).
LIST_CUT = """() => [...document.querySelectorAll('body *')].filter((element) => {
  if (!element.checkVisibility({ visibilityProperty: true }) || element.clientWidth < 2) return false;
  const own = '.visually-hidden, #viewer, figure, svg, input, select, textarea, [inert]';
  if (element.closest(own)) return false;
  return getComputedStyle(element).overflowX !== 'visible' && element.scrollWidth > element.clientWidth + 1;
}).map((element) => `cut: ${element.outerHTML.slice(0, 200)}`)"""
WIDEST = "document.documentElement.scrollWidth"


def list_faults(page: Page, *, is_paper: bool = False) -> list[str]:
    """Every fault of the page that is open, at several widths, in the light and the dark theme.

    A paper is a page without controls, in a language of its own.
    """
    page.evaluate(AXE)
    found: list[str] = page.evaluate(RUN_AXE, [])
    for width in WIDTHS_PX:
        page.set_viewport_size({"width": width, "height": 800})
        widest = page.evaluate(WIDEST)
        found += [f"{width} px: scrolls to {widest} px"] if widest > width else []
        found += [f"{width} px: {one}" for one in page.evaluate(LIST_CUT)]
    if not is_paper:
        found += page.evaluate(LIST_FLAWS) + list(_lose_focus(page))
    page.emulate_media(color_scheme="dark")
    found += [f"dark: {one}" for one in page.evaluate(RUN_AXE, ["color-contrast"])]
    page.emulate_media(color_scheme="light")
    return found


def _lose_focus(page: Page) -> Iterator[str]:
    """What the keyboard comes to without showing it."""
    for _ in range(TABS_TRIED):
        page.keyboard.press("Tab")
        if not page.evaluate(HAS_FOCUS_IN_SIGHT):
            yield f"focus unseen: {page.evaluate('document.activeElement.outerHTML')}"
