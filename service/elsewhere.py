"""The same object in other pictures of one scan, from where stitching placed its fields."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.store import images, stitchings
from service.store.database import Session
from service.store.models import Image


@dataclass(frozen=True)
class Seen:
    """A point of a picture, in its pixels."""

    image: Image
    x: float
    y: float
    is_mosaic: bool


def find_elsewhere(session: Session, image: Image, point_xy: tuple[float, float]) -> list[Seen]:
    """Where else a point of a picture was photographed, by the newest stitching that holds the picture.

    Parameters
    ----------
    point_xy : tuple of float
        In pixels of `image`, which is a field of a scan or the mosaic of one.

    Returns
    -------
    seen : list of Seen
        The mosaic first, then fields in the order of the scan; empty where no stitching knows the picture.
    """
    for row in reversed(stitchings.list_stitchings(session, image.preparation_id)):
        report = row.report
        if row.state != "ready" or report is None or row.image_id is None:
            continue
        in_mosaic = point_xy if row.image_id == image.id else _to_mosaic(report, image.id, point_xy)
        if in_mosaic is not None:
            places = [(row.image_id, *in_mosaic), *_to_fields(report, in_mosaic)]
            return [
                Seen(images.read_image_state(session, number).image, x, y, number == row.image_id)
                for number, x, y in places
                if number != image.id
            ]
    return []


def _to_mosaic(
    report: dict[str, Any], image_id: int, point_xy: tuple[float, float]
) -> tuple[float, float] | None:
    for one in report["placed"]:
        if one["image_id"] == image_id:
            x, y = _turn(point_xy, report["field"], one["turn_deg"])
            return x + one["x"], y + one["y"]
    return None


def _to_fields(report: dict[str, Any], point_xy: tuple[float, float]) -> Iterator[tuple[int, float, float]]:
    field = report["field"]
    for one in report["placed"]:
        moved = (point_xy[0] - one["x"], point_xy[1] - one["y"])
        x, y = _turn(moved, field, -one["turn_deg"])
        if 0 <= x <= field["width"] and 0 <= y <= field["height"]:
            yield one["image_id"], x, y


def _turn(point_xy: tuple[float, float], field: dict[str, Any], turn_deg: float) -> tuple[float, float]:
    """A point turned about the middle of a field, as its place in the mosaic says (clockwise, y down)."""
    middle_x, middle_y = field["width"] / 2, field["height"] / 2
    x, y, turn = point_xy[0] - middle_x, point_xy[1] - middle_y, math.radians(turn_deg)
    return (
        middle_x + x * math.cos(turn) - y * math.sin(turn),
        middle_y + x * math.sin(turn) + y * math.cos(turn),
    )
