"""Workers that run the steps, in child processes: a crash of a decoder stops a step, not the service."""

from __future__ import annotations

import logging
import multiprocessing
import queue
import signal
import threading
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

from service.errors import WorkError
from service.steps import DetectorSource, Steps
from triage.errors import TriageError

LOG = logging.getLogger(__name__)
# A fresh start for each: a fork of a process with threads can hang.
_SPAWN = multiprocessing.get_context("spawn")


class WorkerDiedError(WorkError):
    """The child process ended or hung in the middle of a step."""


class Worker(Protocol):
    """Runs one step at a time."""

    def call(self, step: str, *arguments: Any) -> Any:
        """What the step of that name returns."""

    def close(self) -> None:
        """End the worker."""


class LocalWorker:
    """Runs steps in the calling thread."""

    def __init__(self, source: DetectorSource) -> None:
        self._steps = Steps(source)

    def call(self, step: str, *arguments: Any) -> Any:
        """What the step of that name returns."""
        return getattr(self._steps, step)(*arguments)

    def close(self) -> None:
        """Let go of the picture."""
        self._steps.close()


class ChildWorker:
    """Runs steps in a child process, started at the first step and again after a crash.

    The child ends by itself when this process does, however that ends: its pipe closes.
    """

    def __init__(self, source: DetectorSource, *, timeout_s: float) -> None:
        self._source = source
        self._timeout_s = timeout_s
        self._process: BaseProcess | None = None
        self._connection: Connection[Any, Any] | None = None
        self._lock = threading.Lock()
        self._is_closed = False

    def call(self, step: str, *arguments: Any) -> Any:
        """What the step of that name returns.

        Raises
        ------
        TriageError
            What the step raised.
        WorkerDiedError
            If the child crashed, or took too long and was ended.
        """
        with self._lock:
            connection = self._connect()
            try:
                connection.send((step, arguments))
                if not connection.poll(self._timeout_s):
                    raise WorkerDiedError(f"Step {step!r} took longer than {self._timeout_s:g} s.")
                error, value = connection.recv()
            except (EOFError, OSError) as err:
                self._end()
                raise WorkerDiedError(f"The worker process ended in the middle of step {step!r}.") from err
            except WorkerDiedError:
                self._end()
                raise
        if error is not None:
            raise error
        return value

    def close(self) -> None:
        """End the child for good, in the middle of a step too."""
        self._is_closed = True
        process = self._process
        if process is not None:
            # One that is being started can't be ended yet; whoever starts it then looks whether to go on.
            with suppress(AttributeError, ValueError):
                process.kill()
        with self._lock:
            self._end()

    def _connect(self) -> Connection[Any, Any]:
        if self._is_closed:
            raise WorkerDiedError("The worker was closed.")
        if self._connection is None:
            self._connection, theirs = _SPAWN.Pipe()
            self._process = _SPAWN.Process(target=_serve, args=(theirs, self._source), daemon=True)
            self._process.start()
            theirs.close()
            if self._is_closed:
                self._end()
                raise WorkerDiedError("The worker was closed.")
        return self._connection

    def _end(self) -> None:
        if self._process is not None and self._connection is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
            self._connection.close()
        self._process = self._connection = None


def _serve(connection: Connection[Any, Any], source: DetectorSource) -> None:
    """The child: answers until the pipe closes."""
    # Ctrl-C goes to the whole group; the parent decides when a child ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    steps = Steps(source)
    while True:
        try:
            step, arguments = connection.recv()
            connection.send(_answer(steps, step, arguments))
        except (EOFError, OSError):
            # The service is gone, so nobody waits for an answer.
            return


def _answer(steps: Steps, step: str, arguments: tuple[Any, ...]) -> tuple[Exception | None, Any]:
    try:
        return None, getattr(steps, step)(*arguments)
    except TriageError as err:
        return err, None
    except Exception as err:
        # The border of the process: a traceback can't be sent, so its text is.
        return RuntimeError(f"{err}\n{traceback.format_exc()}"), None


class WorkerPool:
    """Workers to borrow, each by one thread at a time."""

    def __init__(self, workers: list[Worker]) -> None:
        self._workers = workers
        self._free: queue.SimpleQueue[Worker] = queue.SimpleQueue()
        for worker in workers:
            self._free.put(worker)

    @contextmanager
    def borrow(self) -> Iterator[Worker]:
        """A free worker, as soon as there is one."""
        worker = self._free.get()
        try:
            yield worker
        finally:
            self._free.put(worker)

    def close(self) -> None:
        """End all workers."""
        for worker in self._workers:
            worker.close()
