"""Local copies of files that are kept elsewhere; the ones that nobody asked for longest go first."""

from __future__ import annotations

import os
import shutil
import threading
import time
from contextlib import suppress
from pathlib import Path

# A step may open its picture again at its end; what was asked for this lately is never removed.
HOLD_S = 900.0


class Copies:
    """Copies below one folder, shared by the processes of one machine.

    Parameters
    ----------
    folder : Path
        Made when missing.
    limit_bytes : int
        What all copies together may take; beyond it lies only what was asked for in the last `hold_s`.
    hold_s : float
        Seconds for which a copy that was asked for stays in any case.
    """

    def __init__(self, folder: Path, *, limit_bytes: int, hold_s: float = HOLD_S) -> None:
        self._folder = folder
        self._folder.mkdir(parents=True, exist_ok=True)
        self._limit_bytes = limit_bytes
        self._hold_s = hold_s
        self._lock = threading.Lock()

    def find(self, key: str) -> Path | None:
        """The copy under this key, from now on the newest; None where there is none."""
        path = self._folder / key
        try:
            os.utime(path)
        except FileNotFoundError:
            return None
        return path

    def add(self, key: str, source: Path) -> Path:
        """Move a whole file of the same disk to its place, and make room for it."""
        target = self._folder / key
        target.parent.mkdir(parents=True, exist_ok=True)
        source.replace(target)
        os.utime(target)
        with self._lock:
            self._make_room()
        return target

    def remove(self, prefix: str) -> None:
        """Remove all copies whose key begins with `prefix` and a slash."""
        shutil.rmtree(self._folder / prefix, ignore_errors=True)

    def _make_room(self) -> None:
        found = []
        for path in self._folder.rglob("*"):
            # Another process may remove it in this very moment.
            with suppress(FileNotFoundError):
                state = path.stat()
                if path.is_file():
                    found.append((state.st_mtime, state.st_size, path))
        n_bytes = sum(size for _, size, _ in found)
        for asked_at, size, path in sorted(found):
            if n_bytes <= self._limit_bytes or time.time() - asked_at < self._hold_s:
                return
            path.unlink(missing_ok=True)
            n_bytes -= size
