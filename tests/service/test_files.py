"""Files that every machine sees: kept whole, fetched with bounded memory, checked, and let go in order."""

from __future__ import annotations

import asyncio
import hashlib
import os
import tracemalloc
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import boto3
import pytest
from backends import BUCKET, KEY, SECRET, Backend
from service_calls import find_free_port

from service.copies import Copies
from service.errors import MissingError, TooLargeError, UnreachableError
from service.files import Files, Received
from service.objects import FolderObjects
from service.s3_objects import PART_BYTES, PARTS_AT_ONCE, open_objects
from service.scratch import Scratch
from service.settings import Settings

pytestmark = pytest.mark.on_both
BODY = b"some bytes of a picture" * 1000


def _open(folder: Path, place: dict[str, str]) -> Files:
    """The files as a machine with this data folder sees them."""
    settings = Settings(data_folder=folder, **place)
    scratch = Scratch(folder / "scratch")
    return Files(folder, scratch, open_objects(settings, scratch.new_path))


@pytest.fixture
def place(backend: Backend) -> dict[str, str]:
    return backend.new_place()


@pytest.fixture
def files(tmp_path: Path, place: dict[str, str]) -> Files:
    return _open(tmp_path / "here", place)


@pytest.fixture
def elsewhere(tmp_path: Path, place: dict[str, str], backend: Backend) -> Files:
    """The same files, as another machine sees them; with a folder there is one machine."""
    return _open(tmp_path / ("here" if backend.name == "folder" else "elsewhere"), place)


def _receive(files: Files, body: bytes, *, limit_bytes: int = 2**40) -> Received:
    async def pieces() -> AsyncIterator[bytes]:
        for start in range(0, len(body), 65536):
            yield body[start : start + 65536]

    # In a thread of its own: a browser that tests drive keeps an event loop in this one.
    with ThreadPoolExecutor(1) as alone:
        return alone.submit(asyncio.run, files.receive(pieces(), limit_bytes=limit_bytes)).result()


def test_what_one_machine_keeps_another_reads(files: Files, elsewhere: Files) -> None:
    received = _receive(files, BODY)
    assert received.sha256 == hashlib.sha256(BODY).hexdigest()
    assert files.keep(received).read_bytes() == BODY
    assert not received.path.exists()
    assert elsewhere.original(received.sha256).read_bytes() == BODY


def test_same_bytes_are_kept_once_and_stay_as_they_are(files: Files) -> None:
    kept = files.keep(_receive(files, BODY))
    assert files.keep(_receive(files, BODY)) == kept
    assert kept.read_bytes() == BODY


def test_upload_beyond_the_limit_leaves_nothing(files: Files, tmp_path: Path) -> None:
    with pytest.raises(TooLargeError, match="larger than 1000 bytes"):
        _receive(files, BODY, limit_bytes=1000)
    assert {path.name for path in (tmp_path / "here/scratch").rglob("*") if path.is_file()} <= {".alive"}


def test_what_was_never_kept_is_missing(files: Files) -> None:
    with pytest.raises(MissingError, match="There is no file originals/ab/ab12"):
        files.original("ab12")
    assert not files.has_pyramid("ab12") and not files.has_batch("job-1-1", 0)


def test_pyramid_is_kept_whole_or_not_at_all(files: Files, elsewhere: Files) -> None:
    with pytest.raises(ZeroDivisionError), files.make_pyramid("ab12") as path:
        path.write_bytes(b"half")
        raise ZeroDivisionError
    assert not elsewhere.has_pyramid("ab12")
    with files.make_pyramid("ab12") as path:
        path.write_bytes(b"whole")
    assert elsewhere.pyramid("ab12").read_bytes() == b"whole"
    with elsewhere.make_pyramid("ab12") as path:
        assert path.read_bytes() == b"whole"


def test_batches_of_a_run_go_together_and_alone(files: Files, elsewhere: Files) -> None:
    for run in ("job-1-1", "job-1-10"):
        for index in range(3):
            files.write_batch(run, index, f"[{index}]")
    assert elsewhere.batch("job-1-1", 2).read_text() == "[2]"
    elsewhere.drop_batches("job-1-1")
    assert not _open_has(elsewhere, "job-1-1") and _open_has(elsewhere, "job-1-10")


def _open_has(files: Files, run: str) -> bool:
    return any(files.has_batch(run, index) for index in range(3))


def test_large_file_is_carried_in_bounded_memory(files: Files, elsewhere: Files, backend: Backend) -> None:
    body = os.urandom(1024 * 1024) * 96
    received = _receive(files, body)
    tracemalloc.start()
    files.keep(received)
    fetched = elsewhere.original(received.sha256)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert fetched.stat().st_size == len(body)
    assert peak_bytes < (PARTS_AT_ONCE + 1) * PART_BYTES < len(body) / 1.9


