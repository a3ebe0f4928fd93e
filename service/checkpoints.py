"""Keeps a training's checkpoints where every machine finds them: another goes on where one was lost."""

from __future__ import annotations

import logging
import time
import zipfile
from pathlib import Path

from service.errors import UnreachableError
from service.files import Files
from service.run_folder import RunFolder

LOG = logging.getLogger(__name__)
KEEP_EVERY_S = 300.0
"""What a lost machine costs at most; a checkpoint of the shipped network is some 60 MB."""


class Checkpoints:
    """Of one training, between the folder of this machine and the store of files.

    Parameters
    ----------
    files : Files
    folder : RunFolder
    run_id : int
    """

    def __init__(self, files: Files, folder: RunFolder, run_id: int) -> None:
        self._files = files
        self._folder = folder
        self._run_id = run_id
        self._kept = ""
        self._kept_at = float("-inf")

    def bring(self) -> None:
        """Unpack the one that was kept last, unless this machine has one that is as far."""
        zipped = self._files.last_checkpoint(self._run_id)
        if zipped is None:
            return
        with zipfile.ZipFile(zipped) as file:
            self._kept = max(name.partition("/")[0] for name in file.namelist() if "/" in name)
            if self._folder.newest_checkpoint() < self._kept:
                self._folder.unpack_checkpoint(file)

    def keep(self) -> None:
        """Keep the newest one if it is new and the last was kept long enough ago."""
        newest = self._folder.newest_checkpoint()
        if newest <= self._kept or time.monotonic() - self._kept_at < KEEP_EVERY_S:
            return
        self._kept_at = time.monotonic()
        with self._files.new_folder() as temporary:
            zipped = Path(temporary) / "all.zip"
            try:
                self._folder.zip_checkpoint(newest, zipped)
                self._files.keep_checkpoint(self._run_id, zipped)
            except FileNotFoundError:
                # The next one has just taken its place.
                self._kept_at = float("-inf")
            except UnreachableError:
                LOG.warning("Training %s: the store doesn't answer, so no checkpoint was kept", self._run_id)
            else:
                self._kept = newest
