"""Marks and adjudications out of the records, into a labelled set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.errors import ConflictError
from service.files import Files
from service.set_report import Source, describe_set
from service.set_rule import Rule
from service.settle import Said, current_answer
from service.store import images, reading, set_versions, specimens
from service.store.database import Database, Session
from service.store.images import ImageState
from service.store.models import (
    AdjudicationRow,
    CalibrationRow,
    LabelledSetRow,
    Preparation,
    User,
)
from service.store.reading import Spoken
from triage.digests import file_sha256
from triage.fluids import recognise_fluid
from triage.labelled_set import MANIFEST_FILE, LabelledImage, LabelledObject, write_labelled_set
from triage.records import Ellipse
from triage.zipped_set import zip_set


@dataclass(frozen=True)
class Gathered:
    """What goes into a set, the ids of images whose bytes an older specimen holds, and what doesn't fit."""

    images: list[LabelledImage]
    sources: list[Source]
    left_out: list[int]
    unfit: list[dict[str, Any]]


def export_labelled_set(
    database: Database, files: Files, rule: Rule, user: User, *, key: bytes
) -> LabelledSetRow:
    """Write a labelled set of the signed-off specimens that fit a rule as a zip file, and freeze it.

    Raises
    ------
    ConflictError
        If a specimen is not signed off, or none is, or nothing fits.
    """
    with database.read() as session:
        gathered = _gather(session, files, _choose_specimens(session, rule), rule)
    if not gathered.images and (gathered.unfit or not gathered.left_out):
        first = f" (first: {gathered.unfit[0]['why']})" if gathered.unfit else ""
        raise ConflictError(
            f"No picture of the chosen specimens fits the rule{first}. Ask for less, or sign off more."
        )
    with files.new_folder() as folder:
        labelled = write_labelled_set(
            Path(folder, "set"), gathered.images, key=key, rule=_without_names(rule)
        )
        zipped = zip_set(Path(folder, "set"), Path(folder, "set.zip"))
        frozen = {
            "rule": rule.to_json(),
            "report": describe_set(labelled, gathered.sources, gathered.unfit),
            "manifest_sha256": file_sha256(labelled.folder / MANIFEST_FILE),
            "zip_sha256": file_sha256(zipped),
        }
        with database.write() as session:
            row = specimens.add_labelled_set(
                session,
                n_images=len(labelled.annotations["images"]),
                n_annotations=len(labelled.annotations["annotations"]),
                left_out=gathered.left_out,
                created_by=user.id,
            )
            set_versions.add_version(session, set_id=row.id, **frozen)
            files.keep_labelled_set(row.id, zipped)
    return row


def _without_names(rule: Rule) -> dict[str, Any]:
    """The rule as it goes into the set: a microscope's name may be a person's."""
    values = rule.to_json()
    return {**values, "microscopes": None if rule.microscopes is None else len(rule.microscopes)}


def _choose_specimens(session: Session, rule: Rule) -> list[int]:
    """The signed-off specimens that a rule speaks of.

    Raises
    ------
    ConflictError
        If there is none.
    """
    chosen = _signed_off(session, rule.specimen_ids)
    signed_at = {one: row.created_at for one, row in specimens.sign_offs_of(session, chosen).items()}
    fitting = [one for one in chosen if rule.fits_sign_off(signed_at[one])]
    if not fitting:
        raise ConflictError(
            f"None of {len(chosen)} specimens was signed off between {rule.signed_from or 'the beginning'} "
            f"and {rule.signed_until or 'today'}. Choose other days."
        )
    return fitting


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


def _gather(session: Session, files: Files, specimen_ids: list[int], rule: Rule) -> Gathered:
    """Every image once: the same bytes in two specimens could end on both sides of a split."""
    gathered, seen = Gathered([], [], [], []), set[str]()
    states = images.list_image_states(session, specimen_ids)
    for specimen_id in specimen_ids:
        for state in states[specimen_id]:
            if state.image.sha256 in seen:
                gathered.left_out.append(state.image.id)
                continue
            seen.add(state.image.sha256)
            spoken = reading.list_spoken(session, [state.image.id])
            reads = reading.list_reads(session, [state.image.id])
            objection = rule.find_objection(
                microscope=_find_microscope(session, state),
                n_readers=len({one.read.reader_id for one in reads}),
                spoken=spoken,
            )
            if objection is not None:
                gathered.unfit.append({"image_id": state.image.id, "why": objection})
                continue
            gathered.images.append(_label_image(session, files, specimen_id, state, spoken))
            gathered.sources.append(Source(state.image.id, tuple(spoken)))
    return gathered


def _find_microscope(session: Session, state: ImageState) -> str | None:
    """The microscope whose calibration a picture was measured with."""
    if state.job.calibration_id is None:
        return None
    calibration = session.get(CalibrationRow, state.job.calibration_id)
    return None if calibration is None else calibration.microscope


def _label_image(
    session: Session, files: Files, specimen_id: int, state: ImageState, spoken: Sequence[Spoken]
) -> LabelledImage:
    preparation = session.get(Preparation, state.image.preparation_id)
    assert preparation is not None
    label = specimens.read_specimen(session, specimen_id).animal_label.strip()
    return LabelledImage(
        original=files.original(state.image.sha256),
        specimen=str(specimen_id),
        objects=tuple(labelled for one in spoken if (labelled := _label_object(one)) is not None),
        um_per_px=state.job.um_per_px,
        reads=tuple(f"read-{one.read.id}" for one in reading.list_reads(session, [state.image.id])),
        adjudications=tuple(f"adjudication-{row.id}" for one in spoken for row in one.adjudications),
        animal=label or None,
        coverslip=str(preparation.id),
        microscope=_find_microscope(session, state),
        solution=recognise_fluid(preparation.solution),
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
        readers=_list_agreeing(spoken, answer),
    )


def _list_agreeing(spoken: Spoken, answer: Said) -> tuple[str, ...]:
    """Who gave the answer that holds."""
    newest = {mark.reader_id: mark for mark in spoken.marks}
    agreeing = {
        reader
        for reader, mark in newest.items()
        if (mark.answer, mark.group, mark.reason) == (answer.answer, answer.group, answer.reason)
    }
    return tuple(str(reader) for reader in sorted({*agreeing, answer.reader_id}))
