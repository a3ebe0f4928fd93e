"""`create_app(settings)`: routers, error handlers and static files; no logic."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles
from xstatic.pkg import leaflet

from service import pages
from service.accounts import Accounts
from service.dependencies import Parts
from service.errors import add_error_handlers
from service.headers import BodyLimit, SecurityHeaders
from service.jobs import Jobs
from service.ownership import check_paths
from service.routes import (
    amendments,
    bench,
    calibration_pictures,
    calibrations,
    candidates,
    comparisons,
    contact_sheets,
    detectors,
    differences,
    doctor_calls,
    event_log,
    groups,
    health,
    images,
    labelled_sets,
    links,
    marks,
    next_to_label,
    papers,
    practice,
    practice_collections,
    practice_slides,
    preparation_advice,
    proposals,
    readers,
    reading_places,
    reading_rules,
    reads,
    scale_measurements,
    second_looks,
    session,
    settling_offers,
    shown_twice,
    sign_ins,
    specimens,
    stitchings,
    tokens,
    trainings,
    uploads,
    users,
    waiting,
)
from service.settings import Settings, read_session_secret
from service.stores import open_stores
from service.uploads import Uploads
from triage.records import Detector

STATIC = Path(__file__).parent / "web" / "static"
NOUNS = (
    stitchings,
    shown_twice,
    health,
    session,
    sign_ins,
    tokens,
    users,
    links,
    groups,
    calibrations,
    calibration_pictures,
    scale_measurements,
    specimens,
    amendments,
    event_log,
    papers,
    preparation_advice,
    bench,
    images,
    proposals,
    uploads,
    candidates,
    marks,
    reads,
    reading_places,
    reading_rules,
    differences,
    comparisons,
    contact_sheets,
    doctor_calls,
    settling_offers,
    waiting,
    second_looks,
    readers,
    practice,
    practice_collections,
    practice_slides,
    next_to_label,
    labelled_sets,
    trainings,
    detectors,
)


def create_app(settings: Settings, *, detector: Detector | None = None) -> FastAPI:
    """The service; its work starts and stops with the app's lifespan, one app at a time in a process.

    Parameters
    ----------
    settings : Settings
    detector : Detector, optional
        Used instead of the weights that the settings name.

    Raises
    ------
    WeightsError
        If the weights are missing or damaged.
    """
    parts = _make_parts(settings, detector)
    in_parts = Uploads(parts)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await run_in_threadpool(parts.jobs.start)
        await run_in_threadpool(in_parts.start)
        yield
        await run_in_threadpool(parts.jobs.stop)
        await run_in_threadpool(in_parts.stop)
        parts.database.close()

    app = FastAPI(
        title="Coverslip triage",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.parts = parts
    app.state.uploads = in_parts
    app.add_middleware(BodyLimit)
    app.add_middleware(SecurityHeaders)
    add_error_handlers(app)
    api = APIRouter(prefix="/api")
    for noun in NOUNS:
        check_paths(noun.router.routes)
        api.include_router(noun.router)
    app.include_router(api)
    app.include_router(pages.router)
    app.mount("/static/leaflet", StaticFiles(directory=leaflet.BASE_DIR))
    app.mount("/static", StaticFiles(directory=STATIC))
    return app


def _make_parts(settings: Settings, detector: Detector | None) -> Parts:
    database, files = open_stores(settings)
    accounts = Accounts(
        database,
        read_session_secret(settings),
        session_hours=settings.session_hours,
        idle_minutes=settings.session_idle_minutes,
        tries_per_minute=settings.sign_in_tries_per_minute,
        link_hours=settings.link_hours,
    )
    return Parts(settings, database, files, accounts, Jobs(settings, database, files, detector))
