"""The names of microscopes and readers of this hospital for the keyed hashes that labelled sets hold."""

from __future__ import annotations

from typing import Any

from service.store import calibrations, people
from service.store.database import Session
from triage.labelled_set import name_microscope, name_reader


def name_in_figures(session: Session, figures: dict[str, Any], *, key: bytes) -> dict[str, Any]:
    """Figures of a judged set with names instead of hashes; a hash that is nobody's here stays."""
    microscopes = {
        name_microscope(one, key): one
        for one in sorted({state.microscope for state in calibrations.list_calibrations(session)})
    }
    readers = {name_reader(str(one), key): name for one, name in people.names_of(session).items()}
    by = {**figures["by"], "microscope": _rename(figures["by"]["microscope"], microscopes)}
    return {**figures, "by": by, "by_reader": _rename(figures["by_reader"], readers)}


def _rename(rows: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    renamed: dict[str, Any] = {}
    for hashed, row in rows.items():
        name = names.get(hashed, hashed)
        renamed[name if name not in renamed else f"{name} ({hashed[-4:]})"] = row
    return renamed
