"""What the content security policy asks of every page: nothing inline."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import service
from service.headers import CONTENT_SECURITY_POLICY

SERVICE = Path(service.__file__).parent
TEMPLATES = sorted(SERVICE.rglob("templates/*.html"))
INLINE = re.compile(r"<style|\sstyle\s*=|\son[a-z]+\s*=|javascript:|<script(?![^>]*\ssrc=)", re.IGNORECASE)


def test_policy_lets_nothing_inline_run() -> None:
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    assert CONTENT_SECURITY_POLICY.startswith("default-src 'none'")


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_template_holds_nothing_inline(template: Path) -> None:
    assert INLINE.findall(template.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    ['<p style="a">', "<style>", '<a onclick="b()">', "<script>c()</script>", '<a href="javascript:d">'],
)
def test_what_is_inline_is_seen(text: str) -> None:
    assert INLINE.search(text)


@pytest.mark.parametrize(
    "script", sorted((SERVICE / "web" / "static").rglob("*.js")), ids=lambda path: path.name
)
def test_script_makes_no_markup_from_text(script: Path) -> None:
    found = re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(", script.read_text())
    assert found == []
