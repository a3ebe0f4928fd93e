"""How the scale of one microscope, objective and camera setting went over time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.calibration_schemas import DriftPoint, DriftSeries
from service.store.models import CalibrationRow
from triage.calibration import COVERAGE_FACTOR_95, Calibration, has_drifted, scale_to_resized
from triage.errors import CalibrationError

Setting = tuple[str, str, str, int | None, int | None]


def setting_of(row: CalibrationRow) -> Setting:
    """What a calibration belongs to."""
    return (row.microscope, row.objective, row.camera_setting, row.image_width, row.image_height)


def age_in_days(row: CalibrationRow, now: datetime) -> int:
    """Whole days since a calibration was put on record."""
    return max(0, (now - row.created_at).days)


def trace_drift(rows: Sequence[CalibrationRow], *, now: datetime, reminder_days: int) -> list[DriftSeries]:
    """One series for each setting; pictures of other sizes join where they are the same picture resized.

    Parameters
    ----------
    rows : sequence of CalibrationRow
        Newest first.
    """
    series: list[list[tuple[CalibrationRow, Calibration]]] = []
    for row in rows:
        for one in series:
            fitted = _fit(row, one[0][0])
            if fitted is not None:
                one.append((row, fitted))
                break
        else:
            series.append([(row, as_calibration(row))])
    return [_present(one, now, reminder_days) for one in series]


def as_calibration(row: CalibrationRow) -> Calibration:
    """The scale of a calibration on record."""
    return Calibration(row.um_per_px, row.um_per_px_sd, row.source)


def _fit(row: CalibrationRow, newest: CalibrationRow) -> Calibration | None:
    """The scale at the newest one's picture size; None where it belongs to another setting."""
    if setting_of(row)[:3] != setting_of(newest)[:3]:
        return None
    if row.image_width is None or row.image_height is None:
        return as_calibration(row) if newest.image_width is None else None
    if newest.image_width is None or newest.image_height is None:
        return None
    try:
        return scale_to_resized(
            as_calibration(row),
            (row.image_width, row.image_height),
            (newest.image_width, newest.image_height),
        )
    except CalibrationError:
        return None


def _present(one: list[tuple[CalibrationRow, Calibration]], now: datetime, reminder_days: int) -> DriftSeries:
    newest = one[0][0]
    age_days = age_in_days(newest, now)
    points: list[DriftPoint] = []
    before: Calibration | None = None
    for row, scale in reversed(one):
        reach = COVERAGE_FACTOR_95 * scale.um_per_px_sd
        points.append(
            DriftPoint(
                calibration_id=row.id,
                at=row.created_at,
                um_per_px=scale.um_per_px,
                low=scale.um_per_px - reach,
                high=scale.um_per_px + reach,
                change_percent=None if before is None else 100 * (scale.um_per_px / before.um_per_px - 1),
                has_drifted=before is not None and has_drifted(scale, before),
            )
        )
        before = scale
    return DriftSeries(
        microscope=newest.microscope,
        objective=newest.objective,
        camera_setting=newest.camera_setting,
        image_width=newest.image_width,
        image_height=newest.image_height,
        points=points,
        age_days=age_days,
        reminder_days=reminder_days,
        is_old=age_days > reminder_days,
    )
