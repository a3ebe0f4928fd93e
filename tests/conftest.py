from __future__ import annotations

import logging
import resource
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import pytest
from xdist.scheduler import LoadScopeScheduling

FIRST = ("browser", "shared")
"""What one process does alone and first: another one would start a browser, or servers, of its own."""


class ByFile(LoadScopeScheduling):
    """Gives processes the tests file by file, and what stands in `FIRST` as a whole."""

    def _split_scope(self, nodeid: str) -> str:
        return find_group(nodeid)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> ByFile:
    """Called where several processes share the tests."""
    return ByFile(config, log)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest goes first."""
    items.sort(key=lambda item: [*FIRST, find_group(item.nodeid)].index(find_group(item.nodeid)))


def find_group(nodeid: str) -> str:
    """What is done by one process in one go."""
    path, _, name = nodeid.partition("::")
    if path.startswith("tests/browser/"):
        return "browser"
    return "shared" if "[shared" in name else path


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
