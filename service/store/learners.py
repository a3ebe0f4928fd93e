"""Who reads before the practice that the hospital asks for is done: a second look is asked automatically."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ForeignKey, UniqueConstraint, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.store import people, practice, specimens
from service.store.models import Base, SecondLookClosing, utc_now

APPEND_ONLY = ("learner_reads",)
# The role that the rule speaks of; who may do more has learnt elsewhere.
LEARNING_ROLE = "reader"


class LearnerRead(Base):
    """That somebody began to read a specimen before the practice was done, and the second look it led to."""

    __tablename__ = "learner_reads"
    __table_args__ = (UniqueConstraint("specimen_id", "reader_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"))
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"))
    second_look_id: Mapped[int] = mapped_column(ForeignKey("second_looks.id"))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


@dataclass(frozen=True)
class LearnerState:
    """A learner's read of a specimen; `closing` once the second look is done."""

    learner: LearnerRead
    closing: SecondLookClosing | None


def is_learning(session: Session, *, reader_id: int, hospital_id: int) -> bool:
    """Whether the hospital asks for practice that this reader has not done yet."""
    user = people.find_user(session, user_id=reader_id, hospital_id=hospital_id)
    if user is None or user.role != LEARNING_ROLE:
        return False
    rule = practice.newest_rule(session, hospital_id=hospital_id)
    if rule is None or rule.objects_per_group == 0:
        return False
    standing = practice.find_standing(session, reader_id=reader_id, hospital_id=hospital_id)
    return not all(one.is_enough for one in standing)


def ask_second_look(session: Session, *, image_id: int, reader_id: int) -> LearnerRead | None:
    """Ask anybody else for a blind second look where a learner begins to read; once for each specimen."""
    specimen = specimens.specimen_of_image(session, image_id)
    known = (LearnerRead.specimen_id == specimen.id) & (LearnerRead.reader_id == reader_id)
    if session.scalar(select(LearnerRead.id).where(known)) is not None:
        return None
    if not is_learning(session, reader_id=reader_id, hospital_id=specimen.hospital_id):
        return None
    look = specimens.add_second_look(
        session, specimen_id=specimen.id, asked_by=reader_id, reader_id=None, is_blind=True
    )
    row = LearnerRead(specimen_id=specimen.id, reader_id=reader_id, second_look_id=look.id)
    session.add(row)
    session.flush()
    return row


def list_learners(session: Session, specimen_id: int) -> list[LearnerState]:
    """Who read a specimen while still learning, and whether the second look is done."""
    wanted = (
        select(LearnerRead, SecondLookClosing)
        .outerjoin(SecondLookClosing, SecondLookClosing.second_look_id == LearnerRead.second_look_id)
        .where(LearnerRead.specimen_id == specimen_id)
        .order_by(LearnerRead.id)
    )
    return [LearnerState(row, closing) for row, closing in session.execute(wanted)]
