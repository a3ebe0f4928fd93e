"""What a candidate may be mistaken for, with examples that readers of this hospital signed off."""

from __future__ import annotations

from collections.abc import Sequence

from service.reading_schemas import ExampleOut, LikenessOut
from service.settle import current_answer
from service.store import reading
from service.store.database import Session
from service.store.models import CandidateRow
from service.store.versions import find_signed
from triage.groups import find_group

MOST_LIKENESSES = 3
MOST_EXAMPLES = 3
# Marks that other marks overruled are passed over, so a few more than needed are looked at.
_LOOKED_AT = 40


def list_likenesses(session: Session, candidate: CandidateRow) -> list[LikenessOut]:
    """The groups and look-alikes that score highest for a candidate, its own group first."""
    return [
        LikenessOut(
            name=name,
            kind=find_group(name).kind,  # type: ignore[arg-type]
            label=find_group(name).label,
            appearance=find_group(name).appearance,
            examples=_list_examples(session, name, candidate),
        )
        for name in _likely_names(candidate)
    ]


def _likely_names(candidate: CandidateRow) -> Sequence[str]:
    said = candidate.said
    scores = {**(said.get("group_scores") or {}), **(said.get("look_alike_scores") or {})}
    ranked = sorted(scores, key=lambda name: -scores[name])
    return list(dict.fromkeys((candidate.group, *ranked)))[:MOST_LIKENESSES]


def _list_examples(session: Session, name: str, candidate: CandidateRow) -> list[ExampleOut]:
    found: dict[int, ExampleOut] = {}
    signed = find_signed(session)
    for row, code, specimen_id in reading.list_marked_as(session, name, but=candidate.id, limit=_LOOKED_AT):
        if specimen_id not in signed:
            continue
        if row.id not in found and len(found) < MOST_EXAMPLES and _holds(session, row, name):
            found[row.id] = ExampleOut(
                candidate_id=row.id,
                specimen_code=code,
                length_um=row.said["length_um"],
                width_um=row.said["width_um"],
            )
    return list(found.values())


def _holds(session: Session, row: CandidateRow, name: str) -> bool:
    answer = current_answer(reading.spoken_of(session, row))
    return answer is not None and name in (answer.group, answer.reason) and answer.answer != "unsure"
