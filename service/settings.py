"""Every setting of the service, read from the environment and checked at start.

Each name below is an environment variable with the prefix `COVERSLIP_`, for example
`COVERSLIP_DATA_FOLDER=/srv/coverslip`.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Annotated

from pydantic import Field, SecretStr, ValidationInfo, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from triage.errors import RecordError

DRIVER = "postgresql+psycopg://"


class Settings(BaseSettings):
    """All settings with their defaults: one laptop, everything below one folder."""

    model_config = SettingsConfigDict(env_prefix="COVERSLIP_", extra="forbid")

    data_folder: Annotated[
        Path,
        Field(
            description="Folder of originals, databases and exports; with an object store and PostgreSQL "
            "only of what is unfinished and of local copies."
        ),
    ] = Path("coverslip-data")
    database_url: Annotated[
        str | None,
        Field(
            description="SQLAlchemy URL of the records, postgresql://USER@HOST/NAME for many machines (the "
            "password may come from PGPASSWORD or a .pgpass file); unset: SQLite (WAL) in the data folder."
        ),
    ] = None
    work_database_url: Annotated[
        str | None,
        Field(
            description="SQLAlchemy URL of the background work; unset: the PostgreSQL database of the "
            "records, else SQLite in the data folder."
        ),
    ] = None
    object_store_url: Annotated[
        str | None,
        Field(
            description="s3://BUCKET or s3://BUCKET/PREFIX: finished files lie there (extra s3); unset: they "
            "lie in the data folder."
        ),
    ] = None
    object_store_endpoint: Annotated[
        str | None,
        Field(
            description="http(s) address of a store that speaks the S3 protocol; unset: as boto3 finds it."
        ),
    ] = None
    object_store_region: Annotated[
        str, Field(min_length=1, description="Region of the bucket; many stores take any name.")
    ] = "us-east-1"
    object_store_key: Annotated[
        SecretStr | None,
        Field(description="Access key of the store; unset: what boto3 finds, such as the machine's role."),
    ] = None
    object_store_secret: Annotated[
        SecretStr | None, Field(description="Secret that belongs to the access key.")
    ] = None
    copies_limit_mib: Annotated[
        int,
        Field(
            ge=1,
            description="MiB of local copies of files of the store; beyond it lies only what was asked for "
            "in the last 15 minutes.",
        ),
    ] = 20_480
    session_secret: Annotated[
        SecretStr | None,
        Field(
            description="Key for session and token hashes, 32 characters or more; unset: made at the first "
            "start and kept in the data folder, readable by the owner alone."
        ),
    ] = None
    labelled_set_key: Annotated[
        SecretStr | None,
        Field(
            description="Key that names specimens in labelled sets, 32 characters or more; unset: made and "
            "kept like the session secret."
        ),
    ] = None
    session_hours: Annotated[
        float, Field(gt=0, le=24 * 31, description="Hours after which a sign-in ends.")
    ] = 12.0
    session_idle_minutes: Annotated[
        float,
        Field(gt=0, le=60 * 24 * 31, description="Minutes without a request after which a sign-in ends."),
    ] = 60.0
    link_hours: Annotated[
        float,
        Field(
            gt=0, le=24 * 31, description="Hours after which an invitation or a link for a new password ends."
        ),
    ] = 72.0
    secure_cookies: Annotated[
        bool, Field(description="True sends the session cookie over HTTPS only: set it behind HTTPS.")
    ] = False
    sign_in_tries_per_minute: Annotated[
        int,
        Field(
            ge=1,
            description="Failed sign-ins a minute, for one user name from one address; ten times "
            "as many for one address, and for one user name from all addresses.",
        ),
    ] = 10
    upload_limit_mib: Annotated[int, Field(ge=1, description="Largest picture file, in MiB.")] = 4096
    upload_keep_hours: Annotated[
        float,
        Field(
            gt=0,
            le=24 * 365,
            description="Hours that an unfinished upload waits for its next byte before it is removed.",
        ),
    ] = 48.0
    decoder_memory_mib: Annotated[
        int,
        Field(
            ge=512,
            description="Memory that decoding one uploaded picture may take, in MiB (kept on Linux); a "
            "picture that needs more is refused.",
        ),
    ] = 768
    weights_folder: Annotated[
        Path | None, Field(description="Folder of the detector's weights; unset: the shipped ones.")
    ] = None
    workers: Annotated[
        int,
        Field(
            ge=0,
            le=64,
            description="Pictures worked on at the same time by this process; 0: it takes no work, others "
            "do. The same number in all processes that take work: start more of them on larger machines.",
        ),
    ] = 1
    device: Annotated[
        str,
        Field(
            min_length=1,
            description="What the detector runs on: cpu, a torch device such as cuda or cuda:1, or auto: the "
            "GPU if there is one.",
        ),
    ] = "auto"
    detector_threads: Annotated[
        int, Field(ge=1, le=64, description="Threads of the detector in each worker.")
    ] = 1
    separate_processes: Annotated[
        bool,
        Field(
            description="True decodes and detects in child processes, so that a crash there stops one step "
            "and not the service."
        ),
    ] = True
    step_timeout_s: Annotated[
        float, Field(gt=0, description="Seconds after which one step of work is given up, in a child.")
    ] = 900.0
    calibration_reminder_days: Annotated[
        int,
        Field(
            ge=1,
            le=36_500,
            description="Days after which a calibration is marked as old, so that somebody measures again "
            "(365: common practice, no source).",
        ),
    ] = 365
    executor_id: Annotated[
        str | None,
        Field(
            min_length=1,
            description="Name of this process among those that share the databases, no two alike and the "
            "same at its next start; unset: made from the machine's name and kept in the data folder.",
        ),
    ] = None
    silent_machine_s: Annotated[
        float,
        Field(
            ge=1,
            description="Seconds without a sign of life after which others take over a machine's work.",
        ),
    ] = 60.0
    host: Annotated[str, Field(description="Address that `serve` listens on.")] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="Port that `serve` listens on.")] = 8000

    @field_validator("session_secret", "labelled_set_key")
    @classmethod
    def _long_enough(cls, value: SecretStr | None) -> SecretStr | None:
        if value is not None and len(value.get_secret_value()) < 32:
            received = len(value.get_secret_value())
            raise ValueError(
                f"must have 32 characters or more, received {received}; leave it unset to have one made"
            )
        return value

    @field_validator("database_url", "work_database_url")
    @classmethod
    def _known_database(cls, value: str | None) -> str | None:
        if value is None:
            return None
        kind, separator, rest = value.partition("://")
        if separator and kind in ("postgresql", "postgres", "postgresql+psycopg"):
            return DRIVER + rest
        if not separator or kind != "sqlite":
            # The rest is not shown: it may hold a password.
            raise ValueError(
                f"begins with {kind[:24]!r}; it must begin with postgresql:// or sqlite:///. Correct it, or "
                "unset it to keep the records in the data folder"
            )
        return value

    @field_validator("object_store_url")
    @classmethod
    def _is_bucket(cls, value: str | None) -> str | None:
        if value is not None and not (value.startswith("s3://") and value[5:].strip("/")):
            raise ValueError(
                f"is {value!r}; it must be s3://BUCKET or s3://BUCKET/PREFIX. Correct it, or unset it to "
                "keep files in the data folder"
            )
        return value

    @field_validator("object_store_endpoint")
    @classmethod
    def _is_address(cls, value: str | None) -> str | None:
        if value is not None and not value.startswith(("http://", "https://")):
            raise ValueError(f"is {value!r}; it must begin with https:// or http://. Correct it, or unset it")
        return value

    @field_validator("object_store_secret")
    @classmethod
    def _has_its_key(cls, value: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        if value is not None and info.data.get("object_store_key") is None:
            raise ValueError("is set without COVERSLIP_OBJECT_STORE_KEY; set both, or neither")
        return value

    def records_url(self) -> str:
        """SQLAlchemy URL of the records."""
        return self.database_url or f"sqlite:///{self.data_folder.absolute() / 'records.sqlite'}"

    def work_url(self) -> str:
        """SQLAlchemy URL of the background work."""
        shared = self.database_url if self.is_on_postgresql() else None
        own = f"sqlite:///{self.data_folder.absolute() / 'work.sqlite'}"
        return self.work_database_url or shared or own

    def is_on_postgresql(self) -> bool:
        """Whether the records are in a database that many machines can share."""
        return (self.database_url or "").startswith(DRIVER)

    def upload_limit_bytes(self) -> int:
        """Largest picture file, in bytes."""
        return self.upload_limit_mib * 1024 * 1024


def read_session_secret(settings: Settings) -> bytes:
    """The key of session and token hashes."""
    return _read_secret(settings, "session_secret")


def read_labelled_set_key(settings: Settings) -> bytes:
    """The key that names specimens in labelled sets; another key parts new sets from older ones."""
    return _read_secret(settings, "labelled_set_key")


def _read_secret(settings: Settings, name: str) -> bytes:
    """The secret that was set, else the one in its file; made there with mode 600 when there is none."""
    given: SecretStr | None = getattr(settings, name)
    if given is not None:
        return given.get_secret_value().encode()
    if settings.object_store_url is not None:
        raise RecordError(
            f"COVERSLIP_{name.upper()} is unset; machines that share an object store need the same one. Make "
            "one of 32 characters or more, and set it on each."
        )
    path = settings.data_folder / name.replace("_", "-")
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_bytes()
    with os.fdopen(descriptor, "wb") as file:
        file.write(secrets.token_hex(32).encode())
    return path.read_bytes()
