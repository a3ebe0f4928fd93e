"""A labelled set as one zip file."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Sequence
from pathlib import Path

from triage.errors import RecordError
from triage.labelled_set import (
    ANNOTATIONS_FILE,
    IMAGES_FOLDER,
    MANIFEST_FILE,
    LabelledSet,
    read_labelled_set,
)
from triage.unzip import unpack_zip

MOST_FILES = 5000
_NAMES = re.compile(rf"{ANNOTATIONS_FILE}|{MANIFEST_FILE}|{IMAGES_FOLDER}/[0-9]{{6}}\.png")


def zip_set(folder: Path, target: Path) -> Path:
    """Write a labelled set into a zip file, which is returned."""
    # Stored, not squeezed: the pictures are compressed already.
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as file:
        for path in sorted(folder.rglob("*")):
            file.write(path, path.relative_to(folder))
    return target


def unzip_set(zipped: Path, folder: Path, *, limit_bytes: int) -> LabelledSet:
    """The labelled set in a zip file, unpacked into a folder and checked.

    Raises
    ------
    RecordError
        If it is no zip file, holds what no labelled set holds, unpacks to more than `limit_bytes`, or the
        set breaks its own rules.
    """
    unpack_zip(
        zipped,
        folder,
        check_names=_check_names,
        most_files=MOST_FILES,
        limit_bytes=limit_bytes,
        wanted="Send a labelled set as it was downloaded.",
        smaller="Make smaller sets.",
    )
    return read_labelled_set(folder)


def _check_names(names: Sequence[str]) -> None:
    for name in names:
        if not _NAMES.fullmatch(name):
            raise RecordError(
                f"The zip file holds {name!r}, which no labelled set holds. Send a labelled set as it was "
                "downloaded."
            )
