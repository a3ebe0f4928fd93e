"""Whether a specimen is read unaided first; without a rule each reader chooses."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.models import HospitalReadingRule, Image, Preparation, ReadingRule, Specimen
from service.store.versions import find_signed

UNAIDED_FIRST = "unaided_first"


def add_rule(session: Session, *, specimen_id: int, rule: str, reason: str, user_id: int) -> ReadingRule:
    """A rule that holds from now on."""
    row = ReadingRule(specimen_id=specimen_id, rule=rule, reason=reason, created_by=user_id)
    session.add(row)
    session.flush()
    return row


def add_hospital_rule(session: Session, *, rule: str, reason: str, user_id: int) -> HospitalReadingRule:
    """What new specimens of the hospital begin with from now on."""
    row = HospitalReadingRule(rule=rule, reason=reason, created_by=user_id)
    session.add(row)
    session.flush()
    return row


def list_hospital_rules(session: Session) -> list[HospitalReadingRule]:
    """All rules that the hospital ever had, oldest first: the last one holds."""
    return list(session.scalars(select(HospitalReadingRule).order_by(HospitalReadingRule.id)))


def begin_with_hospital_rule(session: Session, specimen: Specimen) -> ReadingRule | None:
    """The hospital's rule put on a new specimen; None where the hospital has none."""
    known = list_hospital_rules(session)
    if not known:
        return None
    newest = known[-1]
    row = ReadingRule(
        specimen_id=specimen.id,
        rule=newest.rule,
        reason=newest.reason,
        created_by=newest.created_by,
        hospital_rule_id=newest.id,
    )
    session.add(row)
    session.flush()
    return row


def list_rules(session: Session, specimen_id: int) -> list[ReadingRule]:
    """All rules that a specimen ever had, oldest first."""
    wanted = select(ReadingRule).where(ReadingRule.specimen_id == specimen_id)
    return list(session.scalars(wanted.order_by(ReadingRule.id)))


def unaided_first_ids(session: Session, image_ids: Sequence[int]) -> set[int]:
    """Those of some images whose specimen's newest rule asks for an unaided read, and is not signed off."""
    wanted = (
        select(Image.id, ReadingRule.rule, ReadingRule.specimen_id)
        .join(Preparation, Preparation.id == Image.preparation_id)
        .join(ReadingRule, ReadingRule.specimen_id == Preparation.specimen_id)
        .where(Image.id.in_(image_ids))
        .order_by(ReadingRule.id)
    )
    newest = {image_id: (rule, specimen_id) for image_id, rule, specimen_id in session.execute(wanted)}
    asked = {
        image_id: specimen_id for image_id, (rule, specimen_id) in newest.items() if rule == UNAIDED_FIRST
    }
    signed = find_signed(session, list(asked.values())) if asked else {}
    return {image_id for image_id, specimen_id in asked.items() if specimen_id not in signed}
