"""A COCO file with its pictures in one zip file, unpacked and taken into a labelled set."""

from __future__ import annotations

import json
import shutil
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from triage.coco_import import ImportReport, import_coco
from triage.errors import RecordError
from triage.labelled_set import IMAGES_FOLDER, LabelledSet

MOST_FILES = 20_000


def import_coco_zip(
    zipped: Path,
    work: Path,
    out: Path,
    *,
    key: bytes,
    groups: Mapping[str, str],
    um_per_px: float | None,
    limit_bytes: int,
) -> tuple[LabelledSet, ImportReport]:
    """Write a labelled set from a zip file that holds one JSON file and the pictures that it names.

    Parameters
    ----------
    zipped : Path
    work, out : Path
        New folders: for what is unpacked, and for the set. File names of the JSON are looked for beside it,
        then in `images/` beside it.
    key, groups, um_per_px
        As for `triage.coco_import.import_coco`.
    limit_bytes : int
        What all files together may unpack to.

    Raises
    ------
    RecordError
        If it is no such zip file, or nothing in it can be imported.
    """
    annotations = _unpack(zipped, work, limit_bytes)
    pictures = _find_pictures(annotations)
    try:
        return import_coco(annotations, pictures, out, key=key, groups=groups, um_per_px=um_per_px)
    except RecordError as err:
        # Whoever sent the file knows nothing of the folder it was unpacked in.
        raise RecordError(str(err).replace(f"{work}/", "")) from err


def _find_pictures(annotations: Path) -> Path:
    """The folder that the file names are below."""
    try:
        names = [
            str(row["file_name"]) for row in json.loads(annotations.read_text(encoding="utf-8"))["images"]
        ]
    except (ValueError, KeyError, TypeError):
        # The import itself says what is wrong with the file.
        names = []
    folder = annotations.parent
    return folder if any((folder / name).is_file() for name in names) else folder / IMAGES_FOLDER


def _unpack(zipped: Path, work: Path, limit_bytes: int) -> Path:
    """Unpack everything; the path of the one JSON file."""
    try:
        with zipfile.ZipFile(zipped) as file:
            members = [one for one in file.infolist() if not one.is_dir()]
            _check(members, limit_bytes)
            for one in members:
                path = work / one.filename
                path.parent.mkdir(parents=True, exist_ok=True)
                with file.open(one) as source, path.open("xb") as target:
                    shutil.copyfileobj(source, target)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError, OSError) as err:
        raise RecordError(
            f"This is no zip file that can be unpacked ({err}). Send a zip of one COCO file and its pictures."
        ) from err
    (annotations,) = [work / one.filename for one in members if _is_annotations(one.filename)]
    return annotations


def _is_annotations(name: str) -> bool:
    return PurePosixPath(name).suffix.lower() == ".json"


def _check(members: list[zipfile.ZipInfo], limit_bytes: int) -> None:
    for one in members:
        path = PurePosixPath(one.filename)
        if path.is_absolute() or ".." in path.parts or "\\" in one.filename or "\0" in one.filename:
            raise RecordError(
                f"The zip file names {one.filename!r}, which lies outside it. Make it anew from one folder."
            )
    names = {one.filename for one in members}
    if len(members) > MOST_FILES or len(names) < len(members):
        raise RecordError(
            f"The zip file holds {len(members)} files, {len(names)} of them by different names; at most "
            f"{MOST_FILES} are taken, each once. Send several smaller ones."
        )
    n_bytes = sum(one.file_size for one in members)
    if n_bytes > limit_bytes:
        raise RecordError(
            f"The zip file unpacks to {n_bytes} bytes; the limit here is {limit_bytes}. Send several smaller "
            "ones."
        )
    n_annotations = sum(_is_annotations(name) for name in names)
    if n_annotations != 1:
        raise RecordError(
            f"The zip file holds {n_annotations} JSON files; it must hold one, the COCO file."
            " Leave out others."
        )
