"""What to mark next, so that a labelled set teaches most."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from service.dependencies import DatabaseDep, ReaderDep
from service.next_to_label import list_next
from service.present import view_for
from service.set_schemas import NextPictureOut

router = APIRouter(tags=["labelled sets"])


@router.get("/next-to-label")
def list_next_to_label(
    user: ReaderDep, database: DatabaseDep, limit: Annotated[int, Query(ge=1, le=100)] = 10
) -> list[NextPictureOut]:
    """Pictures without marks, the most teaching first: the tool is unsure of them, and they are unlike."""
    with database.read() as session:
        return [
            NextPictureOut(
                rank=rank,
                image_id=one.state.image.id,
                file_name=one.state.image.file_name,
                specimen_id=one.specimen.id,
                specimen_code=one.specimen.code,
                doubt=round(one.chosen.doubt, 3),
                novelty=round(one.chosen.novelty, 3),
            )
            for rank, one in enumerate(list_next(view_for(session, user), limit=limit), start=1)
        ]
