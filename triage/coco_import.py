"""Takes marked pictures in COCO's form from elsewhere into a labelled set, and reports what was refused.

Categories become our groups by name or by a table that a person gives. What can't be taken over never turns
into background: a box of an unknown category, a crowd and a box with no group become regions where nothing is
said either way, so that a training learns neither that there is an egg nor that there is none.

References
----------
COCO's form: its page on the data format (images, annotations with `bbox` as x, y, width, height, categories,
`iscrowd`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from triage.errors import RecordError, TriageError
from triage.groups import find_group, read_groups
from triage.images import open_picture
from triage.labelled_set import LabelledImage, LabelledObject, LabelledSet, write_labelled_set

IGNORE = "ignore"
"""Written in a table of categories for those whose boxes become ignored regions, and nobody is told."""


@dataclass
class ImportReport:
    """What was mapped and what was refused.

    Attributes
    ----------
    mapped : dict of str to str
        Group of each category that was taken over.
    unmapped : dict of str to int
        Categories without a group, with their boxes, which became ignored regions.
    n_pictures, n_objects, n_ignored_regions : int
        What the set holds.
    refused : list of dict
        `what` (a picture or an annotation, by its id), `why`, in one sentence.
    """

    mapped: dict[str, str] = field(default_factory=dict)
    unmapped: dict[str, int] = field(default_factory=dict)
    n_pictures: int = 0
    n_objects: int = 0
    n_ignored_regions: int = 0
    refused: list[dict[str, str]] = field(default_factory=list)

    def refuse(self, what: str, why: str) -> None:
        """Note that something was left out."""
        self.refused.append({"what": what, "why": why})

    def to_lines(self) -> list[str]:
        """The report for a person."""
        return [
            f"{self.n_pictures} pictures, {self.n_objects} objects, {self.n_ignored_regions} ignored regions",
            *(f"  {theirs!r} became {ours}" for theirs, ours in sorted(self.mapped.items())),
            *(
                f"  {theirs!r} is none of our groups: {n} boxes became ignored regions"
                for theirs, n in sorted(self.unmapped.items())
            ),
            *(f"  refused: {row['what']}: {row['why']}" for row in self.refused),
        ]


def import_coco(
    annotations: Path,
    images: Path,
    out: Path,
    *,
    key: bytes,
    groups: Mapping[str, str] | None = None,
    specimen_key: str = "specimen",
    um_per_px: float | None = None,
) -> tuple[LabelledSet, ImportReport]:
    """Write a labelled set from a COCO file and its pictures.

    Parameters
    ----------
    annotations, images : Path
        The COCO file, and the folder that its file names are below.
    out : Path
        A new or empty folder.
    key : bytes
        As for `triage.labelled_set.write_labelled_set`.
    groups : mapping of str to str, optional
        Our group, or `ignore`, for each of their categories; those left out are taken by equal name.
    specimen_key : str
        Key of an image that says which specimen it shows; a picture without it is a specimen of its own.
    um_per_px : float, optional
        Scale of pictures that state none themselves (`um_per_px` of an image).

    Raises
    ------
    RecordError
        If the file is no COCO, a group of the table doesn't exist, or nothing is left to import.
    """
    content = _read(annotations)
    report = ImportReport()
    names = _map_categories(content, dict(groups or {}), report)
    rows: dict[Any, list[dict[str, Any]]] = {}
    known = {row["id"] for row in content["images"]}
    for row in content["annotations"]:
        if row.get("image_id") not in known:
            report.refuse(f"annotation {row.get('id')}", "Its image is not in the file.")
        rows.setdefault(row.get("image_id"), []).append(row)
    labelled = list(_label(content, rows, names, images, report, specimen_key, um_per_px))
    if not labelled:
        raise RecordError(
            f"No picture of {annotations} can be imported ({len(report.refused)} refused; first: "
            f"{report.refused[0]['why'] if report.refused else 'the file lists none'}). "
            "Name the folder that holds the pictures."
        )
    rule = {"imported": True, "categories": report.mapped, "refused": len(report.refused)}
    written = write_labelled_set(out, labelled, key=key, rule=rule)
    report.n_pictures = len(labelled)
    report.n_objects = len(written.annotations["annotations"])
    report.n_ignored_regions = sum(len(row["ignore_regions"]) for row in written.annotations["images"])
    return written, report


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        for name in ("images", "annotations", "categories"):
            if not isinstance(content[name], list):
                raise TypeError(f"{name} is no list")
        for name in ("images", "categories"):
            if any("id" not in row for row in content[name]):
                raise KeyError(f"id of one of {name}")
    except OSError as err:
        raise RecordError(f"{path} can't be read ({err.strerror}). Name a COCO file.") from err
    except (ValueError, KeyError, TypeError) as err:
        raise RecordError(
            f"{path} is no COCO file ({type(err).__name__}: {err}); it needs images, annotations and "
            "categories. Export it again."
        ) from err
    return dict(content)


def _map_categories(
    content: dict[str, Any], groups: dict[str, str], report: ImportReport
) -> dict[Any, str | None]:
    """Our group of each category id; None for those without one."""
    for ours in groups.values():
        if ours != IGNORE:
            find_group(ours)
    theirs = {str(row["name"]) for row in content["categories"]}
    if unknown := sorted(groups.keys() - theirs):
        raise RecordError(
            f"The table names the category {unknown[0]!r}, which the file lacks. It has: "
            f"{', '.join(sorted(theirs)) or 'none'}."
        )
    ours_by_name = {_plain(group.name): group.name for group in read_groups()}
    ours_by_name |= {_plain(group.label): group.name for group in read_groups()}
    boxes = Counter(row.get("category_id") for row in content["annotations"])
    names: dict[Any, str | None] = {}
    for row in content["categories"]:
        name = str(row["name"])
        meant = groups.get(name) or ours_by_name.get(_plain(name))
        names[row["id"]] = None if meant in (None, IGNORE) else meant
        if meant is None:
            report.unmapped[name] = boxes[row["id"]]
        else:
            report.mapped[name] = meant
    return names


def _plain(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def _label(
    content: dict[str, Any],
    rows: dict[Any, list[dict[str, Any]]],
    names: dict[Any, str | None],
    folder: Path,
    report: ImportReport,
    specimen_key: str,
    um_per_px: float | None,
) -> Iterator[LabelledImage]:
    seen: dict[str, Any] = {}
    for image in content["images"]:
        what = f"picture {image['id']}"
        try:
            path = _find(folder, image.get("file_name"))
            with open_picture(path) as picture:
                shape, sha256 = (picture.width, picture.height), picture.sha256
        except TriageError as err:
            report.refuse(what, str(err))
            continue
        if sha256 in seen:
            report.refuse(what, f"It has the same bytes as picture {seen[sha256]}.")
            continue
        stated = (image.get("width", shape[0]), image.get("height", shape[1]))
        if stated != shape:
            report.refuse(
                what, f"The file says {stated[0]} x {stated[1]} px, the picture has {shape[0]} x {shape[1]}."
            )
            continue
        seen[sha256] = image["id"]
        yield LabelledImage(
            original=path,
            specimen=str(image.get(specimen_key) or f"{sha256}"),
            objects=tuple(_label_objects(rows.get(image["id"], []), names, shape, report)),
            um_per_px=image.get("um_per_px") or um_per_px,
        )


def _find(folder: Path, file_name: object) -> Path:
    """The picture below the folder."""
    path = folder / str(file_name)
    if not isinstance(file_name, str) or not path.resolve().is_relative_to(folder.resolve()):
        raise RecordError(f"Its file name {file_name!r} doesn't lie in the folder of the pictures.")
    if not path.is_file():
        raise RecordError(f"Its file {file_name!r} is missing.")
    return path


def _label_objects(
    rows: list[dict[str, Any]],
    names: dict[Any, str | None],
    shape_wh: tuple[int, int],
    report: ImportReport,
) -> Iterator[LabelledObject]:
    # Any candidate group does: what readers were unsure of is a region without one.
    unsure = read_groups()[0].name
    for row in rows:
        what = f"annotation {row.get('id')}"
        box = _take_box(row.get("bbox"))
        if box is None:
            report.refuse(
                what, f"Its bbox is {row.get('bbox')!r}; four numbers with a width and height are needed."
            )
            continue
        clipped = _clip(box, shape_wh)
        if clipped is None:
            report.refuse(what, "Its box lies outside the picture.")
            continue
        if row.get("category_id") not in names:
            report.refuse(
                what, f"Its category {row.get('category_id')!r} is not in the file; nothing is said there."
            )
        group = names.get(row.get("category_id"))
        if max(abs(a - b) for a, b in zip(box, clipped, strict=True)) > 1.0:
            report.refuse(what, "Its box leaves the picture by more than a pixel; nothing is said there.")
            group = None
        if group is None or row.get("iscrowd"):
            yield LabelledObject(clipped, "unsure", unsure, origin="import")
            continue
        answer = "reject" if find_group(group).kind == "look_alike" else "confirm"
        yield LabelledObject(clipped, answer, group, origin="import")


def _take_box(bbox: object) -> tuple[float, float, float, float] | None:
    try:
        x, y, width, height = (float(value) for value in bbox)  # type: ignore[attr-defined]
    except (TypeError, ValueError):
        return None
    # NaN fails every comparison, and so do sides of 0.
    is_box = width > 0 and height > 0 and all(abs(value) < 1e9 for value in (x, y, width, height))
    return (x, y, width, height) if is_box else None


def _clip(
    box: tuple[float, float, float, float], shape_wh: tuple[int, int]
) -> tuple[float, float, float, float] | None:
    x, y, width, height = box
    left, top = max(x, 0.0), max(y, 0.0)
    right, bottom = min(x + width, float(shape_wh[0])), min(y + height, float(shape_wh[1]))
    # Less than a hundredth of a pixel would be rounded away.
    return (left, top, right - left, bottom - top) if min(right - left, bottom - top) >= 0.01 else None
