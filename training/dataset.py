"""Marked pictures as (image, target) in torchvision's target form.

Reads any folder with `annotations.json` (COCO) and `images/`: a labelled set that a hospital exported, or
slides that `python -m training.synthesize` drew. Extra keys are used where they are there: `ellipse`,
`truncated`, `occluded`, `visible`, `alternative_boxes` of an annotation; `ignore_regions`, `um_per_px`,
`specimen` of an image; and what a figure by stratum asks of either (`OBJECT_FACTS`, `PICTURE_FACTS`).
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import Dataset

from training.crops import labelled_transform
from training.metrics import PictureTruth
from training.parallel import Share
from training.splits import refuse_locked
from training.synthesize.sight import LEAST_VISIBLE
from training.targets import TILE_SCALE, Target
from training.transforms import SEED_STRIDE
from triage.errors import RecordError
from triage.groups import candidate_groups, find_group, read_groups
from triage.images import open_picture
from triage.labelled_set import ANNOTATIONS_FILE, IMAGES_FOLDER, MANIFEST_FILE, read_labelled_set
from triage.visibility import LEAST_LENGTH_PX

SEEN_OF_TRUNCATED = 0.6
"""Visible fraction assumed of an object that the picture's edge cuts, where the file doesn't say."""

SCALE_JITTER = 1.25
"""Scales are trained this much beyond those that are served, since calibrations err and sizes vary."""
ENLARGED_BELOW_PX = 1000
"""Pictures of unknown scale no longer than this are met enlarged, as `triage.pipeline` meets them."""
OBJECT_LENGTHS_PX = (12.0, 350.0)
"""Shortest and longest objects that are met in tiles, the first a Giardia cyst at a coarse scale."""

Floats = NDArray[np.float64]

OBJECT_FACTS = ("focus_depths", "occluded", "debris_cover", "contrast", "definition")
PICTURE_FACTS = ("light_level", "light_unevenness", "width", "height")

_ELLIPSE_KEYS = ("cx", "cy", "major_px", "minor_px", "angle_deg")


@dataclass(frozen=True)
class MarkedObject:
    """One annotation; `box_xyxy` in pixels of the picture, `ellipse` as in `triage.records.Detections`."""

    box_xyxy: tuple[float, float, float, float]
    group: str
    ellipse: tuple[float, float, float, float, float] | None
    is_truncated: bool
    visible: float
    alternatives_xyxy: tuple[tuple[float, float, float, float], ...]
    facts: dict[str, float] = field(default_factory=dict)
    readers: tuple[str, ...] = ()
    annotation_id: int | None = None

    @property
    def length_px(self) -> float:
        """Of the ellipse, or the longer side of the box where none is known."""
        x0, y0, x1, y1 = self.box_xyxy
        return max(x1 - x0, y1 - y0) if self.ellipse is None else self.ellipse[2]

    @property
    def is_too_short(self) -> bool:
        """Whether it is shorter than what is proposed at all: whole, but of too few pixels."""
        return not self.is_truncated and self.length_px < LEAST_LENGTH_PX

    @property
    def is_to_be_found(self) -> bool:
        """Whether it lies whole in the picture, long enough, and can be seen; others count neither way."""
        return not (self.is_truncated or self.is_too_short) and self.visible >= LEAST_VISIBLE


@dataclass(frozen=True)
class MarkedPicture:
    """A picture's file and everything marked in it.

    Attributes
    ----------
    image_id : int
        As in the file.
    path : Path
        Of the picture.
    um_per_px : float or None
        Pixel size, in µm, where it is known.
    specimen : str
        Pictures of one specimen share it; the picture's own name where the file doesn't say.
    objects : tuple of MarkedObject
        Candidates and look-alikes.
    ignored_xyxy : tuple
        Regions where nothing is said either way.
    facts : dict of str to float
        Those of `PICTURE_FACTS` that the file states; objects have theirs.
    split : str or None
        As the set states it.
    animal, coverslip, microscope, solution : str or None
        As the set names them, where it does.
    """

    image_id: int
    path: Path
    um_per_px: float | None
    specimen: str
    objects: tuple[MarkedObject, ...]
    ignored_xyxy: tuple[tuple[float, float, float, float], ...]
    facts: dict[str, float] = field(default_factory=dict)
    split: str | None = None
    animal: str | None = None
    coverslip: str | None = None
    microscope: str | None = None
    solution: str | None = None

    @property
    def kept_together(self) -> str:
        """Name of the animal where it is known, else of the specimen: what chance is drawn over."""
        return self.animal or self.specimen

    def read_pixels(self) -> NDArray[np.uint8]:
        """The picture, upright RGB, (H, W, 3)."""
        with open_picture(self.path) as picture:
            return picture.read_region(0, 0, picture.width, picture.height)

    def list_wanted(self) -> list[MarkedObject]:
        """The candidates that a detector has to find, in the order of `to_truth`."""
        names = candidate_groups()
        return [one for one in self.objects if one.group in names and one.is_to_be_found]

    def to_truth(self) -> PictureTruth:
        """What a detector has to find, and where it is not judged."""
        names = candidate_groups()
        clear = self.list_wanted()
        unclear = [one.box_xyxy for one in self.objects if one.group in names and not one.is_to_be_found]
        return PictureTruth(
            boxes_xyxy=_boxes([one.box_xyxy for one in clear]),
            groups=tuple(one.group for one in clear),
            alternatives=tuple(_boxes(one.alternatives_xyxy) for one in clear),
            ignored_xyxy=_boxes([*self.ignored_xyxy, *unclear]),
        )


def _boxes(boxes: Sequence[tuple[float, ...]]) -> Floats:
    return np.array(boxes, dtype=np.float64).reshape(-1, 4)


def read_marked_pictures(folder: Path) -> list[MarkedPicture]:
    """Every picture of a folder with its marks, in the order of the file.

    Raises
    ------
    RecordError
        If `annotations.json` is missing or breaks its form, a picture is missing, a category is no group, or
        the set has a manifest that doesn't fit.
    """
    if (folder / MANIFEST_FILE).is_file():
        read_labelled_set(folder)
    path = folder / ANNOTATIONS_FILE
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        names = {row["id"]: find_group(row["name"]).name for row in content["categories"]}
        by_image: dict[int, list[MarkedObject]] = {}
        for row in content["annotations"]:
            by_image.setdefault(row["image_id"], []).append(_to_object(row, names))
        return [_to_picture(row, folder, by_image.get(row["id"], [])) for row in content["images"]]
    except OSError as err:
        raise RecordError(
            f"{path} can't be read ({err.strerror}). Name a folder with {ANNOTATIONS_FILE} and images/."
        ) from err
    except (ValueError, KeyError, TypeError) as err:
        raise RecordError(
            f"{path} is no COCO file of marked pictures ({type(err).__name__}: {err}). Export it again."
        ) from err


def _to_picture(row: dict[str, Any], folder: Path, objects: list[MarkedObject]) -> MarkedPicture:
    path = folder / IMAGES_FOLDER / Path(row["file_name"]).name
    if not path.is_file():
        raise RecordError(
            f"The picture {path} is missing, but {ANNOTATIONS_FILE} names it. Copy the set again."
        )
    return MarkedPicture(
        image_id=int(row["id"]),
        path=path,
        um_per_px=row.get("um_per_px"),
        specimen=str(row.get("specimen") or row.get("object_group") or row["file_name"]),
        objects=tuple(objects),
        ignored_xyxy=tuple(_from_xywh(region["bbox"]) for region in row.get("ignore_regions") or ()),
        facts=_take_facts(row, PICTURE_FACTS),
        **{key: row.get(key) for key in ("split", "animal", "coverslip", "microscope", "solution")},
    )


def _to_object(row: dict[str, Any], names: dict[int, str]) -> MarkedObject:
    is_truncated = bool(row.get("truncated"))
    return MarkedObject(
        box_xyxy=_from_xywh(row["bbox"]),
        group=names[row["category_id"]],
        ellipse=_to_ellipse(row.get("ellipse")),
        is_truncated=is_truncated,
        visible=_find_visible(row, is_truncated=is_truncated),
        alternatives_xyxy=tuple(_from_xywh(box) for box in row.get("alternative_boxes") or ()),
        facts=_take_facts(row, OBJECT_FACTS),
        readers=tuple(row.get("readers") or ()),
        annotation_id=row.get("id"),
    )


def _find_visible(row: dict[str, Any], *, is_truncated: bool) -> float:
    """What the file says, or what is left of the object after edge and cover."""
    if row.get("visible") is not None:
        return float(row["visible"])
    return (SEEN_OF_TRUNCATED if is_truncated else 1.0) * (1.0 - float(row.get("occluded") or 0.0))


def _take_facts(row: dict[str, Any], names: Sequence[str]) -> dict[str, float]:
    return {name: float(row[name]) for name in names if row.get(name) is not None}


def _from_xywh(box: Sequence[float]) -> tuple[float, float, float, float]:
    x, y, width, height = (float(value) for value in box)
    return x, y, x + width, y + height


def _to_ellipse(ellipse: dict[str, float] | None) -> tuple[float, float, float, float, float] | None:
    if ellipse is None:
        return None
    cx, cy, length, width, angle = (float(ellipse[key]) for key in _ELLIPSE_KEYS)
    return cx, cy, length, width, angle


class MarkedPictures(Dataset[tuple[Tensor, Target]]):
    """Marked pictures as `(image, target)`.

    Parameters
    ----------
    pictures : sequence of MarkedPicture
        What `read_marked_pictures` gave, or a part of it.

    Notes
    -----
    image : Tensor (3, H, W), uint8. target : dict of Tensors in torchvision's form, `boxes` (M, 4) float32
    in `xyxy` pixels, `labels` (M,) int64 as rows of the group table, `image_id`, `area` (M,), `iscrowd` (M,);
    and beyond it `ellipses` (M, 5), NaN where unknown, `visible` (M,), `ignored` (R, 4), and the picture's
    `um_per_px` (1,), NaN where unknown. M may be 0.
    """

    def __init__(self, pictures: Sequence[MarkedPicture]) -> None:
        self.pictures = list(pictures)

    def __len__(self) -> int:
        return len(self.pictures)

    def __getitem__(self, index: int) -> tuple[Tensor, Target]:
        marked = self.pictures[index]
        image = torch.from_numpy(marked.read_pixels().copy()).permute(2, 0, 1)
        return image, to_target(marked)


def to_target(marked: MarkedPicture) -> Target:
    """The marks of a picture as the target described at `MarkedPictures`."""
    names = [group.name for group in read_groups()]
    boxes = torch.tensor([one.box_xyxy for one in marked.objects], dtype=torch.float32).reshape(-1, 4)
    unknown = (float("nan"),) * 5
    ellipses = torch.tensor([one.ellipse or unknown for one in marked.objects], dtype=torch.float32)
    return {
        "boxes": boxes,
        "labels": torch.tensor([names.index(one.group) for one in marked.objects], dtype=torch.int64),
        "image_id": torch.tensor(marked.image_id),
        "area": (boxes[:, 2:] - boxes[:, :2]).prod(dim=1),
        "iscrowd": torch.zeros(len(boxes), dtype=torch.int64),
        "ellipses": ellipses.reshape(-1, 5),
        "visible": torch.tensor([one.visible for one in marked.objects], dtype=torch.float32),
        "ignored": torch.tensor(marked.ignored_xyxy, dtype=torch.float32).reshape(-1, 4),
        TILE_SCALE: torch.tensor([marked.um_per_px or float("nan")], dtype=torch.float32),
    }


def with_ignored(target: Target) -> Target:
    """The target for training: ignored regions become objects that nobody can see."""
    ignored = target["ignored"]
    n = len(ignored)
    return {
        "boxes": torch.cat((target["boxes"], ignored)),
        "labels": torch.cat((target["labels"], torch.full((n,), -1))),
        "ellipses": torch.cat((target["ellipses"], torch.full((n, 5), float("nan")))),
        "visible": torch.cat((target["visible"], torch.zeros(n))),
        TILE_SCALE: target[TILE_SCALE],
    }


def labelled_batches(
    pictures: Sequence[MarkedPicture],
    *,
    tile_px: int,
    n_tiles: int,
    seed: int,
    um_per_px: float,
    share: Share | None = None,
    start: int = 0,
) -> Iterator[tuple[Tensor, list[Target]]]:
    """Batches without end of squares cut at random from marked pictures, every picture equally often.

    Parameters
    ----------
    pictures : sequence of MarkedPicture
        What to cut from.
    tile_px : int
        Side of a square.
    n_tiles : int
        Squares of a batch, over all processes that share it.
    seed : int
        Same seed, same squares.
    um_per_px : float
        Scale that the detector is served at.
    share : Share, optional
        The part of each batch that is cut here; all of it if left out.
    start : int
        Number of the first batch.

    Raises
    ------
    RecordError
        If there is no picture, or one is locked for judging.
    """
    if not pictures:
        raise RecordError("The labelled set holds no picture to train on. Export one with marks.")
    refuse_locked(pictures)
    transform = labelled_transform(tile_px)
    first, after = (share or Share()).bounds(n_tiles)
    loaded: dict[int, tuple[NDArray[np.uint8], Target]] = {}
    for batch in itertools.count(start):
        squares, targets = [], []
        for number in range(batch * n_tiles + first, batch * n_tiles + after):
            index = _shuffled(number, len(pictures), seed)
            if index not in loaded:
                loaded[index] = (pictures[index].read_pixels(), with_ignored(to_target(pictures[index])))
            pixels, marks = loaded[index]
            square, target = transform(
                pixels,
                marks,
                factors=choose_factors(pictures[index], pixels.shape[:2], um_per_px),
                seed=seed * SEED_STRIDE + number,
            )
            squares.append(torch.from_numpy(square.copy()).permute(2, 0, 1))
            targets.append(target)
        yield torch.stack(squares), targets


def choose_factors(
    picture: MarkedPicture, shape_hw: tuple[int, int], um_per_px: float
) -> tuple[float, float]:
    """Least and greatest enlargement at which a detector that is served at `um_per_px` meets a picture.

    With a scale it looks at that and at twice as much. Without one it looks at up to four steps, each half of
    the last; of these, training leaves out where the picture's objects are smaller or larger than any that
    are to be found.
    """
    if picture.um_per_px is not None:
        fine = picture.um_per_px / um_per_px
        return fine / 2 / SCALE_JITTER, fine * SCALE_JITTER
    greatest = 2.0 if max(shape_hw) <= ENLARGED_BELOW_PX else 1.0
    least = greatest / 8
    if not picture.objects:
        return least, greatest
    boxes = _boxes([one.box_xyxy for one in picture.objects])
    length_px = float(np.median((boxes[:, 2:] - boxes[:, :2]).max(axis=1)))
    return (
        min(max(least, OBJECT_LENGTHS_PX[0] / length_px), greatest),
        max(min(greatest, OBJECT_LENGTHS_PX[1] / length_px), least),
    )


def _shuffled(number: int, n: int, seed: int) -> int:
    """Which of `n` comes at place `number` of a row in which each round has all of them, newly shuffled."""
    turn, place = divmod(number, n)
    return int(np.random.default_rng([seed, turn]).permutation(n)[place])


def join_batches(
    some: Iterable[tuple[Tensor, list[Target]]], others: Iterable[tuple[Tensor, list[Target]]]
) -> Iterator[tuple[Tensor, list[Target]]]:
    """Batches of both side by side, until one of them ends."""
    for (tiles, targets), (more_tiles, more_targets) in zip(some, others, strict=False):
        yield torch.cat((tiles, more_tiles)), [*targets, *more_targets]
