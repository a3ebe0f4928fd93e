from __future__ import annotations

import logging
import resource
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest


@pytest.fixture(autouse=True, scope="module")
def _restore_loggers() -> Iterator[None]:
    """The program quiets the decoders' loggers; other tests want them as they were."""
    levels = {name: logging.getLogger(name).level for name in ("pyvips", "tifffile")}
    yield
    for name, level in levels.items():
        logging.getLogger(name).setLevel(level)


@pytest.fixture
def largest_file() -> Callable[[int], AbstractContextManager[None]]:
    """Lets the system refuse to write beyond so many bytes of a file within a block, as a full disk does."""

    @contextmanager
    def bound(n_bytes: int) -> Iterator[None]:
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, before[1]))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)

    return bound
