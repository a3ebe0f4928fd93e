"""The rule by which specimens and pictures enter a labelled set."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from typing import Any

from service.settle import is_unsettled
from service.store.reading import Spoken


@dataclass(frozen=True)
class Rule:
    """What a signed-off specimen, and each of its pictures, must be like; unset: anything goes.

    Attributes
    ----------
    specimen_ids : tuple of int, or None
        Only these.
    signed_from, signed_until : date or None
        First and last day of the sign-off, in UTC.
    microscopes : tuple of str, or None
        Names of the calibrations that pictures were measured with.
    least_readers : int
        Readers who read each picture, at least.
    settled_only : bool
        Leaves out pictures in which readers differ and nothing settles it.
    """

    specimen_ids: tuple[int, ...] | None = None
    signed_from: date | None = None
    signed_until: date | None = None
    microscopes: tuple[str, ...] | None = None
    least_readers: int = 1
    settled_only: bool = False

    def fits_sign_off(self, signed_at: datetime) -> bool:
        """Whether a specimen was signed off in time."""
        day = signed_at.astimezone(UTC).date()
        return (self.signed_from is None or day >= self.signed_from) and (
            self.signed_until is None or day <= self.signed_until
        )

    def find_objection(self, *, microscope: str | None, n_readers: int, spoken: list[Spoken]) -> str | None:
        """Why a picture doesn't fit, in one sentence; None if it does."""
        if self.microscopes is not None and microscope not in self.microscopes:
            return "It was measured with another microscope, or with none on record."
        if n_readers < self.least_readers:
            return f"It was read by {n_readers}, fewer than {self.least_readers}."
        if self.settled_only and any(is_unsettled(one) for one in spoken):
            return "Readers differ there, and nothing settles it."
        return None

    def to_json(self) -> dict[str, Any]:
        """The rule as plain values, without the specimens' numbers."""
        values = asdict(self)
        values["specimen_ids"] = None if self.specimen_ids is None else len(self.specimen_ids)
        return {
            "signed_off": True,
            **{key: value.isoformat() if isinstance(value, date) else value for key, value in values.items()},
        }
