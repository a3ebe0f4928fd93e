"""Workers that run the steps, in child processes: a crash of a decoder stops a step, not the service."""

from __future__ import annotations

import logging
import queue
import signal
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any, Protocol

from service.child import Child, ChildClosedError
from service.errors import WorkError
from service.steps import DetectorSource, Steps
from triage.errors import TriageError

LOG = logging.getLogger(__name__)


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
        self._timeout_s = timeout_s
        self._child = Child(_serve, source)

    def call(self, step: str, *arguments: Any) -> Any:
        """What the step of that name returns.

        Raises
        ------
        TriageError
            What the step raised.
        WorkerDiedError
            If the child crashed, or took too long and was ended.
        """
        with self._child.lock:
            try:
                connection, _ = self._child.connect()
            except ChildClosedError as err:
                raise WorkerDiedError("The worker was closed.") from err
            try:
                connection.send((step, arguments))
                if not connection.poll(self._timeout_s):
                    raise WorkerDiedError(f"Step {step!r} took longer than {self._timeout_s:g} s.")
                error, value = connection.recv()
            except (EOFError, OSError) as err:
                self._child.end()
                raise WorkerDiedError(f"The worker process ended in the middle of step {step!r}.") from err
            except WorkerDiedError:
                self._child.end()
                raise
        if error is not None:
            raise error
        return value

    def close(self) -> None:
        """End the child for good, in the middle of a step too."""
        self._child.close()


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
