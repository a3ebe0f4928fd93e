"""What a signed record says, what stands in the way of signing it, and what an amendment changed."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass
from typing import Any

from service.drawn_alone import find_drawn_alone
from service.errors import ConflictError
from service.settle import current_answer, is_unsettled, needs_mark
from service.store import images, reading, specimens, versions
from service.store.database import Session
from service.store.models import Preparation, Specimen
from service.store.reading import Spoken
from service.store.versions import Amendment, RecordVersion

_FACTS = ("code", "species", "animal_label", "remarks")
_PREPARATION_FACTS = (
    "method",
    "solution",
    "specific_gravity",
    "sample_g",
    "consistency",
    "standing_min",
    "coverslip_mm",
    "vial_ml",
    "vial_mouth_mm",
    "objectives",
)


@dataclass(frozen=True)
class Change:
    """One thing that a version says otherwise than the one before it.

    Attributes
    ----------
    image_id, candidate_id : int or None
        What it is about; both None for a fact of the specimen, `candidate_id` None for a whole picture.
    before, after : dict or None
        None where there was nothing, or is nothing any more.
    """

    image_id: int | None
    candidate_id: int | None
    before: dict[str, Any] | None
    after: dict[str, Any] | None


@dataclass(frozen=True)
class SignedVersion:
    """A version with the amendment that led to it (None for the first), and what it changed."""

    version: RecordVersion
    amendment: Amendment | None
    changes: tuple[Change, ...]


def say_record(session: Session, specimen: Specimen) -> dict[str, Any]:
    """What a signature stands under: facts, pictures with their scales, and what holds of each candidate."""
    states = images.list_image_states(session, [specimen.id])[specimen.id]
    spoken = reading.list_spoken(session, [state.image.id for state in states])
    return {
        "specimen": {name: getattr(specimen, name) for name in _FACTS},
        "preparations": {
            str(row.id): _say_preparation(row) for row in specimens.list_preparations(session, specimen.id)
        },
        "images": {
            str(state.image.id): {
                "sha256": state.image.sha256,
                "um_per_px": state.job.um_per_px,
                "um_per_px_sd": state.job.um_per_px_sd,
            }
            for state in states
        },
        "answers": {str(one.candidate.id): said for one in spoken if (said := _say_answer(one)) is not None},
    }


def list_signed(session: Session, specimen_id: int) -> list[SignedVersion]:
    """The signed versions, oldest first, each with what it changed of the one before."""
    amendments = {row.number: row for row in versions.list_amendments(session, specimen_id)}
    signed: list[SignedVersion] = []
    for row in versions.list_versions(session, specimen_id):
        changes = compare(signed[-1].version.content, row.content) if signed else ()
        signed.append(SignedVersion(row, amendments.get(row.number), changes))
    return signed


def compare(before: dict[str, Any], after: dict[str, Any]) -> tuple[Change, ...]:
    """What one version says otherwise than another, answers last."""
    changes = [
        Change(
            None, None, {"fact": name, "value": before["specimen"].get(name)}, {"fact": name, "value": value}
        )
        for name, value in after["specimen"].items()
        if before["specimen"].get(name) != value
    ]
    for number, (old, new) in _differing(before["preparations"], after["preparations"]):
        changes.append(Change(None, None, _name_preparation(number, old), _name_preparation(number, new)))
    for number, (old, new) in _differing(before["images"], after["images"]):
        changes.append(Change(int(number), None, old, new))
    for number, (old, new) in _differing(before["answers"], after["answers"]):
        if old is None or new is None or _core(old) != _core(new):
            changes.append(Change((new or old or {})["image_id"], int(number), old, new))
    return tuple(changes)


def refuse_if_unfinished(session: Session, specimen_id: int) -> None:
    """Let only a specimen pass whose every candidate is marked and settled.

    Raises
    ------
    ConflictError
        If something is open; its extensions list what.
    """
    states = images.list_image_states(session, [specimen_id])[specimen_id]
    image_ids = [state.image.id for state in states]
    if not image_ids:
        raise ConflictError("The specimen has no picture yet, so there is nothing to sign off.")
    spoken = reading.list_spoken(session, image_ids)
    unmarked = [_point_at(one) for one in spoken if needs_mark(one)]
    unsettled = [_point_at(one) for one in spoken if is_unsettled(one)]
    alone = [_point_at(one.spoken) for one in find_drawn_alone(session, specimen_id)]
    not_ready = [state.image.id for state in states if state.job.state != "ready"]
    open_reads = [
        state.read.image_id for state in reading.list_reads(session, image_ids) if state.is_withholding
    ]
    looks = [
        state.look.id for state in specimens.list_second_looks(session, specimen_id) if state.closing is None
    ]
    reasons = [
        _count(unmarked, "candidate is unmarked", "candidates are unmarked"),
        _count(unsettled, "candidate has marks that differ", "candidates have marks that differ"),
        _count(alone, "object was drawn by one reader alone", "objects were drawn by one reader alone"),
        _count(not_ready, "picture is not ready", "pictures are not ready"),
        _count(open_reads, "unaided read is open", "unaided reads are open"),
        _count(looks, "second look is open", "second looks are open"),
    ]
    if any(reasons):
        raise ConflictError(
            f"The specimen can't be signed off yet: {', '.join(filter(None, reasons))}.",
            unmarked=unmarked,
            unsettled=unsettled,
            drawn_alone=alone,
            not_ready=not_ready,
            open_reads=open_reads,
            open_second_looks=looks,
        )


def _say_preparation(row: Preparation) -> dict[str, Any]:
    return {name: getattr(row, name) for name in _PREPARATION_FACTS}


def _say_answer(spoken: Spoken) -> dict[str, Any] | None:
    answer = current_answer(spoken)
    if answer is None:
        return None
    return {
        "image_id": spoken.candidate.image_id,
        "bbox": list(spoken.candidate.said["bbox"]),
        "answer": answer.answer,
        "group": answer.group,
        "reason": answer.reason,
        "by": answer.reader_id,
        "at": answer.created_at.isoformat(),
    }


def _name_preparation(number: str, said: dict[str, Any] | None) -> dict[str, Any] | None:
    return None if said is None else {"preparation": int(number), **said}


def _core(said: dict[str, Any]) -> tuple[Any, ...]:
    """What counts of an answer: the same word, said again by another, changes nothing."""
    return said["answer"], said["group"], said["reason"]


def _differing(
    before: dict[str, Any], after: dict[str, Any]
) -> list[tuple[str, tuple[dict[str, Any] | None, dict[str, Any] | None]]]:
    names: Sequence[str] = sorted({*before, *after}, key=int)
    return [
        (name, (before.get(name), after.get(name))) for name in names if before.get(name) != after.get(name)
    ]


def _count(open_items: Sized, one: str, many: str) -> str:
    return f"{len(open_items)} {one if len(open_items) == 1 else many}" if open_items else ""


def _point_at(spoken: Spoken) -> dict[str, int | None]:
    row = spoken.candidate
    return {"image_id": row.image_id, "candidate_id": row.id, "rank": row.rank}
