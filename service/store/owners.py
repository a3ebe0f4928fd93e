"""Which hospital owns a row that a path names."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.store.detectors import DetectorRow, DetectorRun
from service.store.models import (
    CalibrationPicture,
    CandidateRow,
    ContactSheet,
    DoctorCall,
    Image,
    LabelledSetRow,
    MarkRow,
    Preparation,
    Read,
    ScaleMeasurement,
    SecondLook,
    SettlingOffer,
    Specimen,
    Stitching,
    Upload,
)
from service.store.practice import PracticeFind, PracticeRead, PracticeSlide

Owner = Select[int]


def _of_image(owner: Owner) -> Owner:
    """Continue from a statement that ends at images."""
    return _of_preparation(owner.join(Preparation, Image.preparation_id == Preparation.id))


def _of_preparation(owner: Owner) -> Owner:
    return owner.join(Specimen, Preparation.specimen_id == Specimen.id)


def _from(table: Any) -> Owner:
    return select(Specimen.hospital_id).select_from(table)


# For each parameter: what it names, and the hospital of the one with an id.
OWNERS: dict[str, tuple[str, Callable[[int], Owner]]] = {
    "specimen_id": ("specimen", lambda id_: select(Specimen.hospital_id).where(Specimen.id == id_)),
    "preparation_id": (
        "preparation",
        lambda id_: _of_preparation(_from(Preparation)).where(Preparation.id == id_),
    ),
    "image_id": ("image", lambda id_: _of_image(_from(Image)).where(Image.id == id_)),
    "candidate_id": (
        "candidate",
        lambda id_: _of_image(_from(CandidateRow).join(Image)).where(CandidateRow.id == id_),
    ),
    "read_id": (
        "read",
        lambda id_: _of_image(_from(Read).join(Image)).where(Read.id == id_),
    ),
    "mark_id": (
        "mark",
        lambda id_: _of_image(_from(MarkRow).join(CandidateRow).join(Image)).where(MarkRow.id == id_),
    ),
    "offer_id": (
        "settling offer",
        lambda id_: _of_image(_from(SettlingOffer).join(CandidateRow).join(Image)).where(
            SettlingOffer.id == id_
        ),
    ),
    "call_id": (
        "call",
        lambda id_: _of_image(_from(DoctorCall).join(CandidateRow).join(Image)).where(DoctorCall.id == id_),
    ),
    "sheet_id": (
        "contact sheet",
        lambda id_: _of_image(_from(ContactSheet).join(Image)).where(ContactSheet.id == id_),
    ),
    "look_id": (
        "second look",
        lambda id_: _from(SecondLook).join(Specimen).where(SecondLook.id == id_),
    ),
    "upload_id": (
        "upload",
        lambda id_: _of_preparation(_from(Upload).join(Preparation)).where(Upload.id == id_),
    ),
    "stitching_id": (
        "stitching",
        lambda id_: _of_preparation(_from(Stitching).join(Preparation)).where(Stitching.id == id_),
    ),
    "picture_id": (
        "calibration picture",
        lambda id_: select(CalibrationPicture.hospital_id).where(CalibrationPicture.id == id_),
    ),
    "measurement_id": (
        "scale measurement",
        lambda id_: select(ScaleMeasurement.hospital_id).where(ScaleMeasurement.id == id_),
    ),
    "set_id": (
        "labelled set",
        lambda id_: select(LabelledSetRow.hospital_id).where(LabelledSetRow.id == id_),
    ),
    "run_id": ("training", lambda id_: select(DetectorRun.hospital_id).where(DetectorRun.id == id_)),
    "detector_id": ("detector", lambda id_: select(DetectorRow.hospital_id).where(DetectorRow.id == id_)),
    "slide_id": (
        "practice slide",
        lambda id_: select(PracticeSlide.hospital_id).where(PracticeSlide.id == id_),
    ),
    "practice_read_id": (
        "practice read",
        lambda id_: select(PracticeRead.hospital_id).where(PracticeRead.id == id_),
    ),
    "find_id": (
        "practice find",
        lambda id_: select(PracticeFind.hospital_id).where(PracticeFind.id == id_),
    ),
}


def find_owner(session: Session, name: str, number: int) -> int | None:
    """The hospital that owns what parameter `name` of a path calls `number`; None if there is no such row."""
    _, owner_of = OWNERS[name]
    return session.scalar(owner_of(number))
