"""What a row is. Tables named in `APPEND_ONLY` take new rows and nothing else, in every engine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    Date,
    DateTime,
    ForeignKey,
    Index,
    String,
    Text,
    UniqueConstraint,
    true,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

APPEND_ONLY = (
    "calibrations",
    "calibration_pictures",
    "scale_measurements",
    "calibration_measurements",
    "scale_refusals",
    "ocular_scales",
    "image_file_scales",
    "job_measurements",
    "specimens",
    "preparations",
    "images",
    "proposals",
    "candidates",
    "showings",
    "reads",
    "read_locks",
    "marks",
    "second_looks",
    "second_look_closings",
    "second_look_claims",
    "second_look_returns",
    "adjudications",
    "sign_offs",
    "mark_withdrawals",
    "object_partings",
    "changes_after_lock",
    "reading_rules",
    "hospital_reading_rules",
    "doctor_calls",
    "doctor_call_answers",
    "settling_offers",
    "settling_agreements",
    "contact_sheets",
    "contact_sheet_views",
    "contact_sheet_rejections",
)


def utc_now() -> datetime:
    """The time now, aware, in UTC."""
    return datetime.now(UTC)


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC in engines without time zones too."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """As naive UTC."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Aware again."""
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Parent of all tables."""

    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: UtcDateTime,
        date: Date,
        dict[str, Any]: JSON,
        list[int]: JSON,
        list[float]: JSON,
    }


@dataclass(frozen=True)
class User:
    """A person as they work in one hospital; what routes and records are asked in the name of.

    `is_program` says that it is a program with a token of this person.
    """

    id: int
    user_name: str
    display_name: str
    role: str
    hospital_id: int
    is_program: bool = False


class Hospital(Base):
    """A hospital; what belongs to one is seen in no other."""

    __tablename__ = "hospitals"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class Account(Base):
    """A person who signs in."""

    __tablename__ = "users"
    id: Mapped[int] = mapped_column(primary_key=True)
    user_name: Mapped[str] = mapped_column(String(80), unique=True)
    display_name: Mapped[str] = mapped_column(String(200))
    password_hash: Mapped[str] = mapped_column(String(300))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class HospitalOwned:
    """A record of one hospital; a session that is kept to a hospital finds and makes that hospital's only."""

    hospital_id: Mapped[int] = mapped_column(ForeignKey("hospitals.id"))


