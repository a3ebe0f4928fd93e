"""Colors of the pages against the contrast that WCAG 2.2 asks for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOKENS = (Path(__file__).parents[2] / "service" / "web" / "static" / "css" / "tokens.css").read_text()
# Success criterion 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for controls and lines that carry meaning.
TEXT, CONTROL = 4.5, 3.0
PAIRS = [
    *[
        (ink, ground, TEXT)
        for ink in ("ink", "ink-soft", "glass", "iodine", "pencil", "alarm")
        for ground in ("ground", "sheet")
    ],
    ("on-glass", "glass", TEXT),
    ("ink", "glass-tint", TEXT),
    ("glass", "glass-tint", TEXT),
    ("alarm", "alarm-tint", TEXT),
    ("pencil", "pencil-tint", TEXT),
    ("ink-soft", "sheet-sunk", TEXT),
    ("line-strong", "sheet", CONTROL),
    ("focus", "ground", CONTROL),
    ("focus", "sheet", CONTROL),
]


def read_theme(selector: str) -> dict[str, tuple[int, int, int]]:
    """Colors of one block of tokens, 0 to 255."""
    block = TOKENS.split(selector, 1)[1].split("}", 1)[0]
    colors = re.findall(r"--([a-z-]+): #([0-9a-f]{6});", block)
    return {name: (int(value[:2], 16), int(value[2:4], 16), int(value[4:], 16)) for name, value in colors}


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    shares = [value / 255 for value in rgb]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """Contrast ratio as WCAG 2.2 defines it, 1 to 21."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    """The definition's own extreme (WCAG 2.2, contrast ratio)."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)


@pytest.mark.parametrize(
    "selector", [":root {", ':root:not([data-theme="light"]) {', ':root[data-theme="dark"] {']
)
@pytest.mark.parametrize(("front", "back", "least"), PAIRS)
def test_colors_are_told_apart(selector: str, front: str, back: str, least: float) -> None:
    theme = read_theme(selector)
    assert contrast(theme[front], theme[back]) >= least


def test_both_dark_themes_are_the_same() -> None:
    assert read_theme(':root:not([data-theme="light"]) {') == read_theme(':root[data-theme="dark"] {')
