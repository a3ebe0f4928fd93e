"""Scales: pictures they are measured on, measurements, what was confirmed or refused, eyepieces' scales."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError
from service.store.models import (
    CalibrationMeasurement,
    CalibrationPicture,
    CalibrationRow,
    ImageFileScale,
    Job,
    JobMeasurement,
    OcularScaleRow,
    ScaleMeasurement,
    ScaleRefusal,
)


@dataclass(frozen=True)
class MeasurementState:
    """A measurement with what a person made of it; `calibration_id` is None while it is only proposed."""

    measurement: ScaleMeasurement
    calibration_id: int | None
    refusal: ScaleRefusal | None
    is_used_by_image: bool


def add_calibration(
    session: Session, *, measurements: Sequence[ScaleMeasurement] = (), **values: Any
) -> CalibrationRow:
    """A new calibration; older ones of the same microscope stay."""
    calibration = CalibrationRow(**values)
    session.add(calibration)
    session.flush()
    for measurement in measurements:
        session.add(CalibrationMeasurement(calibration_id=calibration.id, measurement_id=measurement.id))
    session.flush()
    return calibration


def list_calibrations(session: Session) -> list[CalibrationRow]:
    """All calibrations, newest first."""
    return list(session.scalars(select(CalibrationRow).order_by(CalibrationRow.id.desc())))


def read_calibration(session: Session, calibration_id: int) -> CalibrationRow:
    """The calibration with that id."""
    calibration = session.get(CalibrationRow, calibration_id)
    if calibration is None:
        raise MissingError(f"There is no calibration {calibration_id}.")
    return calibration


def measurements_of(session: Session) -> dict[int, list[int]]:
    """Ids of the measurements that each calibration rests on, in the order they were given."""
    rows = session.scalars(select(CalibrationMeasurement).order_by(CalibrationMeasurement.id))
    found: dict[int, list[int]] = {}
    for row in rows:
        found.setdefault(row.calibration_id, []).append(row.measurement_id)
    return found


def add_picture(session: Session, **values: Any) -> CalibrationPicture:
    """A new photograph to measure a scale on."""
    picture = CalibrationPicture(**values)
    session.add(picture)
    session.flush()
    return picture


def find_picture(session: Session, sha256: str) -> CalibrationPicture | None:
    """The photograph that has these bytes."""
    return session.scalar(select(CalibrationPicture).where(CalibrationPicture.sha256 == sha256).limit(1))


def read_picture(session: Session, picture_id: int) -> CalibrationPicture:
    """The photograph with that id."""
    picture = session.get(CalibrationPicture, picture_id)
    if picture is None:
        raise MissingError(f"There is no calibration picture {picture_id}.")
    return picture


def list_pictures(session: Session, limit: int) -> list[CalibrationPicture]:
    """The newest photographs, newest first."""
    return list(
        session.scalars(select(CalibrationPicture).order_by(CalibrationPicture.id.desc()).limit(limit))
    )


def add_measurement(session: Session, **values: Any) -> ScaleMeasurement:
    """A new measurement, proposed."""
    measurement = ScaleMeasurement(**values)
    session.add(measurement)
    session.flush()
    return measurement


def read_measurement(session: Session, measurement_id: int, *, is_locked: bool = False) -> MeasurementState:
    """The measurement with that id; `is_locked` keeps other writers out until the block ends."""
    measurement = session.get(ScaleMeasurement, measurement_id, with_for_update=is_locked)
    if measurement is None:
        raise MissingError(f"There is no scale measurement {measurement_id}.")
    return _state_of(session, measurement)


def list_measurements(
    session: Session, *, picture_id: int | None = None, image_id: int | None = None
) -> list[MeasurementState]:
    """The measurements on one photograph or image, newest first."""
    belongs = (
        ScaleMeasurement.picture_id == picture_id
        if picture_id is not None
        else ScaleMeasurement.image_id == image_id
    )
    rows = session.scalars(select(ScaleMeasurement).where(belongs).order_by(ScaleMeasurement.id.desc()))
    return [_state_of(session, row) for row in rows]


def list_open_measurements(session: Session, limit: int) -> list[MeasurementState]:
    """The newest measurements on photographs that nobody has confirmed or refused yet, newest first."""
    settled = (
        select(CalibrationMeasurement.measurement_id),
        select(ScaleRefusal.measurement_id),
    )
    wanted = select(ScaleMeasurement).where(ScaleMeasurement.picture_id.is_not(None))
    for ids in settled:
        wanted = wanted.where(ScaleMeasurement.id.not_in(ids))
    rows = session.scalars(wanted.order_by(ScaleMeasurement.id.desc()).limit(limit))
    return [_state_of(session, row) for row in rows]


def _state_of(session: Session, measurement: ScaleMeasurement) -> MeasurementState:
    by_calibration = select(CalibrationMeasurement.calibration_id).where(
        CalibrationMeasurement.measurement_id == measurement.id
    )
    by_refusal = select(ScaleRefusal).where(ScaleRefusal.measurement_id == measurement.id)
    by_job = select(JobMeasurement.id).where(JobMeasurement.measurement_id == measurement.id).limit(1)
    return MeasurementState(
        measurement,
        session.scalar(by_calibration),
        session.scalar(by_refusal),
        session.scalar(by_job) is not None,
    )


def refuse_if_settled(state: MeasurementState) -> None:
    """Let no measurement pass that a person has confirmed or refused already.

    Raises
    ------
    ConflictError
        If somebody has.
    """
    number = state.measurement.id
    if state.calibration_id is not None:
        raise ConflictError(
            f"Measurement {number} is on record as calibration {state.calibration_id} already. Measure again "
            "for a new one."
        )
    if state.refusal is not None:
        raise ConflictError(f"Measurement {number} was refused. Measure again.")
    if state.is_used_by_image:
        raise ConflictError(f"Measurement {number} is used by its picture already. Measure again.")


def add_refusal(session: Session, **values: Any) -> ScaleRefusal:
    """A person's word that a measurement is not to be used."""
    refusal = ScaleRefusal(**values)
    session.add(refusal)
    session.flush()
    return refusal


def link_job(session: Session, job: Job, measurement_id: int) -> None:
    """Say which measurement on the image a job takes its scale from."""
    session.add(JobMeasurement(job_id=job.id, measurement_id=measurement_id))
    session.flush()


def add_ocular_scale(session: Session, **values: Any) -> OcularScaleRow:
    """A new scale of an eyepiece; older ones stay."""
    row = OcularScaleRow(**values)
    session.add(row)
    session.flush()
    return row


def list_ocular_scales(session: Session) -> list[OcularScaleRow]:
    """All scales of eyepieces, newest first."""
    return list(session.scalars(select(OcularScaleRow).order_by(OcularScaleRow.id.desc())))


def add_file_scale(session: Session, **values: Any) -> None:
    """What an image's file says of its scale."""
    session.add(ImageFileScale(**values))
    session.flush()


def file_scales_of(session: Session, image_ids: Sequence[int]) -> dict[int, ImageFileScale]:
    """What the files of these images say of their scales."""
    wanted = select(ImageFileScale).where(ImageFileScale.image_id.in_(image_ids))
    return {row.image_id: row for row in session.scalars(wanted)}
