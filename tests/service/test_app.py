"""What holds for every path: problem documents, headers, and no fault whatever is sent."""

from __future__ import annotations

import itertools
import json
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from anyio.from_thread import start_blocking_portal
from fastapi import FastAPI
from pydantic import ValidationError
from service_calls import problem

from service.errors import STATUS_OF, WorkError, add_error_handlers
from service.settings import Settings, read_labelled_set_key, read_session_secret
from triage.errors import StorageError, TriageError

BAD_VALUES: tuple[Any, ...] = (
    None,
    0,
    -1,
    2**63,
    1.5,
    True,
    "",
    "x",
    "\ud800",
    "\u0000",
    [],
    {},
    [{}],
    "9" * 400,
)
BAD_QUERY_VALUES = (
    "",
    "x",
    "-1",
    "0",
    "nan",
    "inf",
    "1e308",
    "9" * 400,
    "\u0000",
    "0001-01-01",
    "9999-12-31T23:59:59Z",
)
BAD_IDS = ("0", "-1", "x", "1.5", "99999999999999999999", "%00", "é")


def _classes(root: type[TriageError]) -> list[type[TriageError]]:
    return [root, *itertools.chain.from_iterable(_classes(child) for child in root.__subclasses__())]


def test_every_error_class_has_a_status_of_its_own_or_of_its_parent() -> None:
    for error in _classes(TriageError):
        parents = [parent for parent in error.__mro__ if parent in STATUS_OF]
        # A child may take its parent's; the first level of the tree may not.
        assert parents and (error in STATUS_OF or parents[0] is not TriageError), error


def test_faults_are_ours_and_bad_input_is_the_senders() -> None:
    faults = {error.__name__ for error, status in STATUS_OF.items() if status >= 500}
    ours = {"NoPdfError", "NoTrainingError", "StorageError", "UnreachableError", "WeightsError", "WorkError"}
    assert faults == ours


@pytest.mark.parametrize(
    ("error", "status", "has_traceback"),
    [(StorageError("The disk is full."), 507, False), (WorkError("A step failed."), 500, True)],
)
def test_full_disk_is_one_line_of_the_log_and_a_fault_of_ours_is_traced(
    error: TriageError, status: int, has_traceback: bool, caplog: pytest.LogCaptureFixture
) -> None:
    app = FastAPI()
    add_error_handlers(app)

    @app.get("/write")
    def write() -> None:
        raise error

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
            return await client.get("/write")

    # Another test of this process may keep a loop in this thread.
    with start_blocking_portal() as portal:
        problem(portal.call(ask), status)
    (said,) = [one for one in caplog.records if one.name == "service.errors"]
    assert said.getMessage() == f"GET /write: {error}"
    assert bool(said.exc_info) == has_traceback


def test_unknown_path_and_method_are_problem_documents(anybody: httpx.Client) -> None:
    assert "/api/nothing" in problem(anybody.get("/api/nothing"), 404)["detail"]
    assert "PUT" in problem(anybody.put("/api/specimens"), 405)["detail"]


def test_answers_carry_a_strict_policy(anybody: httpx.Client) -> None:
    for path in ("/api/health", "/sign-in", "/api/nothing", "/static/leaflet/leaflet.js"):
        headers = anybody.get(path).headers
        policy = headers["content-security-policy"]
        assert "script-src 'self';" in policy and "unsafe" not in policy and "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_api_answers_are_not_kept_by_caches(anybody: httpx.Client) -> None:
    assert anybody.get("/api/health").headers["cache-control"] == "no-store"


def test_viewer_comes_from_the_service_itself(anybody: httpx.Client) -> None:
    assert "Leaflet 1." in anybody.get("/static/leaflet/leaflet.js").text
    assert anybody.get("/static/leaflet/../../../settings.py").status_code == 404


def test_health_needs_no_sign_in(anybody: httpx.Client) -> None:
    assert anybody.get("/api/health").json()["detector"] == "blobs 1"


def test_body_beyond_the_limit_is_refused(reader: httpx.Client) -> None:
    too_large = b" " * (1024 * 1024 + 1)
    problem(reader.post("/api/specimens", content=too_large), 413)
    # Sent in pieces, without saying how long it will be.
    problem(reader.post("/api/specimens", content=iter([too_large])), 413)


def test_openapi_lists_every_path_below_api(anybody: httpx.Client) -> None:
    paths = anybody.get("/openapi.json").json()["paths"]
    assert len(paths) > 20 and all(path.startswith("/api/") for path in paths)


