"""A COCO file with its pictures in one zip file, unpacked and taken into a labelled set."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath

from triage.coco_import import ImportReport, import_coco
from triage.errors import RecordError
from triage.labelled_set import IMAGES_FOLDER, LabelledSet
from triage.unzip import unpack_zip

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
    names = unpack_zip(
        zipped,
        work,
        check_names=_check_names,
        most_files=MOST_FILES,
        limit_bytes=limit_bytes,
        wanted="Send a zip of one COCO file and its pictures.",
        smaller="Send several smaller ones.",
    )
    (annotations,) = [work / name for name in names if _is_annotations(name)]
    return annotations


def _is_annotations(name: str) -> bool:
    return PurePosixPath(name).suffix.lower() == ".json"


def _check_names(names: Sequence[str]) -> None:
    n_annotations = sum(_is_annotations(name) for name in names)
    if n_annotations != 1:
        raise RecordError(
            f"The zip file holds {n_annotations} JSON files; it must hold one, the COCO file."
            " Leave out others."
        )
