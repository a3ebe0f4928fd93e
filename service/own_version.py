"""Which version of the program this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def read_own_version() -> str:
    """As the installed package says; "unknown" in a checkout that was never installed."""
    try:
        return version("coverslip-triage")
    except PackageNotFoundError:
        return "unknown"
