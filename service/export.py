"""Marks and adjudications out of the records, into a labelled set."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from service.errors import ConflictError
from service.files import Files
from service.settle import current_answer
from service.store import images, reading, specimens
from service.store.database import Database, Session
from service.store.images import ImageState
from service.store.models import AdjudicationRow, LabelledSetRow, User
from service.store.reading import Spoken
from triage.labelled_set import LabelledImage, LabelledObject, write_labelled_set
from triage.records import Ellipse


@dataclass(frozen=True)
class Gathered:
    """What goes into a set, and the ids of the images whose bytes an older specimen holds."""

    images: list[LabelledImage]
    left_out: list[int]


def export_labelled_set(
    database: Database, files: Files, specimen_ids: Sequence[int] | None, user: User, *, key: bytes
) -> LabelledSetRow:
    """Write a labelled set of signed-off specimens (None: all of them) as a zip file.

    Raises
    ------
    ConflictError
        If a specimen is not signed off, or none is.
    """
    with database.read() as session:
        gathered = _gather(session, files, _signed_off(session, specimen_ids))
    with files.new_folder() as folder:
        labelled = write_labelled_set(Path(folder, "set"), gathered.images, key=key)
        zipped = _zip(Path(folder, "set"), Path(folder, "set.zip"))
        with database.write() as session:
            row = specimens.add_labelled_set(
                session,
                n_images=len(labelled.annotations["images"]),
                n_annotations=len(labelled.annotations["annotations"]),
                left_out=gathered.left_out,
                created_by=user.id,
            )
            files.keep_labelled_set(row.id, zipped)
    return row


def _signed_off(session: Session, specimen_ids: Sequence[int] | None) -> list[int]:
    signed_off = specimens.signed_off_ids(session)
    if specimen_ids is None:
        if not signed_off:
            raise ConflictError("No specimen is signed off yet, so there is nothing to export.")
        return signed_off
    open_ids = sorted({specimens.read_specimen(session, one).id for one in specimen_ids} - {*signed_off})
    if open_ids:
        raise ConflictError(
            f"{len(open_ids)} of these specimens are not signed off (first: {open_ids[0]}). "
            "Sign them off, or leave them out.",
            open_specimens=open_ids,
        )
    return sorted(set(specimen_ids))


def _gather(session: Session, files: Files, specimen_ids: list[int]) -> Gathered:
    """Every image once: the same bytes in two specimens could end on both sides of a split."""
    gathered, seen = Gathered([], []), set[str]()
    states = images.list_image_states(session, specimen_ids)
    for specimen_id in specimen_ids:
        for state in states[specimen_id]:
            if state.image.sha256 in seen:
                gathered.left_out.append(state.image.id)
                continue
            seen.add(state.image.sha256)
            gathered.images.append(_label_image(session, files, specimen_id, state))
    return gathered


def _label_image(session: Session, files: Files, specimen_id: int, state: ImageState) -> LabelledImage:
    spoken = reading.list_spoken(session, [state.image.id])
    return LabelledImage(
        original=files.original(state.image.sha256),
        specimen=str(specimen_id),
        objects=tuple(labelled for one in spoken if (labelled := _label_object(one)) is not None),
        um_per_px=state.job.um_per_px,
        reads=tuple(f"read-{one.read.id}" for one in reading.list_reads(session, [state.image.id])),
        adjudications=tuple(f"adjudication-{row.id}" for one in spoken for row in one.adjudications),
    )


def _label_object(spoken: Spoken) -> LabelledObject | None:
    """What holds of one candidate; None where nobody said anything."""
    answer, row = current_answer(spoken), spoken.candidate
    if answer is None:
        return None
    said, reason = row.said, answer.reason
    x, y, width, height = said["bbox"]
    return LabelledObject(
        bbox_xywh=(x, y, width, height),
        answer=answer.answer,
        group=reason if answer.answer == "reject" and reason is not None else answer.group or row.group,
        origin=row.origin,
        ellipse=None if said["ellipse"] is None else Ellipse(**said["ellipse"]),
        length_um=said["length_um"],
        width_um=said["width_um"],
        is_adjudicated=isinstance(answer, AdjudicationRow),
    )


def _zip(folder: Path, target: Path) -> Path:
    # Stored, not squeezed: the pictures are compressed already.
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as file:
        for path in sorted(folder.rglob("*")):
            file.write(path, path.relative_to(folder))
    return target
