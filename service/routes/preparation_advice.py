"""What practice says of how a coverslip was made."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Annotated

from fastapi import APIRouter, Query

from service.dependencies import UserDep
from service.schemas import AdviceOut, PreparationFacts
from service.store.models import Preparation as PreparationRow
from service.store.models import Specimen
from triage.errors import RecordError
from triage.preparation import Advice, Preparation, check_preparation

router = APIRouter(tags=["preparations"])

# The fact that each rule is about, by its name when a specimen is filed.
FIELD_OF = {
    "method": "method",
    "usual specific gravity": "specific_gravity",
    "denser than the eggs": "specific_gravity",
    "thin walls": "specific_gravity",
    "standing time": "standing_min",
    "sample mass": "sample_g",
    "coverslip": "coverslip_mm",
    "vial": "vial_ml",
    "vial mouth": "vial_mouth_mm",
    "age of the sample": "collected_on",
    "kept cold": "collected_on",
    "drying": "prepared_at",
    "objectives": "objectives",
}
# Where on earth a day begins first and ends last.
_FIRST_ZONE, _LAST_ZONE = timezone(timedelta(hours=14)), timezone(timedelta(hours=-12))


@router.get("/preparation-advice")
def list_advice(facts: Annotated[PreparationFacts, Query()], user: UserDep) -> list[AdviceOut]:
    """Advice with its source, never a block; a fact that is left out gets none."""
    made = _to_preparation(facts, facts.filed_at or datetime.now(UTC))
    return [
        AdviceOut(rule=one.rule, field=FIELD_OF[one.rule], text=one.text, source=one.source, level=one.level)
        for one in check_preparation(made)
    ]


def advise_on(specimen: Specimen, row: PreparationRow) -> tuple[Advice, ...]:
    """Advice on a preparation on record, as it stood when the specimen was filed."""
    facts = PreparationFacts(
        collected_on=specimen.collected_on,
        filed_at=specimen.created_at,
        species=specimen.species,  # type: ignore[arg-type]
        **{name: getattr(row, name) for name in PreparationFacts.model_fields if hasattr(row, name)},
    )
    return check_preparation(_to_preparation(facts, specimen.created_at))


def _to_preparation(facts: PreparationFacts, filed_at: datetime) -> Preparation:
    age_hours = facts.hours_since_collection
    if age_hours is None and facts.collected_on is not None:
        age_hours = _least_age_hours(facts.collected_on, filed_at)
    return Preparation(
        method=facts.method,
        solution=facts.solution,
        specific_gravity=facts.specific_gravity,
        standing_min=facts.standing_min,
        sample_g=facts.sample_g,
        consistency=facts.consistency,
        coverslip_mm=facts.coverslip_mm,
        vial_ml=facts.vial_ml,
        vial_mouth_mm=facts.vial_mouth_mm,
        objectives=None if facts.objectives is None else tuple(facts.objectives),
        hours_since_collection=age_hours,
        hours_since_preparation=_hours(facts.prepared_at, filed_at) if facts.prepared_at else None,
        host=facts.species,
    )


def _least_age_hours(collected_on: date, filed_at: datetime) -> float:
    """Hours since that day ended everywhere: neither the hour nor the clinic's time zone is known."""
    if datetime.combine(collected_on, time.min, _FIRST_ZONE) > filed_at:
        raise RecordError(
            f"collected_on is {collected_on}, a day that hasn't come yet. Correct it or leave it out."
        )
    return _hours(datetime.combine(collected_on, time.max, _LAST_ZONE), filed_at)


def _hours(since: datetime, until: datetime) -> float:
    """0 where `since` lies ahead: clocks of two machines differ, and a time may be filled in beforehand."""
    return max(0.0, (until - since) / timedelta(hours=1))
