"""Pictures with objects of known size, to measure them again: drawn eggs, plain forms, or marked ones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import count, product
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray

from triage.errors import RecordError
from triage.groups import candidate_groups, read_groups
from triage.images import Picture, open_picture
from triage.outline import measure_moments
from triage.records import Ellipse

Floats = NDArray[np.float64]

SIDE_PX = 400
FOCUS_STRATA = (
    (-np.inf, -1.0, "blurred, below"),
    (-1.0, -0.3, "soft, below"),
    (-0.3, 0.3, "sharp"),
    (0.3, 1.0, "soft, above"),
    (1.0, np.inf, "blurred, above"),
)
"""Height over the plane of focus, in depths of field, wavelength over NA²."""
_LEAST_WIDTH_PX = 12.0
_LEAST_SHOWN = 0.95
# Drawing a stock costs more than a picture, so that only a few are used; none that the rim network learnt.
_STOCKS_USED = 2
_FIRST_STOCK = 12
_PLAIN_SIDES_PX = ((24.0, 20.0), (40.0, 30.0), (80.0, 40.0), (90.0, 60.0), (150.0, 110.0))
_PLAIN_BLURS_PX = (0.8, 1.4, 2.0)
_PLAIN_SIDE_PX, _PLAIN_SCALE = 240, 8


@dataclass(frozen=True)
class KnownObject:
    """An object of known ellipse, with the group and focus that it is counted under, and its picture.

    `kind` is what was drawn, such as "whipworm_egg"; empty where nothing tells it. The ellipse's
    sides are what the tool measures: extents along and across the long axis of the area.
    """

    truth: Ellipse
    group: str
    focus: str
    picture: str = ""
    kind: str = ""


KnownPicture = tuple[Picture, list[KnownObject]]


def draw_known(seed: int, device: str = "cpu") -> Iterator[KnownPicture]:
    """Endless drawn pictures, group after group, each with its whole, uncovered objects that stand alone."""
    # Drawing needs torch, which measuring a labelled set doesn't.
    from training.synthesize.kinds import KINDS
    from training.synthesize.kinds.kind import Kind
    from training.synthesize.render import render_scenes
    from training.synthesize.scene import draw_scene
    from training.synthesize.stock import STOCKS_OF_A_KIND, Stock, draw_stock
    from training.synthesize.style import FIELD

    style = replace(
        FIELD,
        name="measured",
        object_px=(28.0, 260.0),
        least_candidates=1,
        candidates_per_mpx=(5.0, 25.0),
        look_alikes_per_mpx=(0.0, 6.0),
        centred=True,
        cluster_share=0.05,
        clutter=(0.0, 0.5),
        softness=(0.05, 1.6),
        eyepiece_share=0.0,
        marks_share=0.0,
    )
    first = _FIRST_STOCK + seed * _STOCKS_USED % (STOCKS_OF_A_KIND - _FIRST_STOCK)

    @cache
    def few_stocks(kind: Kind, number: int) -> Stock:
        return draw_stock(kind, first + number % _STOCKS_USED)

    groups = candidate_groups()
    for index in count():
        group = groups[index % len(groups)]
        kinds = {
            name: kind for name, kind in KINDS.items() if kind.group == group or kind.group not in groups
        }
        scene = draw_scene(seed, index, style, (SIDE_PX, SIDE_PX), kinds=kinds, stocks=few_stocks)
        tiles, truths = render_scenes([scene], device, kinds=kinds)
        pixels = tiles[0].permute(1, 2, 0).contiguous().cpu().numpy()
        picture = Picture(pyvips.Image.new_from_array(pixels), file_name="drawn", sha256="")
        yield picture, _known_objects(scene, truths[0], f"{seed}/{index}")


def _known_objects(scene: Any, truth: Any, picture: str) -> list[KnownObject]:
    names = [group.name for group in read_groups()]
    outlines = match_outlines(scene, truth)
    known = []
    for row, label in enumerate(truth.labels):
        is_whole = not truth.is_truncated[row] and truth.shown[row] >= _LEAST_SHOWN
        if names[label] in candidate_groups() and is_whole and truth.ellipses[row, 3] >= _LEAST_WIDTH_PX:
            ellipse = _measure(outlines[row])
            if _stands_alone(ellipse, truth.ellipses):
                focus = name_focus(signed_depths(truth, row))
                known.append(KnownObject(ellipse, names[label], focus, picture, truth.kinds[row]))
    return known


def match_outlines(scene: Any, truth: Any) -> Floats:
    """Outlines (M, 96, 2) of the objects of `truth` as they are measured, in pixels of the picture.

    They are as drawn, but for lids, which end at their rim, and for spines, which are left out.
    """
    from training.synthesize.kinds import flukes
    from training.synthesize.kinds.eggs import shell_outline
    from training.synthesize.truth import place_in_picture

    if len(truth.ellipses) == 0:
        return np.zeros((0, 96, 2))
    drawn, middles = [], []
    measured = {kind.name: flukes.outline_seen for kind in flukes.KINDS} | {"spined_egg": shell_outline}
    for name, things in scene.objects.items():
        own = things.outline_um.astype(np.float64)
        middle = (own.min(axis=1) + own.max(axis=1))[:, None] / 2
        outline = measured[name](things.parameters) if name in measured else own
        drawn.append(place_in_picture(outline, things, scene.um_per_px))
        middles.append(place_in_picture(middle, things, scene.um_per_px)[:, 0])
    # Objects outside the picture are not in the truth, so that rows differ; their middles tell them.
    apart = np.linalg.norm(truth.ellipses[:, None, :2] - np.concatenate(middles), axis=2)
    matched: Floats = np.concatenate(drawn)[apart.argmin(axis=1)]
    return matched


def _measure(outline: Floats) -> Ellipse:
    cx, cy, length, width, turn = (float(value) for value in measure_moments(outline[None])[0])
    return Ellipse(cx, cy, length, width, float(np.rad2deg(turn)))


def _stands_alone(ellipse: Ellipse, all_ellipses: Floats) -> bool:
    """Whether none of the others can touch it, whatever their tilt."""
    apart = np.hypot(all_ellipses[:, 0] - ellipse.cx, all_ellipses[:, 1] - ellipse.cy)
    return int((apart < 0.55 * (all_ellipses[:, 2] + ellipse.length_px)).sum()) == 1


def signed_depths(truth: Any, row: int) -> float:
    """Height of an object over the plane of focus, in depths of field."""
    return float(np.copysign(truth.focus_depths[row], truth.focus_um[row]))


def name_focus(depths: float) -> str:
    """The stratum of an object so many depths of field above the plane of focus."""
    return next(name for low, high, name in FOCUS_STRATA if low <= depths < high)


def read_known(folder: Path) -> Iterator[KnownPicture]:
    """Pictures of a labelled set with the ellipses that a person drew; cut objects are left out.

    Raises
    ------
    RecordError
        If the folder holds no labelled set.
    ImageError
        If a picture can't be read.
    """
    try:
        coco = json.loads((folder / "annotations.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise RecordError(
            f"{folder} has no annotations.json that can be read ({err}). Give a labelled set's folder."
        ) from err
    groups = {category["id"]: category["name"] for category in coco["categories"]}
    for image in coco["images"]:
        known = [
            KnownObject(
                _to_ellipse(one["ellipse"]), groups[one["category_id"]], "unknown", image["file_name"]
            )
            for one in coco["annotations"]
            if one["image_id"] == image["id"] and one.get("ellipse") and not one.get("truncated")
        ]
        if known:
            with open_picture(folder / "images" / image["file_name"]) as picture:
                yield picture, known


def _to_ellipse(drawn: dict[str, float]) -> Ellipse:
    length = drawn["major_px"] if "major_px" in drawn else drawn["length_px"]
    width = drawn["minor_px"] if "minor_px" in drawn else drawn["width_px"]
    return Ellipse(drawn["cx"], drawn["cy"], length, width, drawn["angle_deg"])


def draw_plain_known(seed: int) -> Iterator[KnownPicture]:
    """Plain discs and rings, one in a picture, at random angles and places, in a little grain."""
    rng = np.random.default_rng(seed)
    for (length, width), blur_px, thickness in product(_PLAIN_SIDES_PX, _PLAIN_BLURS_PX, (0.0, 0.15)):
        cx, cy = _PLAIN_SIDE_PX / 2 + rng.uniform(-0.5, 0.5, 2)
        ellipse = Ellipse(float(cx), float(cy), length, width, float(rng.uniform(-90, 90)))
        finer = np.full((_PLAIN_SIDE_PX * _PLAIN_SCALE,) * 2, 215, dtype=np.uint8)
        for inset, grey in ((0.0, 90), (thickness * width, 195)) if thickness else ((0.0, 90),):
            _fill_ellipse(finer, ellipse, inset, grey)
        shape_wh = (_PLAIN_SIDE_PX, _PLAIN_SIDE_PX)
        drawn = cv2.resize(finer, shape_wh, interpolation=cv2.INTER_AREA).astype(np.float64)
        noisy = cv2.GaussianBlur(drawn, (0, 0), blur_px)[..., None] + rng.normal(0, 1.5, (*shape_wh, 3))
        pixels = np.clip(noisy, 0, 255).round().astype(np.uint8)
        picture = Picture(pyvips.Image.new_from_array(pixels), file_name="plain", sha256="")
        form = "ring" if thickness else "disc"
        group, focus = f"{form} {length:g} x {width:g}", f"blur {blur_px:g} px"
        yield picture, [KnownObject(ellipse, group, focus, f"{seed}/{group}/{focus}")]


def _fill_ellipse(finer: NDArray[np.uint8], ellipse: Ellipse, inset_px: float, grey: int) -> None:
    middle = (ellipse.cx * _PLAIN_SCALE - 0.5, ellipse.cy * _PLAIN_SCALE - 0.5)
    # The filled box reaches over the middles of its outermost pixels.
    sides = [(side - 2 * inset_px) * _PLAIN_SCALE - 1 for side in (ellipse.length_px, ellipse.width_px)]
    cv2.ellipse(finer, (middle, (sides[0], sides[1]), ellipse.angle_deg), grey, -1)
