"""How a specimen came to be read as it was: the rule, changes after a lock, tails rejected in one act."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.present import View
from service.store import changes, contact_sheets, reading, reading_rules, withdrawals
from service.store.contact_sheets import SheetState
from service.store.models import ChangeAfterLock, MarkRow


def tell_rules(view: View, specimen_id: int, words: dict[str, Any]) -> list[str]:
    """Each rule that held, oldest first."""
    said = words["record"]
    lines = [
        said[f"rule_{row.rule}"].format(
            whose=said["rule_of_hospital"] if row.hospital_rule_id is not None else "",
            name=view.names[row.created_by],
            at=tell_time(row.created_at),
            reason=row.reason,
        )
        for row in reading_rules.list_rules(view.session, specimen_id)
    ]
    return lines or [said["rule_none"]]


def tell_changes(
    view: View, names: dict[int, str], objects: dict[int, str], words: dict[str, Any]
) -> list[str]:
    """Each mark that says something else than its reader's locked unaided read, with its direction.

    Parameters
    ----------
    names : dict
        The pictures of the specimen by id.
    objects : dict
        What candidates are called, by id; what was taken back or replaced is not among them.
    """
    return [
        _tell_change(view, change, mark, (_name(mark, objects, words), names[state.read.image_id]), words)
        for state in reading.list_reads(view.session, list(names))
        for change, mark in changes.list_changes(view.session, state.read.id)
    ]


def _tell_change(
    view: View, change: ChangeAfterLock, mark: MarkRow, where: tuple[str, str], words: dict[str, Any]
) -> str:
    said = words["record"]
    return str(
        said["change"].format(
            object=where[0],
            picture=where[1],
            name=view.names[mark.reader_id],
            at=tell_time(mark.created_at),
            before=_tell_answer(change.before_answer, change.before_group, words),
            after=_tell_answer(mark.answer, mark.reason or mark.group, words),
            direction=said[f"change_{change.direction}"],
        )
    )


def _name(mark: MarkRow, objects: dict[int, str], words: dict[str, Any]) -> str:
    return objects.get(mark.candidate_id) or str(words["record"]["no_longer_listed"])


def _tell_answer(answer: str | None, what: str | None, words: dict[str, Any]) -> str:
    name = {**words["groups"], **words["look_alikes"]}.get(what or "", what or "")
    return str(words["record"][f"answer_{answer or 'none'}"].format(what=name))


def tell_tails(view: View, names: dict[int, str], words: dict[str, Any]) -> list[str]:
    """Each act that rejected the tail of a ranking at once."""
    return [
        _tell_tail(view, state, picture, words)
        for image_id, picture in names.items()
        for state in contact_sheets.list_rejected(view.session, image_id)
    ]


def _tell_tail(view: View, state: SheetState, picture: str, words: dict[str, Any]) -> str:
    said, rejection = words["record"], state.rejection
    assert rejection is not None
    line = said["tail"].format(
        n=len(state.sheet.candidate_ids),
        picture=picture,
        name=view.names[state.sheet.reader_id],
        at=tell_time(rejection.created_at),
        reason=words["look_alikes"].get(rejection.reason, rejection.reason),
    )
    n_back = len(withdrawals.withdrawn_ids(view.session, rejection.mark_ids))
    return f"{line} {said['tail_taken_back'].format(n=n_back)}" if n_back else str(line)


def tell_time(at: datetime) -> str:
    """A moment, in UTC."""
    return at.strftime("%Y-%m-%d %H:%M UTC")