def _client(place: dict[str, str]) -> Any:
    return boto3.client(
        "s3",
        endpoint_url=place["object_store_endpoint"],
        region_name="us-east-1",
        aws_access_key_id=KEY,
        aws_secret_access_key=SECRET,
    )


@pytest.fixture
def shared(backend: Backend, place: dict[str, str]) -> dict[str, str]:
    if backend.name == "folder":
        pytest.skip("only a shared store can be elsewhere, or wrong")
    return place


def test_original_whose_bytes_were_changed_is_not_handed_out(
    shared: dict[str, str], files: Files, elsewhere: Files
) -> None:
    sha256 = _receive(files, BODY).sha256
    files.keep(_receive(files, BODY))
    key = f"{shared['object_store_url'].rsplit('/', 1)[-1]}/originals/{sha256[:2]}/{sha256}"
    client = _client(shared)
    assert client.head_object(Bucket=BUCKET, Key=key)["ContentLength"] == len(BODY)
    client.put_object(Bucket=BUCKET, Key=key, Body=BODY[:-1] + b"!")
    client.close()
    with pytest.raises(UnreachableError, match="other bytes than were stored"):
        elsewhere.original(sha256)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"object_store_url": "s3://nobody-made-this"}, "There is no bucket 'nobody-made-this' at"),
        ({"object_store_secret": "wrong"}, "keys don't open the bucket"),
        ({"object_store_endpoint": f"http://127.0.0.1:{find_free_port()}"}, "can't be used now"),
    ],
    ids=["no bucket", "wrong secret", "no server"],
)
def test_store_that_cannot_be_used_is_said_at_the_start(
    changes: dict[str, str], said: str, shared: dict[str, str], tmp_path: Path
) -> None:
    with pytest.raises(UnreachableError, match=said) as caught:
        _open(tmp_path / "here", {**shared, **changes})
    assert SECRET not in str(caught.value)


def test_files_of_another_form_are_left_alone(shared: dict[str, str], files: Files, tmp_path: Path) -> None:
    client = _client(shared)
    key = f"{shared['object_store_url'].rsplit('/', 1)[-1]}/coverslip-form"
    client.put_object(Bucket=BUCKET, Key=key, Body=b"2")
    client.close()
    with pytest.raises(UnreachableError, match="named in form '2'; this version names them in form '1'"):
        _open(tmp_path / "elsewhere", shared)


def _copy(copies: Copies, folder: Path, key: str, asked_at: int) -> Path:
    (folder / "new").write_bytes(bytes(100))
    path = copies.add(key, folder / "new")
    os.utime(path, (asked_at, asked_at))
    return path


def test_copies_that_nobody_asked_for_longest_go_first(tmp_path: Path) -> None:
    copies = Copies(tmp_path / "copies", limit_bytes=250, hold_s=0)
    first, second = (_copy(copies, tmp_path, key, age) for key, age in (("a/1", 10), ("a/2", 20)))
    assert copies.find("a/1") == first
    third = _copy(copies, tmp_path, "b/3", 30)
    assert first.exists() and third.exists() and not second.exists()
    assert copies.find("a/2") is None


def test_copy_in_use_stays_beyond_the_limit(tmp_path: Path) -> None:
    copies = Copies(tmp_path / "copies", limit_bytes=1, hold_s=900)
    (tmp_path / "new").write_bytes(bytes(100))
    assert copies.add("a/1", tmp_path / "new").exists()


def test_unfinished_files_of_a_dead_process_are_removed_and_those_of_a_living_one_stay(
    tmp_path: Path,
) -> None:
    living = Scratch(tmp_path)
    mine = living.new_path()
    mine.write_bytes(b"unfinished")
    dead = tmp_path / "4711-dead"
    dead.mkdir()
    (dead / ".alive").touch()
    (dead / "left").write_bytes(b"unfinished")
    Scratch(tmp_path).new_path()
    assert mine.exists() and not dead.exists()


def test_folder_of_objects_refuses_nothing_it_holds(tmp_path: Path) -> None:
    objects = FolderObjects(tmp_path)
    (tmp_path / "new").write_bytes(b"x")
    objects.add("a/b", tmp_path / "new")
    (tmp_path / "new").write_bytes(b"y")
    objects.add("a/b", tmp_path / "new")
    assert objects.fetch("a/b").read_bytes() == b"x" and not (tmp_path / "new").exists()
