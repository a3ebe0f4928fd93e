"""The name of this process among those that share the databases: never that of a living one, and lasting."""

from __future__ import annotations

import fcntl
import itertools
import os
import secrets
import socket
from contextlib import suppress
from pathlib import Path


class ProcessName:
    """A name that no other living process has, and that the next process in its place takes again.

    A process that starts again by the same name goes on with what it had begun. The name is the machine's,
    a mark of the data folder, and the lowest number that no living process of that folder holds.

    Parameters
    ----------
    folder : Path
        The data folder.
    given : str, optional
        Taken as it is.
    """

    def __init__(self, folder: Path, given: str | None = None) -> None:
        self._descriptor: int | None = None
        self.name = given or self._claim(folder.absolute() / "processes")

    def release(self) -> None:
        """Let another process have the name."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def _claim(self, folder: Path) -> str:
        folder.mkdir(parents=True, exist_ok=True)
        mark = _read_mark(folder / "mark")
        for number in itertools.count():
            descriptor = os.open(folder / str(number), os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(descriptor)
                continue
            self._descriptor = descriptor
            return f"{socket.gethostname()}-{mark}-{number}"
        raise AssertionError("numbers never end")


def _read_mark(path: Path) -> str:
    """What sets this data folder apart from others on machines of the same name."""
    mine = path.with_name(f"{path.name}-{secrets.token_hex(3)}")
    mine.write_text(secrets.token_hex(3))
    with suppress(FileExistsError):
        # Whole or not at all, and of two that start together one.
        os.link(mine, path)
    mine.unlink()
    return path.read_text()
