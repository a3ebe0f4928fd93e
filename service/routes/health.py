"""Whether the service is there."""

from __future__ import annotations

from fastapi import APIRouter

from service.dependencies import WholePartsDep
from service.own_version import read_own_version
from service.schemas import Health

router = APIRouter(tags=["health"])


@router.get("/health")
def read_health(parts: WholePartsDep) -> Health:
    """Answers without a sign-in."""
    return Health(status="ok", version=read_own_version(), detector=parts.jobs.detector_name)
