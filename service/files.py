"""Files of the service: originals under their SHA-256, viewer pyramids, unfinished work and exports.

No name that a user chose ever becomes a path on disk. Every method that answers with a path answers with a
local file, wherever `Objects` keeps it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool

from service.errors import TooLargeError
from service.objects import FolderObjects, Objects
from service.scratch import Scratch
from triage.disk import is_disk_full, say_disk_full
from triage.weights import GRAPH_FILE, RECORD_FILE, WEIGHTS_FILE

DETECTOR_FILES = (WEIGHTS_FILE, GRAPH_FILE, RECORD_FILE)


@dataclass(frozen=True)
class Received:
    """An upload that lies whole in a temporary file."""

    path: Path
    sha256: str
    n_bytes: int


class Files:
    """All files of the service.

    Parameters
    ----------
    folder : Path
        For all where no `objects` are given. Made when missing, readable by the owner alone.
    scratch : Scratch, optional
        For what is unfinished, on the same disk; left out, one below the folder.
    objects : Objects, optional
        Where finished files are kept; left out, below the folder too.
    """

    def __init__(self, folder: Path, scratch: Scratch | None = None, objects: Objects | None = None) -> None:
        self._folder = folder.absolute()
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._pixels = self._folder / "pixels"
        self._pixels.mkdir(exist_ok=True)
        self._scratch = scratch or Scratch(self._folder / "scratch")
        self._objects = objects or FolderObjects(self._folder)

    async def receive(self, chunks: AsyncIterator[bytes], *, limit_bytes: int) -> Received:
        """Write a stream to a temporary file while hashing it.

        Raises
        ------
        TooLargeError
            As soon as more than `limit_bytes` came in; the temporary file is removed.
        StorageError
            If there is no room on the disk; likewise.
        """
        digest, n_bytes = hashlib.sha256(), 0
        path = self._scratch.new_path()
        try:
            with path.open("xb") as file:
                async for chunk in chunks:
                    n_bytes += len(chunk)
                    if n_bytes > limit_bytes:
                        raise TooLargeError(
                            f"The file is larger than {limit_bytes} bytes, the limit set here."
                        )
                    digest.update(chunk)
                    await run_in_threadpool(file.write, chunk)
                await run_in_threadpool(_flush_to_disk, file.fileno(), file.flush)
        except OSError as err:
            path.unlink(missing_ok=True)
            if is_disk_full(err, self._folder):
                raise say_disk_full("this file", err) from err
            raise
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return Received(path, digest.hexdigest(), n_bytes)

    def keep(self, received: Received) -> Path:
        """Keep an upload for good; bytes that are there already stay as they are."""
        self._objects.add(_original(received.sha256), received.path)
        return self.original(received.sha256)

    def drop(self, received: Received) -> None:
        """Remove an upload that was refused."""
        received.path.unlink(missing_ok=True)

    def original(self, sha256: str) -> Path:
        """The bytes of a picture."""
        return self._objects.fetch(_original(sha256), sha256=sha256)

    def has_pyramid(self, sha256: str) -> bool:
        """Whether the viewer's pyramid of a picture is written."""
        return self._objects.has(_pyramid(sha256))

    def pyramid(self, sha256: str) -> Path:
        """The viewer's pyramid of a picture."""
        return self._objects.fetch(_pyramid(sha256))

    @contextmanager
    def make_pyramid(self, sha256: str) -> Iterator[Path]:
        """Where the viewer's pyramid of a picture is, or else is to be written; kept once the block ends."""
        with self._make(_pyramid(sha256), ".tif") as path:
            yield path

    def pixels(self, sha256: str) -> Path:
        """Where this machine's tiled copy of a large picture is, or is to be, while it is worked on."""
        return self._pixels / f"{sha256}.tif"

    def drop_pixels(self, sha256: str) -> None:
        """Remove the tiled copy of a picture; whoever reads it goes on, others decode the picture again."""
        self.pixels(sha256).unlink(missing_ok=True)

    def clear_pixels(self, *, keep: set[str | None], older_than_s: float) -> None:
        """Remove the tiled copies that nobody needs, half-written ones of a killed process too."""
        for path in self._pixels.iterdir():
            with suppress(FileNotFoundError):
                is_old = time.time() - path.stat().st_mtime > older_than_s
                if is_old and path.name.removesuffix(".tif") not in keep:
                    path.unlink()

    def has_batch(self, run: str, index: int | str) -> bool:
        """Whether the detections of one batch of one run are kept."""
        return self._objects.has(_batch(run, index))

    def batch(self, run: str, index: int | str) -> Path:
        """The detections of one batch of one run, kept until the run ends."""
        return self._objects.fetch(_batch(run, index))

    def write_batch(self, run: str, index: int | str, text: str) -> None:
        """Keep the detections of one batch, whole or not at all."""
        unfinished = self._scratch.new_path(".json")
        unfinished.write_text(text, encoding="utf-8")
        self._objects.add(_batch(run, index), unfinished)

    def drop_batches(self, run: str) -> None:
        """Remove the batches of a run that has ended."""
        self._objects.remove(f"work/{run}")

    def labelled_set(self, set_id: int) -> Path:
        """The zip file of an export."""
        return self._objects.fetch(_labelled_set(set_id))

    def keep_labelled_set(self, set_id: int, zipped: Path) -> None:
        """Keep the zip file of an export."""
        self._objects.add(_labelled_set(set_id), zipped)

    def detector(self, weights_sha256: str) -> Path:
        """The folder of a hospital's own detector, with all its files."""
        for name in DETECTOR_FILES:
            path = self._objects.fetch(
                _detector(weights_sha256, name), sha256=weights_sha256 if name == WEIGHTS_FILE else None
            )
        return path.parent

    def keep_detector(self, weights_sha256: str, folder: Path) -> Path:
        """Keep the files of a detector under the hash of its weights; the folder stays as it is."""
        for name in DETECTOR_FILES:
            self._keep_copy(_detector(weights_sha256, name), folder / name)
        return self.detector(weights_sha256)

    def plot(self, run_id: int, name: str) -> Path:
        """A drawing that a training left."""
        return self._objects.fetch(_plot(run_id, name))

    def keep_plot(self, run_id: int, path: Path) -> None:
        """Keep a drawing of a training under its own name."""
        self._keep_copy(_plot(run_id, path.name), path)

    def count_checkpoints(self, run_id: int) -> int:
        """How many checkpoints of a training were kept; the last one is there."""
        n_kept = 0
        while self._objects.has(_checkpoint_mark(run_id, n_kept + 1)):
            n_kept += 1
        return n_kept

    def last_checkpoint(self, run_id: int) -> Path | None:
        """The zip file of the newest checkpoint of a training; None if none was kept."""
        n_kept = self.count_checkpoints(run_id)
        return self._objects.fetch(f"{_checkpoint(run_id, n_kept)}/all.zip") if n_kept else None

    def keep_checkpoint(self, run_id: int, zipped: Path) -> None:
        """Keep a checkpoint in place of the one before, so that any machine goes on there."""
        number = self.count_checkpoints(run_id) + 1
        self._objects.add(f"{_checkpoint(run_id, number)}/all.zip", zipped)
        mark = self._scratch.new_path()
        mark.write_text(str(number), encoding="utf-8")
        self._objects.add(_checkpoint_mark(run_id, number), mark)
        self._objects.remove(_checkpoint(run_id, number - 1))

    def drop_checkpoints(self, run_id: int) -> None:
        """Remove all that was kept of a training that has ended."""
        self._objects.remove(f"checkpoints/{run_id}")

    def _keep_copy(self, key: str, path: Path) -> None:
        unfinished = self._scratch.new_path()
        shutil.copyfile(path, unfinished)
        self._objects.add(key, unfinished)

    def shown_marks(self, name: str) -> Path:
        """The picture of a found ruling, under a name of our own."""
        return self._objects.fetch(_shown_marks(name))

    @contextmanager
    def make_shown_marks(self, name: str) -> Iterator[Path]:
        """Where the picture of a found ruling is to be written; kept once the block ends."""
        with self._make(_shown_marks(name), ".jpg") as path:
            yield path

    def new_folder(self) -> tempfile.TemporaryDirectory[str]:
        """A folder that goes away with its `with` block, on the same disk."""
        return tempfile.TemporaryDirectory(dir=self._scratch.new_path().parent)

    @contextmanager
    def _make(self, key: str, suffix: str) -> Iterator[Path]:
        if self._objects.has(key):
            yield self._objects.fetch(key)
            return
        unfinished = self._scratch.new_path(suffix)
        try:
            yield unfinished
            if unfinished.exists():
                self._objects.add(key, unfinished)
        finally:
            unfinished.unlink(missing_ok=True)


def _original(sha256: str) -> str:
    return f"originals/{sha256[:2]}/{sha256}"


def _pyramid(sha256: str) -> str:
    return f"pyramids/{sha256}.tif"


def _batch(run: str, index: int | str) -> str:
    return f"work/{run}/{index}.json"


def _labelled_set(set_id: int) -> str:
    return f"labelled-sets/{set_id}.zip"


def _detector(weights_sha256: str, name: str) -> str:
    return f"detectors/{weights_sha256}/{name}"


def _plot(run_id: int, name: str) -> str:
    return f"trainings/{run_id}/{name}"


def _checkpoint(run_id: int, number: int) -> str:
    return f"checkpoints/{run_id}/{number}"


def _checkpoint_mark(run_id: int, number: int) -> str:
    return f"checkpoints/{run_id}/kept/{number}"


def _shown_marks(name: str) -> str:
    return f"shown-marks/{name}.jpg"


def _flush_to_disk(descriptor: int, flush: object) -> None:
    assert callable(flush)
    flush()
    os.fsync(descriptor)
