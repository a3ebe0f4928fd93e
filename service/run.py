"""Runs the service: `serve(settings)`."""

from __future__ import annotations

import uvicorn

from service.app import create_app
from service.settings import Settings
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
