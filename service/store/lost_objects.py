"""Where an object of a labelled set is on record here."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.models import CandidateRow, Image, Preparation, Specimen

# A set rounds its boxes to hundredths of a pixel, and a comparison to tenths.
ROUNDING_PX = 0.2


def place_object(
    session: Session, *, hospital_id: int, sha256: str, box_xyxy: Sequence[float]
) -> dict[str, int]:
    """`image_id` and `candidate_id` of an object; what isn't on record, as in imported sets, is left out.

    Parameters
    ----------
    sha256 : str
        Of the bytes of the picture as it was uploaded.
    box_xyxy : sequence of float
        Of the object, in pixels of the picture.
    """
    wanted = select(Image.id).join(Preparation).join(Specimen)
    wanted = wanted.where(Image.sha256 == sha256, Specimen.hospital_id == hospital_id).order_by(Image.id)
    image_id = session.scalar(wanted.limit(1))
    if image_id is None:
        return {}
    for row in session.scalars(select(CandidateRow).where(CandidateRow.image_id == image_id)):
        if _is_at(row, box_xyxy):
            return {"image_id": image_id, "candidate_id": row.id}
    return {"image_id": image_id}


def _is_at(row: CandidateRow, box_xyxy: Sequence[float]) -> bool:
    x, y, width, height = row.said["bbox"]
    ends = zip((x, y, x + width, y + height), box_xyxy, strict=True)
    return all(abs(one - other) <= ROUNDING_PX for one, other in ends)
