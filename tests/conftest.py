from __future__ import annotations

import logging
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True, scope="module")
def _restore_loggers() -> Iterator[None]:
    """The program quiets the decoders' loggers; other tests want them as they were."""
    levels = {name: logging.getLogger(name).level for name in ("pyvips", "tifffile")}
    yield
    for name, level in levels.items():
        logging.getLogger(name).setLevel(level)
