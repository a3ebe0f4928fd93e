"""Files of the service: originals under their SHA-256, viewer pyramids, unfinished work and exports.

No name that a user chose ever becomes a path on disk.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool

from service.errors import TooLargeError

FOLDERS = ("incoming", "originals", "pyramids", "work", "labelled-sets", "shown-marks")


@dataclass(frozen=True)
class Received:
    """An upload that lies whole in a temporary file."""

    path: Path
    sha256: str
    n_bytes: int


class Files:
    """All paths below one folder.

    Parameters
    ----------
    folder : Path
        Made when missing, readable by the owner alone.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder.absolute()
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        for name in FOLDERS:
            (self._folder / name).mkdir(exist_ok=True)

    def clear_incoming(self) -> None:
        """Remove uploads that a stop cut off."""
        shutil.rmtree(self._folder / "incoming")
        (self._folder / "incoming").mkdir()

    async def receive(self, chunks: AsyncIterator[bytes], *, limit_bytes: int) -> Received:
        """Write a stream to a temporary file while hashing it.

        Raises
        ------
        TooLargeError
            As soon as more than `limit_bytes` came in; the temporary file is removed.
        """
        digest, n_bytes = hashlib.sha256(), 0
        descriptor, name = tempfile.mkstemp(dir=self._folder / "incoming")
        try:
            with os.fdopen(descriptor, "wb") as file:
                async for chunk in chunks:
                    n_bytes += len(chunk)
                    if n_bytes > limit_bytes:
                        raise TooLargeError(
                            f"The file is larger than {limit_bytes} bytes, the limit set here."
                        )
                    digest.update(chunk)
                    await run_in_threadpool(file.write, chunk)
                await run_in_threadpool(_flush_to_disk, file.fileno(), file.flush)
        except BaseException:
            Path(name).unlink()
            raise
        return Received(Path(name), digest.hexdigest(), n_bytes)

    def keep(self, received: Received) -> Path:
        """Move an upload to its place; bytes that are there already stay as they are."""
        target = self.original(received.sha256)
        target.parent.mkdir(exist_ok=True)
        if target.exists():
            received.path.unlink()
        else:
            received.path.chmod(0o400)
            received.path.replace(target)
        return target

    def drop(self, received: Received) -> None:
        """Remove an upload that was refused."""
        received.path.unlink(missing_ok=True)

    def original(self, sha256: str) -> Path:
        """Where the bytes of a picture are kept."""
        return self._folder / "originals" / sha256[:2] / sha256

    def pyramid(self, sha256: str) -> Path:
        """Where the viewer's pyramid of a picture is kept."""
        return self._folder / "pyramids" / f"{sha256}.tif"

    def batch(self, run: str, index: int) -> Path:
        """Where the detections of one batch of one run are kept until the run ends."""
        return self._folder / "work" / run / f"{index}.json"

    def write_batch(self, run: str, index: int, text: str) -> None:
        """Keep the detections of one batch, whole or not at all."""
        path = self.batch(run, index)
        path.parent.mkdir(exist_ok=True)
        unfinished = path.with_suffix(".part")
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(path)

    def drop_batches(self, run: str) -> None:
        """Remove the batches of a run that has ended."""
        shutil.rmtree(self._folder / "work" / run, ignore_errors=True)

    def labelled_set(self, set_id: int) -> Path:
        """Where the zip file of an export is kept."""
        return self._folder / "labelled-sets" / f"{set_id}.zip"

    def shown_marks(self, name: str) -> Path:
        """Where the picture of a found ruling is kept, under a name of our own."""
        return self._folder / "shown-marks" / f"{name}.jpg"

    def new_folder(self) -> tempfile.TemporaryDirectory[str]:
        """A folder that goes away with its `with` block, on the same disk."""
        return tempfile.TemporaryDirectory(dir=self._folder / "incoming")


def _flush_to_disk(descriptor: int, flush: object) -> None:
    assert callable(flush)
    flush()
    os.fsync(descriptor)
