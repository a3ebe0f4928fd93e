"""Pictures that come in parts: lost connections, refusals, and what is left on the disk."""

from __future__ import annotations

import base64
import hashlib
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from service_calls import next_number, ok, problem, wait_until_ready
from service_slides import draw_slide

from service.settings import Settings

PART = {"Content-Type": "application/partial-upload"}


def _begin(
    client: httpx.Client, specimen: dict[str, Any], n_bytes: int, *, headers: dict[str, str] | None = None, **query: Any
) -> httpx.Response:
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/uploads"
    return client.post(
        path,
        params={"file_name": "mosaic.png", "um_per_px": 0.5, **query},
        headers={"Upload-Length": str(n_bytes), **(headers or {})},
    )


def _add(client: httpx.Client, url: str, offset: int, content: bytes, **headers: str) -> httpx.Response:
    return client.patch(url, content=content, headers={**PART, "Upload-Offset": str(offset), **headers})


def _where(client: httpx.Client, url: str) -> int:
    answer = client.head(url)
    assert answer.status_code == 204 and answer.headers["cache-control"] == "no-store"
    return int(answer.headers["upload-offset"])


def _wait_for_end(client: httpx.Client, url: str, *, timeout_s: float = 60) -> dict[str, Any]:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        upload = ok(client.get(url), 200)
        if upload["state"] not in ("receiving", "checking"):
            return dict(upload)
        time.sleep(0.02)
    raise AssertionError(f"not ended after {timeout_s} s: {upload}")


def _staged(settings: Settings, url: str) -> Path:
    return settings.data_folder / "uploads" / f"{url.rsplit('/', 1)[-1]}.part"


@pytest.fixture
def picture() -> bytes:
    return draw_slide(7000 + next_number())


@pytest.fixture
def begun(assistant: httpx.Client, new_specimen: Callable[..., Any], picture: bytes) -> str:
    """Address of an upload of which nothing has come yet."""
    url: str = _begin(assistant, new_specimen(), len(picture)).headers["location"]
    return url


def test_picture_in_three_parts_becomes_an_image(
    assistant: httpx.Client, begun: str, picture: bytes, settings: Settings
) -> None:
    cuts = (0, 1000, 2000, len(picture))
    for start, end in zip(cuts, cuts[1:], strict=False):
        assert _where(assistant, begun) == start
        answer = _add(assistant, begun, start, picture[start:end])
        assert answer.headers["upload-offset"] == str(end)
    assert answer.status_code == 202 and answer.headers["upload-complete"] == "?1"
    upload = _wait_for_end(assistant, begun)
    assert (upload["state"], upload["problem"]) == ("stored", None)
    image = wait_until_ready(assistant, upload["image_url"])
    assert image["sha256"] == hashlib.sha256(picture).hexdigest() and image["file_name"] == "mosaic.png"
    assert image["calibration"]["um_per_px"] == 0.5
    assert assistant.get(f"{upload['image_url']}/original").content == picture
    assert not _staged(settings, begun).exists()


@contextmanager
def _sending(
    server: str, client: httpx.Client, url: str, content: bytes, *, stated: int, **headers: str
) -> Iterator[None]:
    """A connection that sent less than it stated, and is lost at the end of the block."""
    host, port = server.removeprefix("http://").split(":")
    fields = {
        "Host": host,
        "Authorization": client.headers["authorization"],
        **PART,
        "Upload-Offset": "0",
        "Content-Length": str(stated),
        **headers,
    }
    head = "".join(f"{name}: {value}\r\n" for name, value in fields.items())
    with socket.create_connection((host, int(port))) as connection:
        connection.sendall(f"PATCH {url} HTTP/1.1\r\n{head}\r\n".encode() + content)
        yield


def _wait_for_bytes(client: httpx.Client, url: str) -> int:
    deadline = time.monotonic() + 20
    while (here := _where(client, url)) == 0 and time.monotonic() < deadline:
        time.sleep(0.02)
    return here


@pytest.mark.parametrize("is_lost_before_asking", [True, False])
def test_upload_goes_on_where_a_lost_connection_left_it(
    is_lost_before_asking: bool, server: str, assistant: httpx.Client, begun: str, picture: bytes
) -> None:
    with _sending(server, assistant, begun, picture[:1500], stated=len(picture)):
        # Long enough for the bytes to arrive; else the service sees an empty request.
        time.sleep(0.5)
        here = 0 if is_lost_before_asking else _wait_for_bytes(assistant, begun)
    here = here or _wait_for_bytes(assistant, begun)
    assert here == 1500
    assert _add(assistant, begun, here, picture[here:]).status_code == 202
    assert _wait_for_end(assistant, begun)["state"] == "stored"
