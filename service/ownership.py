"""Which hospital owns what a path names; nobody is told of another hospital's things.

Every parameter of an API path that ends in `_id` stands in `OWNERS`, or in `OWN` where the route itself asks
whose it is; `check_paths` refuses a route with any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from starlette.routing import BaseRoute

from service.errors import MissingError
from service.schemas import Id
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

Owner = Select[int]
_ID: TypeAdapter[int] = TypeAdapter(Id)


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
}
OWN = ("token_id", "sign_in_id", "user_id", "invitation_id")


def refuse_others(session: Session, path_params: Mapping[str, Any], hospital_id: int) -> None:
    """Let nobody see what another hospital owns.

    Parameters
    ----------
    session : Session
        One that is kept to no hospital.
    path_params : mapping
        As they stand in the path; what is no number is refused elsewhere.

    Raises
    ------
    MissingError
        If another hospital owns it, in the words of what isn't there at all.
    """
    for name, received in path_params.items():
        number = _read_number(received)
        if name not in OWNERS or number is None:
            continue
        label, owner_of = OWNERS[name]
        owner = session.scalar(owner_of(number))
        if owner is not None and owner != hospital_id:
            raise MissingError(f"There is no {label} {number}.")


def _read_number(received: Any) -> int | None:
    """The id as the route itself reads it, which takes +5 and 5.0 for 5; None where it refuses it."""
    try:
        return _ID.validate_python(received)
    except ValidationError:
        return None


def check_paths(routes: Iterable[BaseRoute]) -> None:
    """Make sure that the owner of everything that an API path names is known.

    Raises
    ------
    ValueError
        If it isn't.
    """
    for route in routes:
        for name in getattr(route, "param_convertors", ()):
            if name.endswith("_id") and name not in OWNERS and name not in OWN:
                raise ValueError(
                    f"service/ownership.py doesn't say which hospital owns the {name!r} of "
                    f"{getattr(route, 'path', route)}. Add it to OWNERS there."
                )
