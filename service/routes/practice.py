"""How much practice is asked for, how far people have come, and whose reads need another pair of eyes."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.accounts import has_role
from service.dependencies import DatabaseDep, IdPath, ReaderDep, UserDep
from service.practice_schemas import (
    LearnerNoteOut,
    PracticeRuleIn,
    PracticeRuleOut,
    PracticeStandingOut,
    StandingOut,
)
from service.present import View, view_for
from service.routes.practice_collections import TeacherDep
from service.schemas import UserOut
from service.store import learners, people, practice, specimens
from service.store.models import User
from service.store.practice import PracticeRule
from triage.groups import find_group
from triage.practice import GroupStanding

router = APIRouter(tags=["practice"])


@router.get("/practice/rule")
def read_rule(user: ReaderDep, database: DatabaseDep) -> PracticeRuleOut | None:
    """How much practice comes before somebody with the role of reader reads alone; null asks for none."""
    with database.read() as session:
        rule = practice.newest_rule(session, hospital_id=user.hospital_id)
        return None if rule is None else _present_rule(view_for(session, user), rule)


@router.post("/practice/rule", status_code=status.HTTP_201_CREATED)
def set_rule(body: PracticeRuleIn, user: TeacherDep, database: DatabaseDep) -> PracticeRuleOut:
    """Ask for another amount of practice from now on; a veterinarian may."""
    with database.write() as session:
        rule = practice.add_rule(
            session,
            objects_per_group=body.objects_per_group,
            share_right=body.share_right,
            user_id=user.id,
        )
        return _present_rule(view_for(session, user), rule)


@router.get("/practice/me")
def read_own_standing(user: ReaderDep, database: DatabaseDep) -> PracticeStandingOut:
    """How far you have come in each group that slides are there for."""
    with database.read() as session:
        return _present_standing(view_for(session, user), user)


@router.get("/practice/people")
def list_standings(user: TeacherDep, database: DatabaseDep) -> list[PracticeStandingOut]:
    """How far everybody who reads has come, in the order of their names."""
    with database.read() as session:
        view = view_for(session, user)
        return [
            _present_standing(view, one)
            for one in people.list_users(session, user.hospital_id)
            if has_role(one, "reader")
        ]


@router.get("/specimens/{specimen_id}/learner-reads")
def list_learner_reads(specimen_id: IdPath, user: UserDep, database: DatabaseDep) -> list[LearnerNoteOut]:
    """Who began to read a specimen before the practice was done; a second look was then asked of others."""
    with database.read() as session:
        specimens.read_specimen(session, specimen_id)
        view = view_for(session, user)
        return [
            LearnerNoteOut(
                reader=(reader := view.person(one.learner.reader_id)),
                created_at=one.learner.created_at,
                looked_again_at=None if one.closing is None else one.closing.closed_at,
                words=_tell(reader.display_name, is_done=one.closing is not None),
            )
            for one in learners.list_learners(session, specimen_id)
        ]


def _tell(name: str, *, is_done: bool) -> str:
    read = f"{name} read this specimen before the practice that this hospital asks for was done."
    if is_done:
        return f"{read} The second look that was asked for it is done."
    return f"{read} It needs a second look, which was asked automatically; nothing is held back."


def _present_rule(view: View, rule: PracticeRule) -> PracticeRuleOut:
    return PracticeRuleOut(
        id=rule.id,
        objects_per_group=rule.objects_per_group,
        share_right=rule.share_right,
        created_at=rule.created_at,
        created_by=view.person(rule.created_by),
    )


def _present_standing(view: View, user: User) -> PracticeStandingOut:
    where = {"reader_id": user.id, "hospital_id": user.hospital_id}
    return PracticeStandingOut(
        person=UserOut.model_validate(user),
        is_asked=user.role == learners.LEARNING_ROLE,
        is_learning=learners.is_learning(view.session, **where),
        groups=[_present_group(one) for one in practice.find_standing(view.session, **where)],
    )


def _present_group(one: GroupStanding) -> StandingOut:
    values = {name: getattr(one, name) for name in StandingOut.model_fields if name != "label"}
    return StandingOut(**values, label=find_group(one.group).label)
