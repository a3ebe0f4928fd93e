"""Whether the service is there."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from fastapi import APIRouter

from service.dependencies import WholePartsDep
from service.schemas import Health

router = APIRouter(tags=["health"])


@router.get("/health")
def read_health(parts: WholePartsDep) -> Health:
    """Answers without a sign-in."""
    return Health(status="ok", version=_version(), detector=parts.jobs.detector_name)


def _version() -> str:
    try:
        return version("coverslip-triage")
    except PackageNotFoundError:
        # Run from a checkout that was never installed.
        return "unknown"
