from __future__ import annotations

import triage


def test_public_names_are_sorted_and_importable() -> None:
    assert triage.__all__ == sorted(triage.__all__)
    assert all(hasattr(triage, name) for name in triage.__all__)


def test_public_names_are_all_that_the_package_imports() -> None:
    imported = {
        name
        for name, value in vars(triage).items()
        if isinstance(value, type) and value.__module__.startswith("triage")
    }
    assert imported == set(triage.__all__)
