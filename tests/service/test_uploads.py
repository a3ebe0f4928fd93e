"""Pictures that come in parts: lost connections, refusals, and what is left on the disk."""

from __future__ import annotations

import base64
import hashlib
import itertools
import os
import socket
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import anyio
import httpx
import pytest
from anyio.from_thread import start_blocking_portal
from service_calls import next_number, ok, problem, wait_until_ready
from service_slides import draw_slide

from service.errors import ConflictError
from service.settings import Settings
from service.staging import Part, Staging
from service.uploads import Uploads
from triage.errors import StorageError

PART = {"Content-Type": "application/partial-upload"}


def _begin(
    client: httpx.Client,
    specimen: dict[str, Any],
    n_bytes: int,
    *,
    headers: dict[str, str] | None = None,
    **query: Any,
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
    for start, end in itertools.pairwise(cuts):
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


def test_part_with_another_hash_than_stated_is_dropped(
    assistant: httpx.Client, begun: str, picture: bytes
) -> None:
    _add(assistant, begun, 0, picture[:1000])
    wrong = base64.b64encode(hashlib.sha256(b"other bytes").digest()).decode()
    answer = _add(assistant, begun, 1000, picture[1000:], **{"Content-Digest": f"sha-256=:{wrong}:"})
    assert "from offset 1000" in problem(answer, 400)["detail"]
    assert _where(assistant, begun) == 1000
    right = base64.b64encode(hashlib.sha256(picture[1000:]).digest()).decode()
    answer = _add(assistant, begun, 1000, picture[1000:], **{"Content-Digest": f"sha-256=:{right}:"})
    assert answer.status_code == 202
    assert _wait_for_end(assistant, begun)["state"] == "stored"


def test_part_at_another_place_is_told_where_to_go_on(
    assistant: httpx.Client, begun: str, picture: bytes
) -> None:
    _add(assistant, begun, 0, picture[:1000])
    document = problem(_add(assistant, begun, 900, picture[900:]), 409)
    assert (document["expected-offset"], document["provided-offset"]) == (1000, 900)


def test_words_are_refused_before_all_of_them_have_come(
    assistant: httpx.Client, new_specimen: Callable[..., Any], settings: Settings
) -> None:
    url = _begin(assistant, new_specimen(), 1_000_000).headers["location"]
    answer = _add(assistant, url, 0, b"these are only words, whatever the name says")
    assert "mosaic.png is no picture" in problem(answer, 422)["detail"]
    assert ok(assistant.get(url), 200)["state"] == "refused"
    assert not _staged(settings, url).exists()
    assert "'refused'" in problem(_add(assistant, url, 0, b"more"), 409)["detail"]


def test_picture_that_is_cut_short_ends_as_refused(
    assistant: httpx.Client, new_specimen: Callable[..., Any], picture: bytes, settings: Settings
) -> None:
    specimen, short = new_specimen(), picture[:1800]
    url = _begin(assistant, specimen, len(short)).headers["location"]
    assert _add(assistant, url, 0, short).status_code == 202
    upload = _wait_for_end(assistant, url)
    assert upload["state"] == "refused" and "cut short or damaged" in upload["problem"]
    assert not _staged(settings, url).exists()
    assert assistant.get(f"/api/specimens/{specimen['id']}").json()["preparations"][0]["images"] == []


def test_cancelled_upload_leaves_nothing(
    assistant: httpx.Client, begun: str, picture: bytes, settings: Settings
) -> None:
    _add(assistant, begun, 0, picture[:1000])
    assert _staged(settings, begun).exists()
    assert assistant.delete(begun).status_code == 204
    assert ok(assistant.get(begun), 200)["state"] == "cancelled"
    assert not _staged(settings, begun).exists()
    assert assistant.delete(begun).status_code == 204, "ending it again changes nothing"


def test_upload_belongs_to_who_began_it(
    assistant: httpx.Client, reader: httpx.Client, anybody: httpx.Client, begun: str
) -> None:
    problem(_add(reader, begun, 0, b"x"), 403)
    problem(reader.delete(begun), 403)
    problem(anybody.get(begun), 401)
    problem(assistant.get("/api/uploads/999999"), 404)


@pytest.mark.parametrize(
    ("n_bytes", "status", "said"),
    [(0, 400, "0 bytes"), (4 * 1024 * 1024 + 1, 413, "4194304 are taken"), (2**63, 422, "Upload-Length")],
)
def test_impossible_length_is_refused_at_the_start(
    n_bytes: int, status: int, said: str, assistant: httpx.Client, new_specimen: Callable[..., Any]
) -> None:
    assert said in problem(_begin(assistant, new_specimen(), n_bytes), status)["detail"]


def test_full_disk_keeps_what_came_and_takes_the_rest_later(
    tmp_path: Path, picture: bytes, largest_file: Callable[[int], Any]
) -> None:
    staging = Staging(tmp_path)

    async def send(content: bytes) -> AsyncIterator[bytes]:
        yield content

    async def add(offset: int, content: bytes) -> int:
        return await staging.append(7, send(content), Part(offset, len(picture)), lambda _: None)

    async def fill_up() -> None:
        assert await add(0, picture[:1000]) == 1000
        with largest_file(1500), pytest.raises(StorageError, match="no room on the service's disk"):
            await add(1000, picture[1000:])
        assert await staging.settle(7) == 1000
        assert await add(1000, picture[1000:]) == len(picture)

    with start_blocking_portal() as portal:
        portal.call(fill_up)
    assert staging.path(7).read_bytes() == picture
    assert staging.complete(7) == hashlib.sha256(picture).hexdigest()


def test_overtaken_request_is_told_so_and_leaves_the_bytes_to_the_other(tmp_path: Path) -> None:
    staging = Staging(tmp_path)
    told: list[ConflictError] = []

    async def send(began: anyio.Event, may_end: anyio.Event) -> AsyncIterator[bytes]:
        yield b"abc"
        began.set()
        await may_end.wait()
        yield b"lost"

    async def send_first(*events: anyio.Event) -> None:
        with pytest.raises(ConflictError, match="Ask where it stands") as caught:
            await staging.append(7, send(*events), Part(0, 9), lambda _: None)
        told.append(caught.value)

    async def meet() -> None:
        began, may_end = anyio.Event(), anyio.Event()
        async with anyio.create_task_group() as tasks:
            tasks.start_soon(send_first, began, may_end)
            await began.wait()
            assert await staging.settle(7) == 3
            may_end.set()

    with start_blocking_portal() as portal:
        portal.call(meet)
    assert told[0].extensions["overtaken"] is True
    assert staging.path(7).read_bytes() == b"abc"


def test_unfinished_upload_is_removed_after_the_time_set(
    assistant: httpx.Client, begun: str, picture: bytes, settings: Settings, app_uploads: Uploads
) -> None:
    _add(assistant, begun, 0, picture[:1000])
    app_uploads.sweep()
    assert ok(assistant.get(begun), 200)["state"] == "receiving"
    staged = _staged(settings, begun)
    long_ago = time.time() - 3600 * (settings.upload_keep_hours + 1)
    os.utime(staged, (long_ago, long_ago))
    with sqlite3.connect(settings.data_folder / "records.sqlite", timeout=30) as records:
        records.execute(
            "UPDATE uploads SET changed_at = '2020-01-01 00:00:00' WHERE id = ?", (begun.rsplit("/", 1)[-1],)
        )
    records.close()
    app_uploads.sweep()
    upload = ok(assistant.get(begun), 200)
    assert upload["state"] == "expired" and "Nothing came for 48 h" in upload["problem"]
    assert not staged.exists()
