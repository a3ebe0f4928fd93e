"""What the tests ask of a running service, and what they expect of every answer."""

from __future__ import annotations

import itertools
import socket
import time
from typing import Any

import httpx

_COUNTER = itertools.count(1)


def next_number() -> int:
    """A number that no other call gets."""
    return next(_COUNTER)


def find_free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def specimen_body(**facts: Any) -> dict[str, Any]:
    preparation = {"method": "centrifuged", "solution": "zinc sulfate", "specific_gravity": 1.18, **facts}
    return {"code": f"S-{next_number()}", "species": "dog", "preparation": preparation}


def upload_slide(
    client: httpx.Client, picture: bytes, *, facts: dict[str, Any] | None = None, **parameters: Any
) -> dict[str, Any]:
    """File a specimen, upload a picture of it, and wait until its candidates are there."""
    specimen = ok(client.post("/api/specimens", json=specimen_body(**(facts or {}))), 201)
    query = {"file_name": "slide.png", "um_per_px": 0.5, **parameters}
    answer = client.post(
        f"/api/preparations/{specimen['preparations'][0]['id']}/images",
        params={name: value for name, value in query.items() if value is not None},
        content=picture,
    )
    return wait_until_ready(client, ok(answer, 202)["status_url"])


def wait_until_ready(client: httpx.Client, status_url: str, *, timeout_s: float = 120) -> dict[str, Any]:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        image = ok(client.get(status_url), 200)
        if image["state"] in ("ready", "failed", "stopped"):
            return image
        time.sleep(0.05)
    raise AssertionError(f"not ready after {timeout_s} s: {image}")


def list_candidates(client: httpx.Client, image: dict[str, Any]) -> dict[str, Any]:
    return ok(client.get(f"/api/images/{image['id']}/candidates"), 200)


def mark(client: httpx.Client, candidate: dict[str, Any], **answer: Any) -> dict[str, Any]:
    return ok(
        client.post(f"/api/candidates/{candidate['id']}/marks", json={"answer": "confirm", **answer}), 201
    )


def problem(response: httpx.Response, status: int) -> dict[str, Any]:
    """The problem document of a refusal, with one sentence."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    document = response.json()
    assert document["status"] == status and document["detail"].endswith(".")
    return document


def ok(response: httpx.Response, status: int) -> Any:
    assert response.status_code == status, response.text
    return response.json()
