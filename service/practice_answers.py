"""What a learner is told of each object: what it is, how it looks, and the published sizes of its group."""

from __future__ import annotations

from service.practice_schemas import AnswerOut, KnownSizeOut
from triage.groups import Group, find_group
from triage.morphometrics import find_references
from triage.practice import MISSED, NOT_COUNTED, NOT_THERE, OTHER_GROUP, RIGHT, Outcome


def explain(outcome: Outcome) -> AnswerOut:
    """An outcome with its reasons."""
    known = None if outcome.known is None else find_group(outcome.known)
    said = None if outcome.said is None else find_group(outcome.said)
    return AnswerOut(
        result=outcome.result,  # type: ignore[arg-type]
        bbox=list(outcome.bbox_xywh),
        known=outcome.known,
        known_label=None if known is None else known.label,
        said=outcome.said,
        said_label=None if said is None else said.label,
        reasons=_list_reasons(outcome, known, said),
        sizes=[] if known is None else _list_sizes(known),
    )


def _list_reasons(outcome: Outcome, known: Group | None, said: Group | None) -> list[str]:
    reasons = []
    if known is not None:
        reasons.append(f"{known.label}: {known.appearance}.")
        if outcome.length_um is not None and outcome.width_um is not None:
            reasons.append(f"It is {outcome.length_um:.0f} µm long and {outcome.width_um:.0f} µm wide.")
    if outcome.result == OTHER_GROUP and said is not None:
        reasons.append(f"You called it {said.label}: {said.appearance}.")
    if outcome.result == RIGHT and known != said and said is not None:
        reasons.append(f"You called it {said.label}; telling it from an egg is what counts.")
    if outcome.result == NOT_THERE:
        reasons.append(
            "Nothing that is to be found was labelled here. Labels can be wrong: ask a veterinarian where "
            "you are sure."
        )
    if outcome.result == NOT_COUNTED:
        reasons.append("What is here was left open, or is no object to be found, so it counts neither way.")
    if outcome.result == MISSED:
        reasons.append("You had no box here.")
    return reasons


def _list_sizes(group: Group) -> list[KnownSizeOut]:
    return [
        KnownSizeOut.model_validate(one)
        for one in find_references(group.name)
        if one.length_range_um is not None or one.width_range_um is not None
    ]
