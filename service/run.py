"""Runs the service, `serve(settings)`, or a process that only takes work off it, `work(settings)`."""

from __future__ import annotations

import signal
import threading

import uvicorn

from service.app import create_app
from service.jobs import Jobs
from service.settings import Settings
from service.stores import open_stores
from triage.errors import RecordError
from triage.records import Detector


def serve(settings: Settings, *, detector: Detector | None = None) -> None:
    """Serve until a signal comes; unfinished work is resumed at the next start.

    Parameters
    ----------
    settings : Settings
        `host` and `port` say where.
    detector : Detector, optional
        Used instead of the weights that the settings name.
    """
    app = create_app(settings, detector=detector)
    uvicorn.run(
        app,
        host=settings.host,
        port=settings.port,
        log_level="warning",
        timeout_graceful_shutdown=5,
        server_header=False,
    )


def work(settings: Settings, *, detector: Detector | None = None) -> None:
    """Propose candidates for whatever waits until a signal comes; serves no pages.

    Parameters
    ----------
    settings : Settings
        The same database and store of files as the process that serves.
    detector : Detector, optional
        Used instead of the weights that the settings name.

    Raises
    ------
    RecordError
        If the settings say that this process takes no work.
    UnreachableError
        If the database or the store of files can't be used.
    """
    if settings.workers == 0:
        raise RecordError("COVERSLIP_WORKERS is 0; a process that takes work needs 1 or more. Correct it.")
    is_told_to_stop = threading.Event()
    for told in (signal.SIGINT, signal.SIGTERM):
        signal.signal(told, lambda *_: is_told_to_stop.set())
    database, files = open_stores(settings)
    jobs = Jobs(settings, database, files, detector)
    try:
        jobs.start()
        is_told_to_stop.wait()
    finally:
        jobs.stop()
        database.close()
