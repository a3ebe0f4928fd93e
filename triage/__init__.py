"""Candidates on photographs of fecal flotation slides: found, measured, checked, ranked, kept."""

from triage.calibration import Calibration
from triage.errors import (
    BoxError,
    CalibrationError,
    ImageError,
    RecordError,
    TriageError,
    WeightsError,
)
from triage.records import Candidate, Detections, Ellipse, Proposal

__all__ = [
    "BoxError",
    "Calibration",
    "CalibrationError",
    "Candidate",
    "Detections",
    "Ellipse",
    "ImageError",
    "Proposal",
    "RecordError",
    "TriageError",
    "WeightsError",
]
