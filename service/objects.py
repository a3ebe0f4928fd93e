"""Where finished files are kept: files that never change, under keys such as `originals/ab/abcd…`.

`Objects` is what `service.files` asks for; `FolderObjects` keeps them below one folder, `service.s3_objects`
in a store that many machines share.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Protocol

from service.errors import MissingError


class Objects(Protocol):
    """Finished files under keys; what is kept under a key never changes."""

    def add(self, key: str, source: Path) -> None:
        """Keep a local file, whole or not at all; `source` is gone afterwards.

        What lies there already stays as it is.
        """

    def has(self, key: str) -> bool:
        """Whether something is kept under this key."""

    def fetch(self, key: str, *, sha256: str | None = None) -> Path:
        """A local file with what is kept; it is only to be read.

        Parameters
        ----------
        key : str
        sha256 : str, optional
            What the bytes must hash to; checked when they come from another machine.

        Raises
        ------
        MissingError
            If nothing is kept under this key.
        UnreachableError
            If the store doesn't answer, or hands out other bytes.
        """

    def remove(self, prefix: str) -> None:
        """Remove all whose key begins with `prefix` and a slash."""


class FolderObjects:
    """Files below one folder, a key being the path."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, key: str, source: Path) -> None:
        """Move a file of the same disk to its place."""
        target = self._folder / key
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists():
            source.unlink()
        else:
            source.chmod(0o400)
            source.replace(target)

    def has(self, key: str) -> bool:
        """Whether the file is there."""
        return (self._folder / key).exists()

    def fetch(self, key: str, *, sha256: str | None = None) -> Path:
        """The file itself."""
        if not self.has(key):
            raise MissingError(f"There is no file {key}.")
        return self._folder / key

    def remove(self, prefix: str) -> None:
        """Remove a folder with all that is in it."""
        shutil.rmtree(self._folder / prefix, ignore_errors=True)
