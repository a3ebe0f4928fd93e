"""The words of the papers: one file a language, English where a translation lacks one."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from triage.errors import RecordError

FOLDER = Path(__file__).parent / "texts"
DEFAULT = "en"


def list_languages() -> dict[str, str]:
    """Names of the languages that there are words in, by code."""
    return {path.stem: str(_read_file(path.stem)["language"]) for path in sorted(FOLDER.glob("*.toml"))}


@cache
def read_words(language: str = DEFAULT) -> dict[str, Any]:
    """Words by section and key.

    Raises
    ------
    RecordError
        If there are none in that language.
    """
    known = sorted(path.stem for path in FOLDER.glob("*.toml"))
    if language not in known:
        raise RecordError(f"There are no texts in {language!r}. Use one of: {', '.join(known)}.")
    return _complete(_read_file(language), _read_file(DEFAULT))


def _read_file(language: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{language}.toml").read_text(encoding="utf-8"))


def _complete(words: dict[str, Any], english: dict[str, Any]) -> dict[str, Any]:
    return {
        key: _complete(words.get(key, {}), value) if isinstance(value, dict) else words.get(key, value)
        for key, value in english.items()
    }
