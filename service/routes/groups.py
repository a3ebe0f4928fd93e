"""The group table."""

from __future__ import annotations

from fastapi import APIRouter

from service.dependencies import UserDep
from service.schemas import GroupOut
from triage.groups import read_groups

router = APIRouter(tags=["groups"])


@router.get("/groups")
def list_groups(user: UserDep) -> list[GroupOut]:
    """What a candidate may resemble, then what it may be mistaken for."""
    return [GroupOut.model_validate(group) for group in read_groups()]
