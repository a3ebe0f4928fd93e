"""A hospital's own detectors: the work that makes and compares them, what came of it, and which is in use."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import ForeignKey, String, Text, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.errors import MissingError
from service.store.models import Base, HospitalOwned, utc_now

APPEND_ONLY = ("detectors", "detector_comparisons", "detector_uses")
OPEN_STATES = ("waiting", "training", "exporting", "judging", "comparing")
UNDONE_STATES = ("failed", "stopped")


class DetectorRun(HospitalOwned, Base):
    """A started training on a labelled set, or a comparison of `detector_id`; `kind` says which.

    `started_from` is the weights hash of the detector in use then: what is adapted, or compared with.
    """

    __tablename__ = "detector_runs"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(20))
    set_id: Mapped[int] = mapped_column(ForeignKey("labelled_sets.id"), index=True)
    detector_id: Mapped[int | None]
    started_from: Mapped[str] = mapped_column(String(64))
    options: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(20), default="waiting")
    problem: Mapped[str | None] = mapped_column(Text)
    attempt: Mapped[int] = mapped_column(default=1)
    step: Mapped[int | None]
    seconds_left: Mapped[float | None]
    curve: Mapped[dict[str, Any] | None]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    ended_at: Mapped[datetime | None]


class DetectorRow(HospitalOwned, Base):
    """A detector that a training made; its files are kept under `weights_sha256`.

    `record` is its `record.json`, `figures` what `training.judge` said on the locked split (None: nothing
    could be judged, and `problem` says why), `curve` the losses of the training.
    """

    __tablename__ = "detectors"
    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("detector_runs.id"), unique=True)
    set_id: Mapped[int] = mapped_column(ForeignKey("labelled_sets.id"))
    name: Mapped[str] = mapped_column(String(200))
    weights_sha256: Mapped[str] = mapped_column(String(64), index=True)
    started_from: Mapped[str] = mapped_column(String(64))
    manifest_sha256: Mapped[str | None] = mapped_column(String(64))
    record: Mapped[dict[str, Any]]
    curve: Mapped[dict[str, Any]]
    figures: Mapped[dict[str, Any] | None]
    problem: Mapped[str | None] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class DetectorComparison(HospitalOwned, Base):
    """What `training.compare` said of a detector beside another one, on the locked split of a set."""

    __tablename__ = "detector_comparisons"
    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("detector_runs.id"))
    detector_id: Mapped[int] = mapped_column(ForeignKey("detectors.id"), index=True)
    set_id: Mapped[int] = mapped_column(ForeignKey("labelled_sets.id"))
    old_sha256: Mapped[str] = mapped_column(String(64))
    may_take_over: Mapped[bool]
    result: Mapped[dict[str, Any]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class DetectorUse(HospitalOwned, Base):
    """A signature that takes a detector into use, or goes back; the newest holds.

    `detector_id` None is the detector that the service was started with.
    """

    __tablename__ = "detector_uses"
    id: Mapped[int] = mapped_column(primary_key=True)
    detector_id: Mapped[int | None] = mapped_column(ForeignKey("detectors.id"))
    weights_sha256: Mapped[str] = mapped_column(String(64))
    before_id: Mapped[int | None] = mapped_column(ForeignKey("detectors.id"))
    before_sha256: Mapped[str] = mapped_column(String(64))
    comparison_id: Mapped[int | None] = mapped_column(ForeignKey("detector_comparisons.id"))
    set_id: Mapped[int | None] = mapped_column(ForeignKey("labelled_sets.id"))
    manifest_sha256: Mapped[str | None] = mapped_column(String(64))
    goes_back: Mapped[bool]
    remark: Mapped[str | None] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


One = TypeVar("One", DetectorRun, DetectorRow, DetectorComparison, DetectorUse)


def add_row(session: Session, row: One) -> One:
    """Store a new row."""
    session.add(row)
    session.flush()
    return row


def read_run(session: Session, run_id: int, *, is_locked: bool = False) -> DetectorRun:
    """The work with that id; `is_locked` keeps other writers out until the block ends."""
    row = session.get(DetectorRun, run_id, with_for_update=is_locked or None)
    if row is None:
        raise MissingError(f"There is no training {run_id}.")
    return row


def list_runs(session: Session, set_id: int) -> list[DetectorRun]:
    """The work on a labelled set, newest first."""
    wanted = select(DetectorRun).where(DetectorRun.set_id == set_id)
    return list(session.scalars(wanted.order_by(DetectorRun.id.desc())))


def list_open_runs(session: Session) -> list[DetectorRun]:
    """Work that has not ended, oldest first."""
    wanted = select(DetectorRun).where(DetectorRun.state.in_(OPEN_STATES))
    return list(session.scalars(wanted.order_by(DetectorRun.id)))


def find_of_run(session: Session, run_id: int) -> DetectorRow | None:
    """The detector that a training made."""
    return session.scalar(select(DetectorRow).where(DetectorRow.run_id == run_id))


def read_detector(session: Session, detector_id: int) -> DetectorRow:
    """The detector with that id."""
    row = session.get(DetectorRow, detector_id)
    if row is None:
        raise MissingError(f"There is no detector {detector_id}.")
    return row


def list_detectors(session: Session) -> list[DetectorRow]:
    """All detectors, newest first."""
    return list(session.scalars(select(DetectorRow).order_by(DetectorRow.id.desc())))


def find_by_weights(session: Session, weights_sha256: str) -> DetectorRow | None:
    """The oldest detector that has these weights."""
    wanted = select(DetectorRow).where(DetectorRow.weights_sha256 == weights_sha256)
    return session.scalar(wanted.order_by(DetectorRow.id).limit(1))


def list_comparisons(session: Session, detector_id: int) -> list[DetectorComparison]:
    """Comparisons of a detector, newest first."""
    wanted = select(DetectorComparison).where(DetectorComparison.detector_id == detector_id)
    return list(session.scalars(wanted.order_by(DetectorComparison.id.desc())))


def find_comparison_of_run(session: Session, run_id: int) -> DetectorComparison | None:
    """The comparison that a piece of work made."""
    return session.scalar(select(DetectorComparison).where(DetectorComparison.run_id == run_id))


def list_uses(session: Session) -> Sequence[DetectorUse]:
    """Every signature, newest first."""
    return list(session.scalars(select(DetectorUse).order_by(DetectorUse.id.desc())))


def find_use(session: Session, hospital_id: int) -> DetectorUse | None:
    """The signature that holds in a hospital; None where the service's own detector was never replaced."""
    wanted = select(DetectorUse).where(DetectorUse.hospital_id == hospital_id)
    return session.scalar(wanted.order_by(DetectorUse.id.desc()).limit(1))
