"""Objects that several pictures of a preparation show, and a person's word that two are not one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, status
from pydantic import Field

from service.dependencies import DatabaseDep, IdPath, UserDep
from service.errors import ConflictError
from service.schemas import Answered, Body, Id
from service.shown_twice import find_shown_twice
from service.store import object_partings, reading, specimens
from service.store.database import Session

router = APIRouter(tags=["stitchings"])


class SameObject(Answered):
    """Candidates that are one object, and the picture of each."""

    candidate_ids: list[int]
    image_ids: list[int]


class ShownTwiceOut(Answered):
    """Which pictures a count per coverslip is made from, and which of their candidates are one object."""

    counted_image_ids: list[int]
    same: Annotated[
        list[SameObject], Field(description="Candidates that are withheld from the reader are left out.")
    ]


class PartingIn(Body):
    """Two candidates that look like one object and are two."""

    candidate_ids: Annotated[list[Id], Field(min_length=2, max_length=2)]


@router.get("/preparations/{preparation_id}/shown-twice")
def read_shown_twice(preparation_id: IdPath, user: UserDep, database: DatabaseDep) -> ShownTwiceOut:
    """Objects that overlapping pictures show more than once; each counts once."""
    with database.read() as session:
        specimens.read_preparation(session, preparation_id)
        return _show(session, preparation_id, reader_id=user.id)


def _show(session: Session, preparation_id: int, *, reader_id: int) -> ShownTwiceOut:
    """What this reader may see of it: nothing of pictures whose candidates are withheld."""
    shown = find_shown_twice(session, preparation_id)
    hidden = reading.withheld_ids(session, shown.counted_image_ids, reader_id=reader_id)
    spoken = reading.list_spoken(session, shown.counted_image_ids)
    image_of = {
        one.candidate.id: one.candidate.image_id for one in spoken if one.candidate.image_id not in hidden
    }
    same = [[number for number in each if number in image_of] for each in shown.same]
    return ShownTwiceOut(
        counted_image_ids=list(shown.counted_image_ids),
        same=[
            SameObject(candidate_ids=each, image_ids=[image_of[number] for number in each])
            for each in same
            if len(each) > 1
        ],
    )


@router.post("/preparations/{preparation_id}/partings", status_code=status.HTTP_201_CREATED)
def part_objects(
    preparation_id: IdPath, body: PartingIn, user: UserDep, database: DatabaseDep
) -> ShownTwiceOut:
    """Hold two candidates for two objects from now on; the answer is what is held for one afterwards."""
    first, second = body.candidate_ids
    with database.write() as session:
        preparation = specimens.read_preparation(session, preparation_id)
        specimen = specimens.read_specimen(session, preparation.specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        same = _show(session, preparation_id, reader_id=user.id).same
        if first == second or not any({first, second} <= set(each.candidate_ids) for each in same):
            raise ConflictError(
                f"Candidates {first} and {second} are not held for one object, so they can't be parted. "
                "Name two of one entry of `same`."
            )
        object_partings.add_parting(session, (first, second), created_by=user.id)
        return _show(session, preparation_id, reader_id=user.id)
