"""Every setting of the service, read from the environment and checked at start.

Each name below is an environment variable with the prefix `COVERSLIP_`, for example
`COVERSLIP_DATA_FOLDER=/srv/coverslip`.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Annotated

from pydantic import Field, SecretStr, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

SQLITE_PREFIX = "sqlite"


class Settings(BaseSettings):
    """All settings with their defaults: one laptop, everything below one folder."""

    model_config = SettingsConfigDict(env_prefix="COVERSLIP_", extra="forbid")

    data_folder: Annotated[Path, Field(description="Folder of originals, databases and exports.")] = Path(
        "coverslip-data"
    )
    database_url: Annotated[
        str | None,
        Field(description="SQLAlchemy URL of the records; unset: SQLite (WAL) in the data folder."),
    ] = None
    work_database_url: Annotated[
        str | None,
        Field(description="SQLAlchemy URL of the background work; unset: SQLite in the data folder."),
    ] = None
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
    secure_cookies: Annotated[
        bool, Field(description="True sends the session cookie over HTTPS only: set it behind HTTPS.")
    ] = False
    sign_in_tries_per_minute: Annotated[
        int, Field(ge=1, description="Failed sign-ins a minute, for one user name from one address.")
    ] = 10
    upload_limit_mib: Annotated[int, Field(ge=1, description="Largest picture file, in MiB.")] = 4096
    weights_folder: Annotated[
        Path | None, Field(description="Folder of the detector's weights; unset: the shipped ones.")
    ] = None
    workers: Annotated[int, Field(ge=1, le=64, description="Pictures worked on at the same time.")] = 1
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
        str, Field(min_length=1, description="Name of this machine among those that share the databases.")
    ] = "local"
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

    def records_url(self) -> str:
        """SQLAlchemy URL of the records."""
        return self.database_url or f"sqlite:///{self.data_folder.absolute() / 'records.sqlite'}"

    def work_url(self) -> str:
        """SQLAlchemy URL of the background work."""
        return self.work_database_url or f"sqlite:///{self.data_folder.absolute() / 'work.sqlite'}"

    def upload_limit_bytes(self) -> int:
        """Largest picture file, in bytes."""
        return self.upload_limit_mib * 1024 * 1024


def read_session_secret(settings: Settings) -> bytes:
    """The key of session and token hashes."""
    return _read_secret(settings.session_secret, settings.data_folder / "session-secret")


def read_labelled_set_key(settings: Settings) -> bytes:
    """The key that names specimens in labelled sets; another key parts new sets from older ones."""
    return _read_secret(settings.labelled_set_key, settings.data_folder / "labelled-set-key")


def _read_secret(given: SecretStr | None, path: Path) -> bytes:
    """The secret that was set, else the one in the file; made there with mode 600 when there is none."""
    if given is not None:
        return given.get_secret_value().encode()
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_bytes()
    with os.fdopen(descriptor, "wb") as file:
        file.write(secrets.token_hex(32).encode())
    return path.read_bytes()
