"""A child process behind a pipe, which another thread can end at any time."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from threading import Lock
from typing import Any

# A fresh start for each: a fork of a process with threads can hang.
_SPAWN = multiprocessing.get_context("spawn")


class ChildClosedError(Exception):
    """The child was ended for good."""


class Child:
    """Starts a process when it is asked for one, and again after `end`.

    Parameters
    ----------
    serve : callable
        What it runs, with its end of the pipe and `arguments`; it ends when the pipe closes.
    arguments : object
        What can be sent to a process.

    Attributes
    ----------
    lock : threading.Lock
        Whoever connects, talks or calls `end` holds it.
    is_closed : bool
    """

    def __init__(self, serve: Callable[..., None], *arguments: Any) -> None:
        self._serve = serve
        self._arguments = arguments
        self._process: BaseProcess | None = None
        self._connection: Connection[Any, Any] | None = None
        self.lock = Lock()
        self.is_closed = False

    @property
    def has_died(self) -> bool:
        """Whether it ended by itself."""
        return self._process is not None and not self._process.is_alive()

    def connect(self) -> tuple[Connection[Any, Any], BaseProcess]:
        """Our end of the pipe, and the process, started if there is none.

        Raises
        ------
        ChildClosedError
            If it was closed, meanwhile too.
        """
        if self.is_closed:
            raise ChildClosedError
        if self._connection is None or self._process is None:
            self._connection, theirs = _SPAWN.Pipe()
            self._process = _SPAWN.Process(target=self._serve, args=(theirs, *self._arguments), daemon=True)
            self._process.start()
            theirs.close()
            if self.is_closed:
                self.end()
                raise ChildClosedError
        return self._connection, self._process

    def end(self) -> None:
        """End the process, if there is one."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
        if self._connection is not None:
            self._connection.close()
        self._process = self._connection = None

    def close(self) -> None:
        """End it for good, in the middle of an answer too."""
        self.is_closed = True
        process = self._process
        if process is not None:
            # One that is being started can't be ended yet; whoever starts it then looks whether to go on.
            with suppress(AttributeError, ValueError):
                process.kill()
        with self.lock:
            self.end()
