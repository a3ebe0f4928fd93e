"""A labelled set as one zip file."""

from __future__ import annotations

import re
import shutil
import zipfile
import zlib
from pathlib import Path

from triage.errors import RecordError
from triage.labelled_set import (
    ANNOTATIONS_FILE,
    IMAGES_FOLDER,
    MANIFEST_FILE,
    LabelledSet,
    read_labelled_set,
)

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
    try:
        with zipfile.ZipFile(zipped) as file:
            members = [one for one in file.infolist() if not one.is_dir()]
            _check_members(members, limit_bytes)
            for one in members:
                path = folder / one.filename
                path.parent.mkdir(parents=True, exist_ok=True)
                with file.open(one) as source, path.open("xb") as target:
                    shutil.copyfileobj(source, target)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError) as err:
        raise RecordError(
            f"This is no zip file that can be unpacked ({err}). Send a labelled set as it was downloaded."
        ) from err
    return read_labelled_set(folder)


def _check_members(members: list[zipfile.ZipInfo], limit_bytes: int) -> None:
    for one in members:
        if not _NAMES.fullmatch(one.filename):
            raise RecordError(
                f"The zip file holds {one.filename!r}, which no labelled set holds. Send a labelled set as "
                "it was downloaded."
            )
    names = [one.filename for one in members]
    if len(names) > MOST_FILES or len(set(names)) < len(names):
        raise RecordError(
            f"The zip file holds {len(names)} files, {len(set(names))} of them by different names; at most "
            f"{MOST_FILES} are taken, each once. Make smaller sets."
        )
    n_bytes = sum(one.file_size for one in members)
    if n_bytes > limit_bytes:
        raise RecordError(
            f"The zip file unpacks to {n_bytes} bytes; the limit here is {limit_bytes}. Make smaller sets."
        )
