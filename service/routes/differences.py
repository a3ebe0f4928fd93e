"""What a reader found alone, beside what the tool proposes, and what the reader changed afterwards."""

from __future__ import annotations

from fastapi import APIRouter

from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.errors import ConflictError, NotAllowedError
from service.present import View, view_for
from service.reading_schemas import ChangeOut, DifferencesOut, PairOut
from service.store import changes, reading, specimens
from service.store.changes import Pairs
from service.store.models import ChangeAfterLock, MarkRow

router = APIRouter(tags=["differences"])


@router.get("/reads/{read_id}/differences")
def read_differences(read_id: IdPath, user: ReaderDep, database: DatabaseDep) -> DifferencesOut:
    """Found by both, only by you, only by the tool; and every change since you locked your read."""
    with database.read() as session:
        read = reading.read_read(session, read_id)
        specimens.specimen_of_image(session, read.image_id)
        if read.reader_id != user.id:
            raise NotAllowedError("Only its own reader may compare a read with the proposals.")
        locked_at = reading.locked_at(session, read_id)
        if read.mode != "unaided" or locked_at is None:
            raise ConflictError(
                f"Read {read_id} is not a locked unaided read, so there is nothing to compare."
            )
        if reading.is_withheld(session, image_id=read.image_id, reader_id=user.id):
            raise ConflictError("You have begun another unaided read of this image. Lock it first.")
        found = changes.pair_finds(session, image_id=read.image_id, reader_id=user.id, until=locked_at)
        view = view_for(session, user)
        own_ids, tool_ids = _unpaired(found)
        return DifferencesOut(
            read_id=read_id,
            locked_at=locked_at,
            both=_present_pairs(found),
            only_reader=own_ids,
            only_tool=tool_ids,
            changes=[_change(view, *one) for one in changes.list_changes(session, read_id)],
        )


def _present_pairs(found: Pairs) -> list[PairOut]:
    rows = {one.candidate.id: one.candidate for one in (*found.own, *found.tool)}
    return [
        PairOut(
            object_id=own_id,
            candidate_id=tool_id,
            object_group=rows[own_id].group,
            candidate_group=rows[tool_id].group,
            below_cut=not rows[tool_id].is_above_cut,
        )
        for own_id, tool_id in found.pairs
    ]


def _unpaired(found: Pairs) -> tuple[list[int], list[int]]:
    """Own finds that the tool has not, and the tool's above the cut that the reader has not."""
    paired = {number for pair in found.pairs for number in pair}
    own = [one.candidate.id for one in found.own if one.candidate.id not in paired]
    tool = [one.candidate for one in found.tool if one.candidate.id not in paired]
    return own, [row.id for row in tool if row.is_above_cut]


def _change(view: View, change: ChangeAfterLock, mark: MarkRow) -> ChangeOut:
    return ChangeOut(
        candidate_id=mark.candidate_id,
        mark=view.mark(mark),
        before_answer=change.before_answer,
        before_group=change.before_group,
        direction=change.direction,  # type: ignore[arg-type]
    )
