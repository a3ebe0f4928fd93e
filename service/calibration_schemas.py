"""Request and response bodies about scales; units end the names."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from service.schemas import MAX_ID, Answered, Body, FileScaleOut, FilledLine, Id, Line, Person, Real
from triage.micrometer.by_hand import POINTING_SD_PX, READING_SD_DIVISIONS

Side = Annotated[int, Field(ge=1, le=MAX_ID)]
Point = Annotated[list[Real], Field(min_length=2, max_length=2)]


class CalibrationIn(Body):
    """A microscope's scale at one objective and camera setting, as a person states it.

    It holds for pictures of one size; without the size it is taken for any, which nothing can check.
    """

    microscope: FilledLine
    objective: FilledLine
    camera_setting: Line = ""
    um_per_px: Real
    um_per_px_sd: Real
    source: FilledLine
    image_width: Side | None = None
    image_height: Side | None = None


class CalibrationOut(Answered):
    """A calibration on record; an axis is null where it was not measured by itself."""

    id: int
    microscope: str
    objective: str
    camera_setting: str
    um_per_px: float
    um_per_px_sd: float
    um_per_px_x: float | None
    um_per_px_x_sd: float | None
    um_per_px_y: float | None
    um_per_px_y_sd: float | None
    source: str
    image_width: int | None
    image_height: int | None
    measurement_ids: list[int]
    is_newest: Annotated[
        bool,
        Field(description="No later one has this microscope, objective, camera setting and picture size."),
    ]
    age_days: int
    is_old: Annotated[bool, Field(description="Older than the hospital's reminder allows.")]
    created_at: datetime
    created_by: Person


class DriftPoint(Answered):
    """One calibration in the course of time, in µm per pixel at the newest one's picture size."""

    calibration_id: int
    at: datetime
    um_per_px: float
    low: Annotated[float, Field(description="Lower end of the 95 % interval.")]
    high: Annotated[float, Field(description="Upper end of the 95 % interval.")]
    change_percent: Annotated[float | None, Field(description="From the one before it.")]
    has_drifted: Annotated[
        bool, Field(description="It differs from the one before by more than their uncertainties explain.")
    ]


class DriftSeries(Answered):
    """The calibrations of one microscope, objective and camera setting, oldest first."""

    microscope: str
    objective: str
    camera_setting: str
    image_width: int | None
    image_height: int | None
    points: list[DriftPoint]
    age_days: int
    reminder_days: int
    is_old: bool


class CalibrationPictureOut(Answered):
    """A photograph that a scale is measured on."""

    id: int
    file_name: str
    sha256: str
    bytes: int
    width: int
    height: int
    tile_size: int
    zoom_levels: int
    file_scale: FileScaleOut | None
    created_at: datetime
    created_by: Person


class RulingIn(Body):
    """Find the ruling of a stage micrometer."""

    method: Literal["ruling"]
    division_um: Real
    ruling_tolerance: Real = 0.0


class TwoPointsIn(Body):
    """Two points on the ends of a known length, `x, y` in pixels of the upright picture."""

    method: Literal["two points"]
    first_xy: Point
    second_xy: Point
    length_um: Real
    length_um_sd: Real = 0.0
    pointing_sd_px: Real = POINTING_SD_PX
    known_length: Annotated[
        Line, Field(description="What the length is, for instance the eyepiece's scale.")
    ] = ""


class FileScaleIn(Body):
    """Take what the file says of itself as the proposal."""

    method: Literal["file"]


MeasurementIn = Annotated[RulingIn | TwoPointsIn | FileScaleIn, Field(discriminator="method")]


class MeasurementOut(Answered):
    """A measured scale: proposed until a person confirms or refuses it."""

    id: int
    picture_id: int | None
    image_id: int | None
    method: Literal["ruling", "two points", "file"]
    state: Literal["proposed", "confirmed", "refused"]
    um_per_px: float
    um_per_px_sd: float
    measured_axis: Annotated[str, Field(description="x, y, oblique, or both.")]
    um_per_px_x: float | None
    um_per_px_x_sd: float | None
    um_per_px_y: float | None
    um_per_px_y_sd: float | None
    source: str
    notes: list[str]
    details: dict[str, Any]
    shown_url: Annotated[str | None, Field(description="The picture with what was found drawn over it.")]
    calibration_id: int | None
    refusal: str | None
    created_at: datetime
    created_by: Person


class ConfirmationIn(Body):
    """Where a measured scale belongs, and a second measurement along the other axis where there is one."""

    microscope: FilledLine
    objective: FilledLine
    camera_setting: Line = ""
    other_axis_id: Id | None = None


class RefusalIn(Body):
    """Why a measured scale is not to be used."""

    reason: FilledLine


class OcularReadingIn(Body):
    """Divisions of a stage micrometer and of the eyepiece's scale that cover the same length."""

    stage_divisions: Real
    ocular_divisions: Real
    stage_division_um: Real = 10.0
    reading_sd_divisions: Real = READING_SD_DIVISIONS


class OcularScaleIn(OcularReadingIn):
    """The same, to be kept for one objective of one microscope."""

    microscope: FilledLine
    objective: FilledLine


class OcularFigures(Answered):
    """What one division of the eyepiece's scale spans on the slide."""

    um_per_division: float
    um_per_division_sd: float


class OcularScaleOut(OcularFigures):
    """A scale of an eyepiece on record."""

    id: int
    microscope: str
    objective: str
    stage_divisions: float
    stage_division_um: float
    ocular_divisions: float
    created_at: datetime
    created_by: Person
