"""The on-disk form of marked pictures: writes, reads and checks it.

A labelled set is a folder:

- `annotations.json`: COCO (images, annotations, categories) with extra keys. An annotation is an object that
  readers agreed on: a confirmed one under its group, a rejected one under the look-alike it was rejected as.
  What they were unsure of is no annotation but one of its image's `ignore_regions`.
- `images/`: the pictures, upright RGB PNG without metadata, under names of our own.
- `manifest.json`: SHA-256 of every other file; for each image its specimen, split, original and the reads and
  adjudications that its labels come from; the rule that it was chosen by, and pictures that look alike.

It names no animal, owner, reader or file name that a person chose: animals, specimens, coverslips, readers
and microscopes go by keyed hashes. What is printed in the pixels stays.

Splits are `train` (to learn from), `held_out` (to end a training by) and `judging` (to compare detectors on;
locked, so that no training may read it). The split follows from the name of the animal alone, or of the
specimen where the animal isn't known, and pictures of one animal never part.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pyvips

from triage.digests import file_sha256
from triage.errors import RecordError
from triage.groups import find_group, read_groups
from triage.images import Picture, open_picture
from triage.look_alike_pictures import LookAlike, find_look_alikes, hash_picture
from triage.records import Ellipse

FORM = "coverslip labelled set"
FORM_VERSION = 1
ANNOTATIONS_FILE = "annotations.json"
MANIFEST_FILE = "manifest.json"
IMAGES_FOLDER = "images"
TRAIN, HELD_OUT, JUDGING = "train", "held_out", "judging"
SPLITS = (TRAIN, HELD_OUT, JUDGING)
JUDGING_SHARE = 0.15
"""Below 0.2, the share that older sets held out, so that nothing they learnt from is judged on."""
HELD_OUT_SHARE = 0.15
LEAST_JUDGED_SPECIMENS = 5
"""Objects of fewer in a judging split say too little to let a detector take over (our choice)."""
# Boxes are rounded to hundredths of a pixel, so one may reach this far beyond its picture.
_ROUNDING_PX = 0.01

BoxXywh = tuple[float, float, float, float]


@dataclass(frozen=True)
class LabelledObject:
    """One thing in a picture, as readers settled it.

    Attributes
    ----------
    bbox_xywh : tuple of float
        In pixels of the upright picture.
    answer : str
        `confirm`, `reject` or `unsure`.
    group : str
        The group if confirmed or unsure, the look-alike if rejected.
    origin : str
        `tool` or `reader`: who drew the box.
    ellipse : Ellipse or None
    length_um, width_um : float or None
    is_adjudicated : bool
        Whether readers differed and it was settled.
    readers : tuple of str
        What tells apart the readers who gave that answer; replaced by keyed hashes.
    """

    bbox_xywh: BoxXywh
    answer: str
    group: str
    origin: str = "tool"
    ellipse: Ellipse | None = None
    length_um: float | None = None
    width_um: float | None = None
    is_adjudicated: bool = False
    readers: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.answer not in ("confirm", "reject", "unsure"):
            raise RecordError(f"The answer is {self.answer!r}; it must be 'confirm', 'reject' or 'unsure'.")
        kind = find_group(self.group).kind
        if self.answer == "reject" and kind != "look_alike":
            raise RecordError(
                f"An object was rejected as {self.group!r}, which is no look-alike. Choose one."
            )


@dataclass(frozen=True)
class LabelledImage:
    """One picture with all that readers settled in it.

    Attributes
    ----------
    original : Path
        The original file; its name doesn't go into the set.
    specimen : str
        What tells specimens apart; it is replaced by a keyed hash.
    objects : tuple of LabelledObject
        May be empty: a picture in which readers confirmed nothing.
    um_per_px : float or None
    reads, adjudications : tuple of str
        Opaque ids of the records that the labels come from; no names of people.
    animal, coverslip, microscope : str or None
        What tells animals, coverslips and microscopes apart, where known; replaced by keyed hashes.
    solution : str or None
        Key of a known flotation fluid, as `triage.fluids` has them; goes into the set as it is.
    """

    original: Path
    specimen: str
    objects: tuple[LabelledObject, ...]
    um_per_px: float | None = None
    reads: tuple[str, ...] = ()
    adjudications: tuple[str, ...] = ()
    animal: str | None = None
    coverslip: str | None = None
    microscope: str | None = None
    solution: str | None = None


@dataclass(frozen=True)
class LabelledSet:
    """A set as read: the content of `annotations.json` and `manifest.json`, and where the pictures are."""

    folder: Path
    annotations: dict[str, Any]
    manifest: dict[str, Any]

    def picture_path(self, file_name: str) -> Path:
        """Path of the picture with this `file_name`."""
        return self.folder / IMAGES_FOLDER / file_name


def write_labelled_set(
    folder: Path,
    images: Iterable[LabelledImage],
    *,
    key: bytes,
    rule: Mapping[str, Any] | None = None,
) -> LabelledSet:
    """Write a labelled set into a new or empty folder.

    Parameters
    ----------
    folder : Path
    images : iterable of LabelledImage
    key : bytes
        Secret of this hospital. The same key gives a specimen the same name and split in every set; without
        it nobody can tell from the name which specimen it was.
    rule : mapping, optional
        By what the images were chosen, as plain values; goes into the manifest.

    Raises
    ------
    RecordError
        If the folder isn't empty, a box leaves its picture, or the same picture comes twice.
    ImageError
        If an original can't be read.
    """
    if folder.exists() and any(folder.iterdir()):
        raise RecordError(f"The folder {folder} isn't empty. Name a new one; sets are never overwritten.")
    (folder / IMAGES_FOLDER).mkdir(parents=True)
    rows: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    entries: list[dict[str, Any]] = []
    hashes = []
    for image_id, image in enumerate(images, start=1):
        with open_picture(image.original) as picture:
            row, entry = _write_image(folder, image_id, image, picture, key)
            hashes.append(hash_picture(picture.as_vips()))
        if any(entry["original_sha256"] == other["original_sha256"] for other in entries):
            raise RecordError(
                f"Picture {image_id} is in the set already. Put all its objects into one entry."
            )
        rows.append(row)
        entries.append(entry)
        annotations += _to_annotations(image_id, image.objects, key, first_id=len(annotations) + 1)
    content = {
        "info": {"description": FORM, "version": FORM_VERSION},
        "images": rows,
        "annotations": annotations,
        "categories": _list_categories(),
    }
    _write_json(folder / ANNOTATIONS_FILE, content)
    names = [ANNOTATIONS_FILE, *(f"{IMAGES_FOLDER}/{row['file_name']}" for row in rows)]
    files = {name: file_sha256(folder / name) for name in names}
    manifest = {
        "form": FORM,
        "version": FORM_VERSION,
        "rule": None if rule is None else dict(rule),
        "files": files,
        "images": entries,
        "look_alike_pictures": [_describe_pair(pair, entries) for pair in find_look_alikes(hashes)],
    }
    _write_json(folder / MANIFEST_FILE, manifest)
    return read_labelled_set(folder)


def read_labelled_set(folder: Path) -> LabelledSet:
    """A labelled set, after everything that can be checked was checked.

    Raises
    ------
    RecordError
        If a file is missing, changed or unreadable, a box leaves its picture, a category or image is
        unknown, or a specimen sits in two splits.
    """
    labelled = LabelledSet(folder, _read_json(folder / ANNOTATIONS_FILE), _read_json(folder / MANIFEST_FILE))
    try:
        _check_form(labelled.manifest, folder)
        _check_files(labelled)
        _check_annotations(labelled.annotations)
        _check_splits(labelled.manifest)
    except (KeyError, TypeError, AttributeError) as err:
        raise RecordError(
            f"The labelled set {folder} breaks its form ({type(err).__name__}: {err}). Export it again."
        ) from err
    return labelled


def name_specimen(specimen: str, key: bytes) -> str:
    """The name of a specimen inside labelled sets: a keyed hash (HMAC, RFC 2104) of what it is called."""
    return _name("specimen", specimen, key)


def name_animal(animal: str, key: bytes) -> str:
    """The name of an animal inside labelled sets; case and outer spaces of what it is called don't matter."""
    return _name("animal", "animal\0" + " ".join(animal.casefold().split()), key)


