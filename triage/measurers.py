"""Processes that measure candidates of a large picture, each with the picture open for itself.

Measuring is many short calls, between which threads of one process wait for each other. A process runs
`triage.measuring_process` with pipes for its input and output; it ends when its input does, however its
owner ended.
"""

from __future__ import annotations

import pickle
import queue
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from itertools import chain
from typing import BinaryIO

from triage.describe import Ask, describe_candidates
from triage.errors import TriageError
from triage.images import Picture, PixelFile, open_pixels
from triage.records import Candidate, Ranked

# Two threads of one process measure hardly sooner than one. A process holds 80 to 150 MiB.
LEAST_THREADS = 2

_Process = subprocess.Popen[bytes]


class Measurers:
    """So many processes, started at once; they open the picture at its first candidates.

    Parameters
    ----------
    picture : Picture
        With a `pixel_file`.
    n : int
    """

    def __init__(self, picture: Picture, n: int) -> None:
        if picture.pixel_file is None:
            raise ValueError(f"{picture.file_name} is held in memory; only pixels in a file can be shared.")
        self.n = n
        self._picture = picture
        self._shared = (picture.pixel_file, picture.file_name)
        self._processes = [_start() for _ in range(n)]
        self._free: queue.SimpleQueue[_Process] = queue.SimpleQueue()
        for process in self._processes:
            self._free.put(process)

    def describe(self, pieces: Sequence[Ranked], ask: Ask) -> tuple[Candidate, ...]:
        """The candidates of all pieces in order, the same as of `describe_candidates`.

        Raises
        ------
        ImageError
            If the picture turns out to be damaged.
        """
        with ThreadPoolExecutor(len(self._processes), thread_name_prefix="measurers") as pool:
            return tuple(chain.from_iterable(pool.map(lambda piece: self._describe(piece, ask), pieces)))

    def _describe(self, piece: Ranked, ask: Ask) -> tuple[Candidate, ...]:
        process = self._free.get()
        try:
            assert process.stdin is not None and process.stdout is not None
            pickle.dump((*self._shared, piece, ask), process.stdin)
            process.stdin.flush()
            said: TriageError | tuple[Candidate, ...] = pickle.load(process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError):
            # Whatever ended it, for instance a lack of memory, nothing is lost.
            return describe_candidates(self._picture, piece, ask)
        finally:
            self._free.put(process)
        if isinstance(said, TriageError):
            raise said
        return said

    def close(self) -> None:
        """End the processes."""
        for process in self._processes:
            process.kill()
            for pipe in (process.stdin, process.stdout):
                assert pipe is not None
                with suppress(OSError):
                    pipe.close()
            process.wait()


def _start() -> _Process:
    # Ctrl-C goes to the whole group; the owner decides when a process ends.
    return subprocess.Popen(
        [sys.executable, "-m", "triage.measuring_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )


@contextmanager
def share_measuring(picture: Picture, threads: int) -> Iterator[Measurers | None]:
    """As many processes as threads where that pays: for a large picture, on two threads or more."""
    measurers = begin_measurers(picture, threads)
    try:
        yield measurers
    finally:
        if measurers is not None:
            measurers.close()


def begin_measurers(picture: Picture, threads: int) -> Measurers | None:
    """The same, to be closed by whoever asks."""
    if threads < LEAST_THREADS or picture.pixel_file is None:
        return None
    return Measurers(picture, threads)


def answer(asked: BinaryIO, said: BinaryIO) -> None:
    """Measure what is asked for until nothing more is."""
    opened: dict[tuple[PixelFile, str], Picture] = {}
    while True:
        try:
            pixel_file, file_name, piece, ask = pickle.load(asked)
        except EOFError:
            return
        try:
            if (pixel_file, file_name) not in opened:
                opened[pixel_file, file_name] = open_pixels(pixel_file, file_name)
            answered: object = describe_candidates(opened[pixel_file, file_name], piece, ask)
        except TriageError as err:
            answered = err
        pickle.dump(answered, said)
        said.flush()
