"""Pictures that nobody in a hospital marked, in the order in which marking them would teach most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.present import View
from service.store import images, reading, specimens
from service.store.images import ImageState
from service.store.models import ProposalRow, Specimen
from service.store.reading import Spoken
from triage.label_next import MEASURED, Chosen, PictureSaid, describe_said, rank_to_label

# Pictures beyond the newest are old news, and would take long to weigh.
MOST_SPECIMENS = 200
_FOUND_IN = {"sharpness": "focus", "contrast": "light", "evenness": "light"}


@dataclass(frozen=True)
class NextPicture:
    """A picture without marks, with what it would teach."""

    specimen: Specimen
    state: ImageState
    chosen: Chosen


def list_next(view: View, *, limit: int) -> list[NextPicture]:
    """The pictures to mark next, the most teaching first; those withheld from this person are left out."""
    session = view.session
    newest = specimens.list_specimens(session, limit=MOST_SPECIMENS, before=None)
    by_id = {one.id: one for one in newest}
    signed = specimens.sign_offs_of(session, list(by_id))
    states = [
        (specimen_id, state)
        for specimen_id, of_one in images.list_image_states(session, list(by_id)).items()
        for state in of_one
        if state.job.state == "ready"
    ]
    image_ids = [state.image.id for _, state in states]
    withheld = reading.withheld_ids(session, image_ids, reader_id=view.user.id)
    proposals = images.newest_proposals(session, image_ids)
    spoken: dict[int, list[Spoken]] = {image_id: [] for image_id in image_ids}
    for one in reading.list_spoken(session, image_ids):
        spoken[one.candidate.image_id].append(one)
    open_ones, labelled = [], []
    for specimen_id, state in states:
        number = state.image.id
        if number not in proposals or number in withheld:
            continue
        said = _describe(proposals[number], spoken[number])
        if specimen_id in signed:
            labelled.append(said)
        elif not any(one.marks or one.adjudications for one in spoken[number]):
            open_ones.append((by_id[specimen_id], state, said))
    ranked = rank_to_label([said for _, _, said in open_ones], labelled)
    return [NextPicture(*open_ones[one.index][:2], one) for one in ranked[:limit]]


def _describe(proposal: ProposalRow, spoken: Sequence[Spoken]) -> PictureSaid:
    tool = [one.candidate.said for one in spoken if one.candidate.origin == "tool"]
    return describe_said(tool, _measured_of(proposal.head.get("adequacy") or {}))


def _measured_of(adequacy: dict[str, Any]) -> dict[str, float | None]:
    """What was measured of focus and light, where it was."""
    return {name: (adequacy.get(_FOUND_IN[name]) or {}).get(name) for name in MEASURED}