def name_microscope(microscope: str, key: bytes) -> str:
    """The name of a microscope inside labelled sets."""
    return _name("microscope", f"microscope\0{microscope}", key)


def name_reader(reader: str, key: bytes) -> str:
    """The name of a reader inside labelled sets."""
    return _name("reader", f"reader\0{reader}", key)


def choose_split(name: str) -> str:
    """`train`, `held_out` or `judging`, from the name alone, so that a growing set keeps its splits.

    Parameters
    ----------
    name : str
        Of the animal where it is known, else of the specimen.
    """
    place = int.from_bytes(hashlib.sha256(name.encode()).digest()[:6], "big") / 2**48
    if place < JUDGING_SHARE:
        return JUDGING
    return HELD_OUT if place < JUDGING_SHARE + HELD_OUT_SHARE else TRAIN


def _name(kind: str, what: str, key: bytes) -> str:
    return f"{kind}-" + hmac.new(key, what.encode(), hashlib.sha256).hexdigest()[:16]


def _write_image(
    folder: Path, image_id: int, image: LabelledImage, picture: Picture, key: bytes
) -> tuple[dict[str, Any], dict[str, Any]]:
    for labelled in image.objects:
        _check_box(labelled.bbox_xywh, picture.width, picture.height, image_id)
    file_name = f"{image_id:06d}.png"
    try:
        picture.as_vips().pngsave(str(folder / IMAGES_FOLDER / file_name), keep="none")
    except pyvips.Error as err:
        raise RecordError(f"{folder / IMAGES_FOLDER / file_name} can't be written ({err}).") from err
    specimen = name_specimen(image.specimen, key)
    animal = None if image.animal is None else name_animal(image.animal, key)
    row = {
        "id": image_id,
        "file_name": file_name,
        "width": picture.width,
        "height": picture.height,
        "um_per_px": image.um_per_px,
        "specimen": specimen,
        "animal": animal,
        "coverslip": None
        if image.coverslip is None
        else _name("coverslip", f"coverslip\0{image.coverslip}", key),
        "microscope": None if image.microscope is None else name_microscope(image.microscope, key),
        "solution": image.solution,
        "split": choose_split(animal or specimen),
        "ignore_regions": [
            {"bbox": _round_box(one.bbox_xywh)} for one in image.objects if one.answer == "unsure"
        ],
    }
    entry = {
        "file_name": file_name,
        "specimen": specimen,
        "animal": animal,
        "split": row["split"],
        "original_sha256": picture.sha256,
        "reads": list(image.reads),
        "adjudications": list(image.adjudications),
    }
    return row, entry


