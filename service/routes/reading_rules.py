"""Whether a specimen is read unaided first, or may be read with proposals at once."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.accounts import require_role
from service.dependencies import AdministratorDep, DatabaseDep, IdPath, UserDep
from service.present import View, view_for
from service.reading_schemas import RuleIn, RuleOut
from service.store import reading_rules, specimens
from service.store.models import HospitalReadingRule, ReadingRule

router = APIRouter(tags=["reading rules"])


@router.get("/specimens/{specimen_id}/reading-rules")
def list_rules(specimen_id: IdPath, user: UserDep, database: DatabaseDep) -> list[RuleOut]:
    """The rules of a specimen, oldest first: the last one holds. Without any, each reader chooses."""
    with database.read() as session:
        specimens.read_specimen(session, specimen_id)
        view = view_for(session, user)
        return [_present(view, row) for row in reading_rules.list_rules(session, specimen_id)]


@router.post("/specimens/{specimen_id}/reading-rules", status_code=status.HTTP_201_CREATED)
def add_rule(specimen_id: IdPath, body: RuleIn, user: UserDep, database: DatabaseDep) -> RuleOut:
    """Ask for unaided reads first, or allow proposals at once; a veterinarian may, and it stays on record."""
    require_role(user, "veterinarian")
    with database.write() as session:
        specimen = specimens.read_specimen(session, specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        row = reading_rules.add_rule(
            session, specimen_id=specimen_id, rule=body.rule, reason=body.reason, user_id=user.id
        )
        return _present(view_for(session, user), row)


@router.get("/reading-rules")
def list_hospital_rules(user: UserDep, database: DatabaseDep) -> list[RuleOut]:
    """The rules of your hospital, oldest first: new specimens begin with the last one."""
    with database.read() as session:
        view = view_for(session, user)
        return [_present(view, row) for row in reading_rules.list_hospital_rules(session)]


@router.post("/reading-rules", status_code=status.HTTP_201_CREATED)
def add_hospital_rule(body: RuleIn, user: AdministratorDep, database: DatabaseDep) -> RuleOut:
    """Say what new specimens of your hospital begin with; those on file keep their own."""
    with database.write() as session:
        row = reading_rules.add_hospital_rule(session, rule=body.rule, reason=body.reason, user_id=user.id)
        return _present(view_for(session, user), row)


def _present(view: View, row: ReadingRule | HospitalReadingRule) -> RuleOut:
    return RuleOut(
        id=row.id,
        rule=row.rule,  # type: ignore[arg-type]
        reason=row.reason,
        created_by=view.person(row.created_by),
        created_at=row.created_at,
        of_hospital=isinstance(row, HospitalReadingRule) or row.hospital_rule_id is not None,
    )