def _operations(client: httpx.Client) -> list[tuple[str, str, dict[str, Any]]]:
    document = client.get("/openapi.json").json()
    schemas = document["components"]["schemas"]
    listed = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            content = operation.get("requestBody", {}).get("content", {})
            reference = content.get("application/json", {}).get("schema", {}).get("$ref", "")
            listed.append((method.upper(), path, schemas.get(reference.rsplit("/", 1)[-1], {})))
    return listed


def _send(client: httpx.Client, method: str, path: str, body: Any) -> httpx.Response:
    content = json.dumps(body).encode() if method in ("POST", "DELETE") else None
    return client.request(method, path, content=content, headers={"Content-Type": "application/json"})


def _fill(path: str, value: str) -> str:
    return "/".join(
        value + part.partition("}")[2] if part.startswith("{") else part for part in path.split("/")
    )


def test_no_path_fails_at_impossible_ids(reader: httpx.Client) -> None:
    for method, path, _ in _operations(reader):
        for value in BAD_IDS if "{" in path else ():
            answer = _send(reader, method, _fill(path, value), {})
            assert 400 <= answer.status_code < 500, (method, path, value, answer.text)
            assert answer.headers["content-type"] == "application/problem+json"


def test_no_path_fails_at_impossible_query_values(
    people: dict[str, httpx.Client], image: dict[str, Any]
) -> None:
    client = people["admin"]
    document = client.get("/openapi.json").json()
    asked = set()
    for path, methods in document["paths"].items():
        for parameter in methods.get("get", {}).get("parameters", ()):
            if parameter["in"] == "query":
                asked.add(path)
                for value in BAD_QUERY_VALUES:
                    answer = client.get(_fill(path, str(image["id"])), params={parameter["name"]: value})
                    assert answer.status_code < 500, (path, parameter["name"], value, answer.text)
    assert {"/api/specimens", "/api/preparation-advice"} <= asked


def _bad_bodies(schema: dict[str, Any]) -> Iterator[Any]:
    """Every bad value as the whole body and in each field: alone, unless more fields are asked for.

    Then each stands among others, since a field that lacks is all that a lone one would be told of.
    """
    yield from BAD_VALUES
    needed, names = set(schema.get("required", ())), list(schema.get("properties", {}))
    lone = [name for name in names if needed <= {name}]
    yield from ({name: bad} for name in lone for bad in BAD_VALUES)
    if len(lone) < len(names):
        for turn in range(len(BAD_VALUES)):
            yield {name: BAD_VALUES[(turn + at) % len(BAD_VALUES)] for at, name in enumerate(names)}


def test_no_body_of_the_wrong_form_fails(people: dict[str, httpx.Client], image: dict[str, Any]) -> None:
    client = people["admin"]
    for method, path, schema in _operations(client):
        if method != "POST" or path == "/api/session":
            continue
        url = _fill(path, str(image["id"]))
        for body in _bad_bodies(schema):
            answer = _send(client, method, url, body)
            assert answer.status_code < 500, (url, body, answer.text)


@pytest.mark.parametrize(
    "body", [b"{", b"\xff\xfe", b'{"code": NaN}', b"[" * 5000], ids=["cut", "bytes", "nan", "deep"]
)
def test_body_that_is_no_json_is_refused(body: bytes, reader: httpx.Client) -> None:
    answer = reader.post("/api/specimens", content=body, headers={"Content-Type": "application/json"})
    assert 400 <= answer.status_code < 500
    assert answer.json()["detail"].endswith(".")


def test_settings_are_read_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COVERSLIP_WORKERS", "3")
    assert Settings().workers == 3
    monkeypatch.setenv("COVERSLIP_WORKERS", "none")
    with pytest.raises(ValidationError, match="workers"):
        Settings()


def test_every_setting_is_documented() -> None:
    assert [name for name, field in Settings.model_fields.items() if not field.description] == []


def test_short_secret_is_refused() -> None:
    with pytest.raises(ValidationError, match="32 characters or more, received 5"):
        Settings(session_secret="short")  # type: ignore[arg-type]


def test_secret_is_made_once_and_readable_by_its_owner_alone(tmp_path: Path) -> None:
    settings = Settings(data_folder=tmp_path)
    secret = read_session_secret(settings)
    assert len(secret) >= 32 and read_session_secret(settings) == secret
    assert read_labelled_set_key(settings) != secret
    assert stat.S_IMODE((tmp_path / "session-secret").stat().st_mode) == 0o600