def _describe_pair(pair: LookAlike, entries: list[dict[str, Any]]) -> dict[str, Any]:
    one, other = entries[pair.first], entries[pair.second]
    return {
        "file_names": [one["file_name"], other["file_name"]],
        "differing_bits": pair.differing_bits,
        "one_specimen": one["specimen"] == other["specimen"],
        "splits": [one["split"], other["split"]],
    }


def _to_annotations(
    image_id: int, objects: tuple[LabelledObject, ...], key: bytes, *, first_id: int
) -> list[dict[str, Any]]:
    settled = [one for one in objects if one.answer != "unsure"]
    return [_to_annotation(number, image_id, one, key) for number, one in enumerate(settled, start=first_id)]


def _to_annotation(number: int, image_id: int, labelled: LabelledObject, key: bytes) -> dict[str, Any]:
    bbox = _round_box(labelled.bbox_xywh)
    return {
        "id": number,
        "image_id": image_id,
        "category_id": _category_id(labelled.group),
        "bbox": bbox,
        "area": round(bbox[2] * bbox[3], 2),
        "iscrowd": 0,
        "answer": labelled.answer,
        "origin": labelled.origin,
        "adjudicated": labelled.is_adjudicated,
        "ellipse": _to_ellipse_json(labelled.ellipse),
        "length_um": labelled.length_um,
        "width_um": labelled.width_um,
        "readers": sorted(name_reader(one, key) for one in labelled.readers),
    }


