"""A folder for the unfinished files of one process; what a killed process left is removed by the next."""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
from pathlib import Path

LOCK = ".alive"


class Scratch:
    """Names for unfinished files, in a folder of this process alone.

    Parameters
    ----------
    folder : Path
        Shared by all processes of this machine; each holds a lock in a folder of its own below it.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._shared = folder
        self._own: Path | None = None

    def new_path(self, suffix: str = "") -> Path:
        """A path where nothing is yet."""
        if self._own is None:
            self._remove_abandoned()
            self._own = self._claim()
        return self._own / f"{secrets.token_hex(8)}{suffix}"

    def _claim(self) -> Path:
        # Locked under another name first: without its lock a folder counts as abandoned.
        own = self._shared / f"{os.getpid()}-{secrets.token_hex(4)}"
        making = own.with_name(f".{own.name}")
        making.mkdir()
        self._descriptor = os.open(making / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        fcntl.flock(self._descriptor, fcntl.LOCK_EX)
        making.rename(own)
        return own

    def _remove_abandoned(self) -> None:
        for folder in self._shared.glob("[!.]*"):
            if _is_abandoned(folder):
                shutil.rmtree(folder, ignore_errors=True)


def _is_abandoned(folder: Path) -> bool:
    try:
        descriptor = os.open(folder / LOCK, os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    finally:
        os.close(descriptor)
    return True
