"""One running service for all tests of this folder, and people who are signed in to it."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn

# The worker process of a service under test must find the detector's module by its name too.
sys.path.insert(0, str(Path(__file__).parent))

from backends import NAMES, REQUIRED, Backend, MissingServerError, start_backend
from blob_detector import BlobDetector
from fastapi import FastAPI
from service_calls import find_free_port, list_candidates, next_number, ok, specimen_body, upload_slide
from service_slides import draw_slide

from service.admin import create_user
from service.app import create_app
from service.settings import Settings
from service.uploads import Uploads

PEOPLE = (
    ("reader", "reader"),
    ("second", "reader"),
    ("vet", "veterinarian"),
    ("assistant", "assistant"),
    ("admin", "administrator"),
)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Tests marked `on_both` run on either backend, all others on the folder alone."""
    if "backend" in metafunc.fixturenames:
        is_on_both = metafunc.definition.get_closest_marker("on_both") is not None
        metafunc.parametrize("backend", NAMES if is_on_both else NAMES[:1], indirect=True, scope="session")


@pytest.fixture(scope="session")
def backend(request: pytest.FixtureRequest) -> Iterator[Backend]:
    """Where the service keeps its records and files."""
    with ExitStack() as stack:
        try:
            running = stack.enter_context(start_backend(request.param))
        except MissingServerError as err:
            if os.environ.get(REQUIRED):
                pytest.fail(f"{err} {REQUIRED} is set.")
            pytest.skip(str(err))
        yield running


@pytest.fixture(scope="session")
def settings(tmp_path_factory: pytest.TempPathFactory, backend: Backend) -> Settings:
    folder = tmp_path_factory.mktemp("service") / "data"
    chosen: dict[str, Any] = {"separate_processes": False, "upload_limit_mib": 4, "port": find_free_port()}
    return Settings(data_folder=folder, **chosen, **backend.new_place())


@pytest.fixture(scope="session")
def app(settings: Settings) -> FastAPI:
    for user_name, role in PEOPLE:
        create_user(settings, user_name, f"The {user_name}", role, f"{user_name}-password")
    return create_app(settings, detector=BlobDetector())


@pytest.fixture(scope="session")
def app_uploads(app: FastAPI) -> Uploads:
    """The uploads of the running service."""
    uploads: Uploads = app.state.uploads
    return uploads


@pytest.fixture(scope="session")
def server(app: FastAPI, settings: Settings) -> Iterator[str]:
    """Address of a running service."""
    running = uvicorn.Server(uvicorn.Config(app, port=settings.port, log_level="warning"))
    thread = threading.Thread(target=running.run)
    thread.start()
    while not running.started:
        assert thread.is_alive(), "the service did not start"
        time.sleep(0.02)
    yield f"http://127.0.0.1:{settings.port}"
    running.should_exit = True
    thread.join()


@pytest.fixture(scope="session")
def anybody(server: str) -> Iterator[httpx.Client]:
    """A client that is not signed in."""
    with httpx.Client(base_url=server, timeout=60) as client:
        yield client


@pytest.fixture(scope="session")
def people(server: str) -> Iterator[dict[str, httpx.Client]]:
    """A client with a bearer token for each person."""
    clients = {user_name: _with_token(server, user_name) for user_name, _ in PEOPLE}
    yield clients
    for client in clients.values():
        client.close()


@pytest.fixture(scope="session")
def reader(people: dict[str, httpx.Client]) -> httpx.Client:
    return people["reader"]


@pytest.fixture(scope="session")
def second(people: dict[str, httpx.Client]) -> httpx.Client:
    return people["second"]


@pytest.fixture(scope="session")
def vet(people: dict[str, httpx.Client]) -> httpx.Client:
    return people["vet"]


@pytest.fixture(scope="session")
def assistant(people: dict[str, httpx.Client]) -> httpx.Client:
    return people["assistant"]


@pytest.fixture(scope="session")
def seen_image(assistant: httpx.Client) -> dict[str, Any]:
    """One picture for the tests that only look: three candidates, and one below the cut."""
    return upload_slide(assistant, draw_slide(next_number()))


@pytest.fixture
def new_specimen(assistant: httpx.Client) -> Callable[..., dict[str, Any]]:
    """Files a specimen with a code of its own."""

    def file(**changes: Any) -> dict[str, Any]:
        return ok(assistant.post("/api/specimens", json={**specimen_body(), **changes}), 201)

    return file


@pytest.fixture
def new_image(assistant: httpx.Client) -> Callable[..., dict[str, Any]]:
    """Files a specimen, uploads a picture of its own, and waits until its candidates are there."""

    def upload(picture: bytes | None = None, **parameters: Any) -> dict[str, Any]:
        return upload_slide(assistant, picture or draw_slide(next_number()), **parameters)

    return upload


@pytest.fixture
def image(new_image: Callable[..., dict[str, Any]]) -> dict[str, Any]:
    """A picture with three candidates, and one below the cut."""
    return new_image()


@pytest.fixture
def candidates(image: dict[str, Any], vet: httpx.Client) -> list[dict[str, Any]]:
    return list_candidates(vet, image)["candidates"]


def _with_token(server: str, user_name: str) -> httpx.Client:
    with httpx.Client(base_url=server, timeout=60) as browser:
        signed_in = ok(
            browser.post("/api/session", json={"user_name": user_name, "password": f"{user_name}-password"}),
            200,
        )
        headers = {"X-CSRF-Token": signed_in["csrf_token"]}
        token = ok(browser.post("/api/tokens", json={"name": "tests"}, headers=headers), 201)["token"]
    return httpx.Client(base_url=server, headers={"Authorization": f"Bearer {token}"}, timeout=60)
