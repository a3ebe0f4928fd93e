"""SHA-256 of files: how originals, weights and labelled sets are told apart and checked."""

from __future__ import annotations

import hashlib
from pathlib import Path


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal; the file is read piece by piece."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