class Membership(Base):
    """The role of a person in a hospital; `ended_at` says that it was taken away."""

    __tablename__ = "memberships"
    __table_args__ = (UniqueConstraint("user_id", "hospital_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    hospital_id: Mapped[int] = mapped_column(ForeignKey("hospitals.id"), index=True)
    role: Mapped[str] = mapped_column(String(20))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    ended_at: Mapped[datetime | None]


class OneTimeLink(HospitalOwned, Base):
    """A link that lets somebody in once: an invitation, or a new password for `user_id`.

    Its secret is kept as a keyed hash; `ended_at` says when it was used or taken back.
    """

    __tablename__ = "one_time_links"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(20))
    user_id: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    display_name: Mapped[str] = mapped_column(String(200))
    role: Mapped[str | None] = mapped_column(String(20))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    created_by: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    expires_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class SignIn(Base):
    """One browser's sign-in, at work in one hospital; the cookie's token is kept as a keyed hash."""

    __tablename__ = "sign_ins"
    id: Mapped[int] = mapped_column(primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    hospital_id: Mapped[int] = mapped_column(ForeignKey("hospitals.id"))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    address: Mapped[str] = mapped_column(String(80))
    browser: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    last_used_at: Mapped[datetime] = mapped_column(default=utc_now)
    expires_at: Mapped[datetime]


class Token(Base):
    """A program's bearer token, kept as a keyed hash; it may do in one hospital what `role` may."""

    __tablename__ = "tokens"
    id: Mapped[int] = mapped_column(primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    hospital_id: Mapped[int] = mapped_column(ForeignKey("hospitals.id"))
    role: Mapped[str] = mapped_column(String(20))
    name: Mapped[str] = mapped_column(String(80))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    last_used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class CalibrationRow(HospitalOwned, Base):
    """Micrometres per pixel of one microscope at one objective and camera setting, as a person confirmed it.

    Where an axis was measured by itself, its own scale stands beside the one that is measured with.
    """

    __tablename__ = "calibrations"
    id: Mapped[int] = mapped_column(primary_key=True)
    microscope: Mapped[str] = mapped_column(String(200))
    objective: Mapped[str] = mapped_column(String(200))
    um_per_px: Mapped[float]
    um_per_px_sd: Mapped[float]
    source: Mapped[str] = mapped_column(String(400))
    image_width: Mapped[int | None]
    image_height: Mapped[int | None]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    camera_setting: Mapped[str] = mapped_column(String(200), default="", server_default="")
    um_per_px_x: Mapped[float | None]
    um_per_px_x_sd: Mapped[float | None]
    um_per_px_y: Mapped[float | None]
    um_per_px_y_sd: Mapped[float | None]


class CalibrationPicture(HospitalOwned, Base):
    """A photograph that a scale is measured on, of no specimen; its bytes are kept under `sha256`."""

    __tablename__ = "calibration_pictures"
    id: Mapped[int] = mapped_column(primary_key=True)
    file_name: Mapped[str] = mapped_column(String(255))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    width: Mapped[int]
    height: Mapped[int]
    zoom_levels: Mapped[int]
    file_um_per_px: Mapped[float | None]
    file_scale_source: Mapped[str | None] = mapped_column(String(80))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class ScaleMeasurement(HospitalOwned, Base):
    """A scale measured on one picture, proposed: nothing uses it until a person confirms it.

    `picture_id` says that it may go on record as a calibration, `image_id` that it belongs to that image
    alone; `details` holds what was given and found, `shown` names the picture of what was found.
    """

    __tablename__ = "scale_measurements"
    id: Mapped[int] = mapped_column(primary_key=True)
    picture_id: Mapped[int | None] = mapped_column(ForeignKey("calibration_pictures.id"), index=True)
    image_id: Mapped[int | None] = mapped_column(ForeignKey("images.id"), index=True)
    method: Mapped[str] = mapped_column(String(20))
    um_per_px: Mapped[float]
    um_per_px_sd: Mapped[float]
    source: Mapped[str] = mapped_column(String(200))
    measured_axis: Mapped[str] = mapped_column(String(10))
    details: Mapped[dict[str, Any]]
    shown: Mapped[str | None] = mapped_column(String(64))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class CalibrationMeasurement(Base):
    """The measurement, or one of the two, that a calibration on record rests on."""

    __tablename__ = "calibration_measurements"
    id: Mapped[int] = mapped_column(primary_key=True)
    calibration_id: Mapped[int] = mapped_column(ForeignKey("calibrations.id"), index=True)
    measurement_id: Mapped[int] = mapped_column(ForeignKey("scale_measurements.id"), unique=True)


class ScaleRefusal(Base):
    """A person's word that a measurement is not to be used."""

    __tablename__ = "scale_refusals"
    id: Mapped[int] = mapped_column(primary_key=True)
    measurement_id: Mapped[int] = mapped_column(ForeignKey("scale_measurements.id"), unique=True)
    reason: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class OcularScaleRow(HospitalOwned, Base):
    """What one division of an eyepiece's scale spans on the slide, for one objective of one microscope."""

    __tablename__ = "ocular_scales"
    id: Mapped[int] = mapped_column(primary_key=True)
    microscope: Mapped[str] = mapped_column(String(200))
    objective: Mapped[str] = mapped_column(String(200))
    stage_divisions: Mapped[float]
    stage_division_um: Mapped[float]
    ocular_divisions: Mapped[float]
    um_per_division: Mapped[float]
    um_per_division_sd: Mapped[float]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class Specimen(HospitalOwned, Base):
    """The sample of one animal."""

    __tablename__ = "specimens"
    __table_args__ = (UniqueConstraint("hospital_id", "code", name="uq_specimens_hospital_id_code"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(80))
    species: Mapped[str] = mapped_column(String(20))
    animal_label: Mapped[str] = mapped_column(String(200))
    collected_on: Mapped[date | None]
    remarks: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class Preparation(Base):
    """How one coverslip was made from a specimen."""

    __tablename__ = "preparations"
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"), index=True)
    method: Mapped[str] = mapped_column(String(20))
    solution: Mapped[str] = mapped_column(String(200))
    specific_gravity: Mapped[float | None]
    sample_g: Mapped[float | None]
    consistency: Mapped[str | None] = mapped_column(String(20))
    standing_min: Mapped[float | None]
    coverslip_mm: Mapped[float | None]
    vial_ml: Mapped[float | None]
    vial_mouth_mm: Mapped[float | None]
    objectives: Mapped[list[float] | None]
    prepared_at: Mapped[datetime | None]


class Image(Base):
    """One picture of a preparation; its bytes are kept under `sha256`."""

    __tablename__ = "images"
    __table_args__ = (UniqueConstraint("preparation_id", "sha256"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    preparation_id: Mapped[int] = mapped_column(ForeignKey("preparations.id"))
    file_name: Mapped[str] = mapped_column(String(255))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    width: Mapped[int]
    height: Mapped[int]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class Upload(Base):
    """A picture that comes in parts; its bytes wait below the data folder until it is stored as an image."""

    __tablename__ = "uploads"
    id: Mapped[int] = mapped_column(primary_key=True)
    preparation_id: Mapped[int] = mapped_column(ForeignKey("preparations.id"), index=True)
    file_name: Mapped[str] = mapped_column(String(255))
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    stated_scale: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(20), default="receiving", index=True)
    problem: Mapped[str | None] = mapped_column(Text)
    sha256: Mapped[str | None] = mapped_column(String(64))
    image_id: Mapped[int | None] = mapped_column(ForeignKey("images.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    changed_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class ImageFileScale(Base):
    """What an image's file says of its own scale; nothing uses it until a person confirms it."""

    __tablename__ = "image_file_scales"
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"), unique=True)
    um_per_px: Mapped[float]
    source: Mapped[str] = mapped_column(String(80))


class Job(Base):
    """One run of a detector over one image, with the calibration it uses.

    `detector_id` None is the detector that the service was started with.
    """

    __tablename__ = "jobs"
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"), index=True)
    um_per_px: Mapped[float | None]
    um_per_px_sd: Mapped[float | None]
    calibration_source: Mapped[str | None] = mapped_column(String(400))
    calibration_id: Mapped[int | None] = mapped_column(ForeignKey("calibrations.id"))
    state: Mapped[str] = mapped_column(String(20), default="waiting")
    problem: Mapped[str | None] = mapped_column(Text)
    zoom_levels: Mapped[int | None]
    batches_done: Mapped[int] = mapped_column(default=0)
    batches_total: Mapped[int | None]
    batch_seconds: Mapped[float | None]
    attempt: Mapped[int] = mapped_column(default=1)
    tiles_total: Mapped[int | None]
    so_far: Mapped[dict[str, Any] | None]
    parts_done: Mapped[int | None]
    parts_total: Mapped[int | None]
    part_seconds: Mapped[float | None]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    detector_id: Mapped[int | None] = mapped_column(ForeignKey("detectors.id"))


class Stitching(Base):
    """Pictures of a preparation that are to become one or only to be placed, and what came of it.

    `report` says where each lies or why it was left out; `image_id` is the mosaic, where one was asked for.
    """

    __tablename__ = "stitchings"
    id: Mapped[int] = mapped_column(primary_key=True)
    preparation_id: Mapped[int] = mapped_column(ForeignKey("preparations.id"), index=True)
    image_ids: Mapped[list[int]]
    field_order: Mapped[str] = mapped_column(String(20))
    writes_mosaic: Mapped[bool] = mapped_column(default=True, server_default=true())
    state: Mapped[str] = mapped_column(String(20), default="waiting")
    problem: Mapped[str | None] = mapped_column(Text)
    report: Mapped[dict[str, Any] | None]
    image_id: Mapped[int | None] = mapped_column(ForeignKey("images.id"), index=True)
    attempt: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class ObjectParting(Base):
    """A person's word that two candidates that looked like one object in two pictures are two."""

    __tablename__ = "object_partings"
    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"), index=True)
    other_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class Machine(Base):
    """When a machine that works on jobs was last known to be alive."""

    __tablename__ = "machines"
    name: Mapped[str] = mapped_column(String(200), primary_key=True)
    alive_at: Mapped[datetime]


class JobMeasurement(Base):
    """The measurement on the image itself that a job takes its scale from."""

    __tablename__ = "job_measurements"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), unique=True)
    measurement_id: Mapped[int] = mapped_column(ForeignKey("scale_measurements.id"), index=True)


class ProposalRow(Base):
    """What one job said of its image, candidates aside."""

    __tablename__ = "proposals"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), unique=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"), index=True)
    detector_name: Mapped[str] = mapped_column(String(200))
    detector_sha256: Mapped[str] = mapped_column(String(64))
    default_cut: Mapped[float]
    head: Mapped[dict[str, Any]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class CandidateRow(Base):
    """A box shown to a person: the tool's (with a proposal), or one that a reader drew."""

    __tablename__ = "candidates"
    __table_args__ = (
        UniqueConstraint("proposal_id", "rank"),
        Index("ix_candidates_image_id_proposal_id", "image_id", "proposal_id"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"))
    proposal_id: Mapped[int | None] = mapped_column(ForeignKey("proposals.id"))
    origin: Mapped[str] = mapped_column(String(10))
    rank: Mapped[int | None]
    is_above_cut: Mapped[bool]
    group: Mapped[str] = mapped_column(String(80))
    said: Mapped[dict[str, Any]]
    drawn_by: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class Showing(Base):
    """The first time that a reader was shown the candidates of an image."""

    __tablename__ = "showings"
    __table_args__ = (UniqueConstraint("image_id", "reader_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"))
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    shown_at: Mapped[datetime] = mapped_column(default=utc_now)


class Read(Base):
    """A reader's reading of an image, aided or unaided."""

    __tablename__ = "reads"
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"), index=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    mode: Mapped[str] = mapped_column(String(10))
    shown_before: Mapped[bool]
    started_at: Mapped[datetime] = mapped_column(default=utc_now)


class ReadLock(Base):
    """The end of an unaided read."""

    __tablename__ = "read_locks"
    id: Mapped[int] = mapped_column(primary_key=True)
    read_id: Mapped[int] = mapped_column(ForeignKey("reads.id"), unique=True)
    locked_at: Mapped[datetime] = mapped_column(default=utc_now)


class MarkRow(Base):
    """A reader's answer to a candidate; `replaces` is that reader's mark before it."""

    __tablename__ = "marks"
    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"), index=True)
    answer: Mapped[str] = mapped_column(String(10))
    group: Mapped[str | None] = mapped_column(String(80))
    reason: Mapped[str | None] = mapped_column(String(80))
    remark: Mapped[str | None] = mapped_column(Text)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    read_id: Mapped[int] = mapped_column(ForeignKey("reads.id"))
    replaces: Mapped[int | None] = mapped_column(ForeignKey("marks.id"), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class SecondLook(Base):
    """A wish that another reader reads a specimen."""

    __tablename__ = "second_looks"
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"), index=True)
    asked_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    reader_id: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    is_blind: Mapped[bool]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class SecondLookClaim(Base):
    """A reader's word to do a second look that was asked of whoever is free."""

    __tablename__ = "second_look_claims"
    id: Mapped[int] = mapped_column(primary_key=True)
    second_look_id: Mapped[int] = mapped_column(ForeignKey("second_looks.id"), index=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    claimed_at: Mapped[datetime] = mapped_column(default=utc_now)


class SecondLookReturn(Base):
    """The end of a reader's word to do a second look, which waits for whoever is free again."""

    __tablename__ = "second_look_returns"
    id: Mapped[int] = mapped_column(primary_key=True)
    claim_id: Mapped[int] = mapped_column(ForeignKey("second_look_claims.id"), unique=True)
    returned_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    returned_at: Mapped[datetime] = mapped_column(default=utc_now)


class SecondLookClosing(Base):
    """The end of a second look."""

    __tablename__ = "second_look_closings"
    id: Mapped[int] = mapped_column(primary_key=True)
    second_look_id: Mapped[int] = mapped_column(ForeignKey("second_looks.id"), unique=True)
    closed_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    closed_at: Mapped[datetime] = mapped_column(default=utc_now)


class AdjudicationRow(Base):
    """What settles marks that differ; `replaces` is the adjudication before it."""

    __tablename__ = "adjudications"
    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"), index=True)
    answer: Mapped[str] = mapped_column(String(10))
    group: Mapped[str | None] = mapped_column(String(80))
    reason: Mapped[str | None] = mapped_column(String(80))
    remark: Mapped[str | None] = mapped_column(Text)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    replaces: Mapped[int | None] = mapped_column(ForeignKey("adjudications.id"), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class MarkWithdrawal(Base):
    """A reader's word that an own mark was a slip; the mark stays on record and counts no more."""

    __tablename__ = "mark_withdrawals"
    id: Mapped[int] = mapped_column(primary_key=True)
    mark_id: Mapped[int] = mapped_column(ForeignKey("marks.id"), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class ChangeAfterLock(Base):
    """A mark that says something else than its reader's locked unaided read, with what was said before."""

    __tablename__ = "changes_after_lock"
    id: Mapped[int] = mapped_column(primary_key=True)
    mark_id: Mapped[int] = mapped_column(ForeignKey("marks.id"), unique=True)
    read_id: Mapped[int] = mapped_column(ForeignKey("reads.id"), index=True)
    before_answer: Mapped[str | None] = mapped_column(String(10))
    before_group: Mapped[str | None] = mapped_column(String(80))
    direction: Mapped[str] = mapped_column(String(20))


class HospitalReadingRule(HospitalOwned, Base):
    """The rule that new specimens of a hospital begin with; the newest holds."""

    __tablename__ = "hospital_reading_rules"
    id: Mapped[int] = mapped_column(primary_key=True)
    rule: Mapped[str] = mapped_column(String(20))
    reason: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class ReadingRule(Base):
    """Whether a specimen is read unaided first, or may be read with proposals at once; the newest holds.

    `hospital_rule_id` says that it is the hospital's own, which held when the specimen was filed.
    """

    __tablename__ = "reading_rules"
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"), index=True)
    rule: Mapped[str] = mapped_column(String(20))
    reason: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    hospital_rule_id: Mapped[int | None] = mapped_column(ForeignKey("hospital_reading_rules.id"))


class ReadingPlace(Base):
    """Where a reader was in an image, and what was on that reader's screen, cell by cell."""

    __tablename__ = "reading_places"
    __table_args__ = (UniqueConstraint("image_id", "reader_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"))
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    finest: Mapped[str] = mapped_column(Text)
    place: Mapped[dict[str, Any] | None]
    changed_at: Mapped[datetime] = mapped_column(default=utc_now)


class DoctorCall(Base):
    """An object that its reader can't place: it goes to the veterinarians' list."""

    __tablename__ = "doctor_calls"
    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"), index=True)
    words: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class DoctorCallAnswer(Base):
    """What a veterinarian says to a call; it ends it."""

    __tablename__ = "doctor_call_answers"
    id: Mapped[int] = mapped_column(primary_key=True)
    call_id: Mapped[int] = mapped_column(ForeignKey("doctor_calls.id"), unique=True)
    words: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class SettlingOffer(Base):
    """What one of the readers who differ offers to agree on."""

    __tablename__ = "settling_offers"
    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidates.id"), index=True)
    answer: Mapped[str] = mapped_column(String(10))
    group: Mapped[str | None] = mapped_column(String(80))
    reason: Mapped[str | None] = mapped_column(String(80))
    remark: Mapped[str | None] = mapped_column(Text)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class SettlingAgreement(Base):
    """A reader's agreement to an offer; the last one settles the candidate."""

    __tablename__ = "settling_agreements"
    __table_args__ = (UniqueConstraint("offer_id", "reader_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    offer_id: Mapped[int] = mapped_column(ForeignKey("settling_offers.id"))
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    adjudication_id: Mapped[int | None] = mapped_column(ForeignKey("adjudications.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class ContactSheet(Base):
    """Unmarked candidates from one place of the ranking to its end, laid out side by side for one reader."""

    __tablename__ = "contact_sheets"
    id: Mapped[int] = mapped_column(primary_key=True)
    image_id: Mapped[int] = mapped_column(ForeignKey("images.id"), index=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    candidate_ids: Mapped[list[int]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class ContactSheetView(Base):
    """Candidates of a contact sheet that were on its reader's screen."""

    __tablename__ = "contact_sheet_views"
    id: Mapped[int] = mapped_column(primary_key=True)
    sheet_id: Mapped[int] = mapped_column(ForeignKey("contact_sheets.id"), index=True)
    candidate_ids: Mapped[list[int]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class ContactSheetRejection(Base):
    """One act that rejected all candidates of a contact sheet, with the marks it made."""

    __tablename__ = "contact_sheet_rejections"
    id: Mapped[int] = mapped_column(primary_key=True)
    sheet_id: Mapped[int] = mapped_column(ForeignKey("contact_sheets.id"), unique=True)
    reason: Mapped[str] = mapped_column(String(80))
    mark_ids: Mapped[list[int]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class SignOff(Base):
    """The end of reading a specimen."""

    __tablename__ = "sign_offs"
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"), unique=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    remark: Mapped[str | None] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


class LabelledSetRow(HospitalOwned, Base):
    """An export, kept as a zip file."""

    __tablename__ = "labelled_sets"
    id: Mapped[int] = mapped_column(primary_key=True)
    n_images: Mapped[int]
    n_annotations: Mapped[int]
    left_out: Mapped[list[int]]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
