"""One running service for all tests of this folder, and people who are signed in to it."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
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
from quick_passwords import hash_quickly
from service_calls import find_free_port, list_candidates, next_number, ok, specimen_body, upload_slide
from service_slides import draw_slide

from service.admin import create_user
from service.app import create_app
from service.settings import Settings
from service.uploads import Uploads

hash_quickly()

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


@dataclass(frozen=True)
class Running:
    """A service under test, and who talks to it."""

    settings: Settings
    app: FastAPI
    address: str
    anybody: httpx.Client
    people: dict[str, httpx.Client]


@pytest.fixture(scope="session")
def backends() -> Iterator[Callable[[str], Backend]]:
    """Starts the servers of a backend when they are first asked for, and ends them with the tests.

    Fixtures that depend on a parameter end whenever the parameter changes, as it does with each file.
    """
    with ExitStack() as stack:
        started: dict[str, Backend] = {}

        def start(name: str) -> Backend:
            if name not in started:
                started[name] = stack.enter_context(start_backend(name))
            return started[name]

        yield start


@pytest.fixture(scope="session")
def backend(request: pytest.FixtureRequest, backends: Callable[[str], Backend]) -> Backend:
    """Where the service keeps its records and files."""
    try:
        return backends(request.param)
    except MissingServerError as err:
        if os.environ.get(REQUIRED):
            pytest.fail(f"{err} {REQUIRED} is set.")
        pytest.skip(str(err))


@pytest.fixture(scope="session")
def running(tmp_path_factory: pytest.TempPathFactory, backend: Backend) -> Iterator[Running]:
    """The service of this backend; a process can run only one at a time."""
    folder = tmp_path_factory.mktemp("service") / "data"
    chosen: dict[str, Any] = {"separate_processes": False, "upload_limit_mib": 4, "port": find_free_port()}
    settings = Settings(data_folder=folder, **chosen, **backend.new_place())
    for user_name, role in PEOPLE:
        create_user(settings, user_name, f"The {user_name}", role, f"{user_name}-password")
    app = create_app(settings, detector=BlobDetector())
    with ExitStack() as stack:
        address = stack.enter_context(_serve(app, settings.port))
        anybody = stack.enter_context(httpx.Client(base_url=address, timeout=60))
        people = {name: stack.enter_context(_with_token(address, name)) for name, _ in PEOPLE}
        yield Running(settings, app, address, anybody, people)


@contextmanager
def _serve(app: FastAPI, port: int) -> Iterator[str]:
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="warning"))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        assert thread.is_alive(), "the service did not start"
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join()


@pytest.fixture(scope="session")
def settings(running: Running) -> Settings:
    return running.settings


@pytest.fixture(scope="session")
def app(running: Running) -> FastAPI:
    return running.app


@pytest.fixture(scope="session")
def app_uploads(app: FastAPI) -> Uploads:
    """The uploads of the running service."""
    uploads: Uploads = app.state.uploads
    return uploads


@pytest.fixture(scope="session")
def server(running: Running) -> str:
    """Address of a running service."""
    return running.address


@pytest.fixture(scope="session")
def anybody(running: Running) -> httpx.Client:
    """A client that is not signed in."""
    return running.anybody


@pytest.fixture(scope="session")
def people(running: Running) -> dict[str, httpx.Client]:
    """A client with a bearer token for each person."""
    return running.people


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
