"""Takes a labelled set in as a practice collection: its pictures, and what is known of each."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.dependencies import Parts
from service.errors import ConflictError
from service.files import Received
from service.store import practice
from service.store.models import User
from service.store.practice import PracticeCollection, PracticeSlide
from triage.digests import file_sha256
from triage.errors import RecordError
from triage.groups import find_group
from triage.labelled_set import MANIFEST_FILE, LabelledSet
from triage.zipped_set import unzip_set


def take_collection(
    parts: Parts, user: User, zipped: Path, *, name: str, set_id: int | None = None
) -> PracticeCollection:
    """File a zipped labelled set as a practice collection.

    Parameters
    ----------
    zipped : Path
    name : str
        What people are shown.
    set_id : int, optional
        Of the hospital's own set, where it is one.

    Raises
    ------
    RecordError
        If it is no labelled set, or nothing in it is to be found.
    ConflictError
        If a collection was made of this set already.
    """
    with parts.files.new_folder() as folder:
        labelled = unzip_set(zipped, Path(folder), limit_bytes=parts.settings.upload_limit_bytes())
        manifest_sha256 = file_sha256(labelled.folder / MANIFEST_FILE)
        _refuse_known(parts, manifest_sha256)
        _refuse_without_objects(labelled)
        slides = [_take_slide(parts, labelled, *one) for one in enumerate(_list_pictures(labelled), start=1)]
        collection = PracticeCollection(
            name=name, set_id=set_id, manifest_sha256=manifest_sha256, created_by=user.id
        )
        with parts.database.write() as session:
            return practice.add_collection(session, collection, slides)


def _refuse_known(parts: Parts, manifest_sha256: str) -> None:
    with parts.database.read() as session:
        known = practice.find_collection(session, manifest_sha256)
    if known is not None:
        raise ConflictError(f"The practice collection {known.name!r} was made of this set already.")


def _refuse_without_objects(labelled: LabelledSet) -> None:
    if not any(row["answer"] == "confirm" for row in labelled.annotations["annotations"]):
        raise RecordError("Nothing in this set is to be found. Choose one with confirmed objects.")


def _list_pictures(labelled: LabelledSet) -> Iterator[tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Each picture's row with its annotations."""
    for row in labelled.annotations["images"]:
        yield row, [one for one in labelled.annotations["annotations"] if one["image_id"] == row["id"]]


def _take_slide(
    parts: Parts, labelled: LabelledSet, number: int, picture: tuple[dict[str, Any], list[dict[str, Any]]]
) -> PracticeSlide:
    row, annotations = picture
    path = labelled.picture_path(row["file_name"])
    received = Received(_copy(path), file_sha256(path), path.stat().st_size)
    parts.jobs.look(received, row["file_name"])
    kept = parts.files.keep(received)
    with parts.files.make_pyramid(received.sha256) as target:
        zoom_levels = parts.jobs.measure("write_viewer_copy", kept, row["file_name"], target)
    names = {one["id"]: one["name"] for one in labelled.annotations["categories"]}
    return PracticeSlide(
        number=number,
        sha256=received.sha256,
        n_bytes=received.n_bytes,
        width=row["width"],
        height=row["height"],
        zoom_levels=zoom_levels,
        um_per_px=row["um_per_px"],
        known=[_to_known(one, names) for one in annotations],
        ignored=[one["bbox"] for one in row["ignore_regions"]],
    )


def _copy(path: Path) -> Path:
    """A file of its own, since keeping takes it away."""
    return Path(shutil.copyfile(path, path.with_suffix(".taken")))


def _to_known(annotation: dict[str, Any], names: dict[int, str]) -> dict[str, Any]:
    return {
        "bbox_xywh": annotation["bbox"],
        "group": find_group(names[annotation["category_id"]]).name,
        "length_um": annotation["length_um"],
        "width_um": annotation["width_um"],
    }
