"""What the service under test keeps its records and files in.

`folder`: SQLite and a folder. `shared`: PostgreSQL and a store that speaks the S3 protocol, each a server
process of its own, started in a temporary folder and ended with the tests. Both hand out empty places, as the
settings that a person would set.
"""

from __future__ import annotations

import glob
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Protocol

import boto3
import psycopg
from service_calls import find_free_port

NAMES = ("folder", "shared")
# Set where the servers must be there, so that nothing is skipped unseen.
REQUIRED = "COVERSLIP_TESTS_NEED_SERVERS"
KEY, SECRET, BUCKET = "test-key", "test-secret", "coverslip-tests"
START_WITHIN_S = 60.0


class MissingServerError(Exception):
    """A server that the tests need isn't installed."""


class Backend(Protocol):
    """Where a service under test keeps what it is given."""

    name: str

    def new_place(self) -> dict[str, str]:
        """Settings, by their names, of a place where nothing is yet."""


class FolderBackend:
    """SQLite and files, all below the data folder."""

    name = "folder"

    def new_place(self) -> dict[str, str]:
        """Nothing to set."""
        return {}


class SharedBackend:
    """PostgreSQL and an object store, a database and a prefix for each place."""

    name = "shared"

    def __init__(self, postgresql: str, store: str) -> None:
        self._postgresql = postgresql
        self._store = store
        self._numbers = itertools.count(1)

    def new_place(self) -> dict[str, str]:
        """A new database and a prefix of its own in the bucket."""
        name = f"place_{next(self._numbers)}"
        with psycopg.connect(f"{self._postgresql}/postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return {
            "database_url": f"{self._postgresql}/{name}",
            "object_store_url": f"s3://{BUCKET}/{name}",
            "object_store_endpoint": self._store,
            "object_store_key": KEY,
            "object_store_secret": SECRET,
            "session_secret": "s" * 32,
            "labelled_set_key": "l" * 32,
        }


def as_environment(place: dict[str, str]) -> dict[str, str]:
    """The same settings as environment variables."""
    return {f"COVERSLIP_{name.upper()}": value for name, value in place.items()}


@contextmanager
def start_backend(name: str) -> Iterator[Backend]:
    """The backend of that name, its servers running until the block ends.

    Raises
    ------
    MissingServerError
        If a server isn't installed; the message says what to install.
    """
    if name == "folder":
        yield FolderBackend()
        return
    with ExitStack() as stack:
        postgresql = stack.enter_context(_run_postgresql())
        yield SharedBackend(postgresql, stack.enter_context(_run_store()))


@contextmanager
def _run_postgresql() -> Iterator[str]:
    """URL of a PostgreSQL server, without the name of a database."""
    found = sorted(glob.glob("/usr/lib/postgresql/*/bin/initdb"), key=lambda path: int(Path(path).parts[4]))
    if not found:
        raise MissingServerError("PostgreSQL is not installed (Debian: apt-get install postgresql).")
    programs = Path(found[-1]).parent
    # The server refuses to run as root.
    user = "postgres" if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="coverslip-postgresql-"))
    if user is not None:
        shutil.chown(folder, user)
    data, port = folder / "data", find_free_port()
    try:
        initdb = [programs / "initdb", "-D", data, "-U", "coverslip", "-A", "trust", "-E", "UTF8", "-N"]
        subprocess.run(
            [*initdb, "--locale", "C.UTF-8"], check=True, user=user, cwd=folder, capture_output=True
        )
        options = ["-D", data, "-p", port, "-k", folder, "-c", "fsync=off", "-c", "max_connections=200"]
        command = [str(word) for word in (programs / "postgres", *options)]
        url = f"postgresql://coverslip@127.0.0.1:{port}"
        # It would wait for its clients at SIGTERM.
        with _run(
            command,
            folder,
            lambda: psycopg.connect(f"{url}/postgres").close(),
            end_with=signal.SIGINT,
            user=user,
        ):
            yield url
    finally:
        shutil.rmtree(folder)


@contextmanager
def _run_store() -> Iterator[str]:
    """Address of an object store with an empty bucket."""
    program = Path(sys.prefix, "bin", "weed")
    if not program.exists():
        raise MissingServerError("The object store is not installed (pip install 'coverslip-triage[test]').")
    folder = Path(tempfile.mkdtemp(prefix="coverslip-store-"))
    identity = {
        "name": "tests",
        "credentials": [{"accessKey": KEY, "secretKey": SECRET}],
        "actions": ["Admin", "Read", "Write", "List"],
    }
    (folder / "keys.json").write_text(json.dumps({"identities": [identity]}))
    names = ("master.port", "master.port.grpc", "volume.port", "volume.port.grpc", "filer.port")
    ports = {name: find_free_port() for name in (*names, "filer.port.grpc", "s3.port", "s3.port.grpc")}
    options: dict[str, Any] = {
        **ports,
        "dir": folder,
        "ip": "127.0.0.1",
        "ip.bind": "127.0.0.1",
        "filer": "true",
        "s3": "true",
        "s3.config": folder / "keys.json",
        "s3.autoCreateBucket": "false",
        "s3.port.iceberg": 0,
        "s3.port.lance": 0,
        "master.telemetry": "false",
        "master.volumeSizeLimitMB": 256,
        "volume.max": 100,
    }
    command = [
        str(program),
        "-logtostderr",
        "server",
        *(f"-{name}={value}" for name, value in options.items()),
    ]
    address = f"http://127.0.0.1:{ports['s3.port']}"
    try:
        # A polite end takes it half a minute.
        with _run(command, folder, lambda: _make_bucket(address), end_with=signal.SIGKILL):
            yield address
    finally:
        shutil.rmtree(folder)


def _make_bucket(address: str) -> None:
    client = boto3.client(
        "s3",
        endpoint_url=address,
        region_name="us-east-1",
        aws_access_key_id=KEY,
        aws_secret_access_key=SECRET,
    )
    try:
        client.create_bucket(Bucket=BUCKET)
        # The server answers before it can store anything.
        client.put_object(Bucket=BUCKET, Key="first", Body=b"x")
    finally:
        client.close()


@contextmanager
def _run(
    command: list[str],
    folder: Path,
    ask: Callable[[], object],
    *,
    end_with: signal.Signals,
    user: str | None = None,
) -> Iterator[None]:
    """A server process, from its first answer on."""
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=folder, user=user, stdout=log, stderr=log)
    try:
        deadline = time.monotonic() + START_WITHIN_S
        while True:
            try:
                ask()
                break
            except Exception:
                if process.poll() is not None or time.monotonic() > deadline:
                    tail = (folder / "log").read_text(errors="replace")[-2000:]
                    raise AssertionError(f"{command[0]} did not start:\n{tail}") from None
            time.sleep(0.1)
        yield
    finally:
        process.send_signal(end_with)
        process.wait(timeout=60)