def _to_ellipse_json(ellipse: Ellipse | None) -> dict[str, float] | None:
    if ellipse is None:
        return None
    values = asdict(ellipse)
    return {
        "cx": values["cx"],
        "cy": values["cy"],
        "major_px": values["length_px"],
        "minor_px": values["width_px"],
        "angle_deg": values["angle_deg"],
    }


def _list_categories() -> list[dict[str, Any]]:
    return [
        {"id": number, "name": group.name, "supercategory": group.kind}
        for number, group in enumerate(read_groups(), start=1)
    ]


def _category_id(group: str) -> int:
    return 1 + [one.name for one in read_groups()].index(group)


def _round_box(bbox_xywh: BoxXywh) -> list[float]:
    return [round(float(value), 2) for value in bbox_xywh]


def _write_json(path: Path, value: dict[str, Any]) -> None:
    path.write_text(json.dumps(value, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _read_json(path: Path) -> dict[str, Any]:
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except OSError as err:
        raise RecordError(
            f"{path} can't be read ({err.strerror}). Name the folder of a labelled set."
        ) from err
    except ValueError as err:
        raise RecordError(f"{path} is no JSON ({err}). Export the labelled set again.") from err
    if not isinstance(value, dict):
        raise RecordError(
            f"{path} holds a {type(value).__name__}; an object is needed. Export the set again."
        )
    return value


def _check_form(manifest: dict[str, Any], folder: Path) -> None:
    if (manifest["form"], manifest["version"]) != (FORM, FORM_VERSION):
        raise RecordError(
            f"{folder} is a {manifest['form']!r} of version {manifest['version']}; this program reads "
            f"{FORM!r} of version {FORM_VERSION}."
        )


def _check_files(labelled: LabelledSet) -> None:
    listed = labelled.manifest["files"]
    for name, expected in listed.items():
        path = labelled.folder / name
        if not path.is_file():
            raise RecordError(f"{path} is missing, but {MANIFEST_FILE} lists it. Copy the whole set again.")
        if file_sha256(path) != expected:
            raise RecordError(f"{path} was changed after the set was written. Copy the whole set again.")
    named = {f"{IMAGES_FOLDER}/{row['file_name']}" for row in labelled.annotations["images"]}
    if named | {ANNOTATIONS_FILE} != set(listed):
        raise RecordError(
            f"{MANIFEST_FILE} and {ANNOTATIONS_FILE} of {labelled.folder} name different files. "
            "Export the set again."
        )


def _check_annotations(content: dict[str, Any]) -> None:
    images = {row["id"]: row for row in content["images"]}
    categories = {row["id"]: find_group(row["name"]) for row in content["categories"]}
    for row in content["annotations"]:
        if row["image_id"] not in images or row["category_id"] not in categories:
            raise RecordError(
                f"Annotation {row['id']} belongs to image {row['image_id']} and category "
                f"{row['category_id']}; the set lacks one of them. Export it again."
            )
        image = images[row["image_id"]]
        _check_box(tuple(row["bbox"]), image["width"], image["height"], image["id"])


def _check_box(bbox_xywh: tuple[float, ...], width: int, height: int, image_id: int) -> None:
    x, y, box_width, box_height = bbox_xywh
    is_inside = (
        min(x, y) >= -_ROUNDING_PX
        and x + box_width <= width + _ROUNDING_PX
        and y + box_height <= height + _ROUNDING_PX
    )
    if min(box_width, box_height) <= 0 or not is_inside:
        raise RecordError(
            f"Box {list(bbox_xywh)} in image {image_id} must have a width and a height and lie inside "
            f"{width} x {height} px. Draw it again."
        )


def _check_splits(manifest: dict[str, Any]) -> None:
    splits: dict[str, str] = {}
    for entry in manifest["images"]:
        for kind in ("specimen", "animal"):
            # Sets written before animals were told apart have no such key.
            name = entry.get(kind)
            if name is not None and splits.setdefault(name, entry["split"]) != entry["split"]:
                raise RecordError(
                    f"{name} sits in two splits; pictures of one {kind} must stay together. "
                    "Export the set again."
                )
