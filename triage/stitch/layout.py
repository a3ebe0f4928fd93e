"""The fields that hang together laid out on a canvas of their own: the mosaic, and the parts beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from triage.stitch.fields import Fields
from triage.stitch.judge import rate_sureness
from triage.stitch.parting import MOST_SD_PX
from triage.stitch.place import Found
from triage.stitch.records import Part, Placed


class Layout:
    """Lays fields out by the places that were found for them.

    Parameters
    ----------
    fields : Fields
    found : Found
    sharpness : mapping of int to float
        By number of the field, as far as it could be judged.
    """

    def __init__(self, fields: Fields, found: Found, sharpness: Mapping[int, float]) -> None:
        n, kept = len(fields.names), found.places.kept
        self._fields, self._places, self._sharpness = fields, found.places, sharpness
        self._sureness = rate_sureness(n, kept)
        ends = np.array([(pair.first, pair.second) for pair in kept], dtype=np.int64)
        self._ties = np.bincount(ends.ravel(), minlength=n)

    def lay(
        self, numbers: Sequence[int], middle_xy: NDArray[np.float64], by_steps: Mapping[int, float]
    ) -> tuple[tuple[Placed, ...], tuple[int, int]]:
        """These fields with the canvas's corner at 0, 0, and its rows and columns.

        Parameters
        ----------
        numbers : sequence of int
        middle_xy : ndarray of shape (N, 2)
            Of all fields of the scan.
        by_steps : mapping of int to float
            Those of them that the scan's steps alone place, and how surely, in pixels.
        """
        height, width = self._fields.shape_hw
        turn = np.array([0.0 if n in by_steps else self._places.turn_rad[n] for n in numbers])
        reach = np.abs(np.sin(turn))[:, None] * np.array([height, width]) / 2
        corner_xy = middle_xy[list(numbers)] - np.array([width, height]) / 2
        origin = (corner_xy - reach).min(axis=0)
        most = (corner_xy + reach + np.array([width, height]) - origin).max(axis=0)
        # Fields lie on whole pixels, so the farthest one ends where its place rounds to.
        shape_hw = (round(float(most[1])), round(float(most[0])))
        placed = tuple(
            Placed(
                field=n,
                name=self._fields.names[n],
                x=float(x),
                y=float(y),
                turn_deg=float(np.rad2deg(angle)),
                sureness=0.0 if n in by_steps else float(self._sureness[n]),
                sd_px=by_steps.get(n, float(self._places.sd_px[n])),
                by="regularity" if n in by_steps else "overlap",
                neighbours=int(self._ties[n]),
                sharpness=self._sharpness.get(n),
            )
            for n, (x, y), angle in zip(numbers, corner_xy - origin, turn, strict=True)
        )
        return placed, shape_hw

    def lay_parts(self, is_free: NDArray[np.bool_]) -> tuple[Part, ...]:
        """Parts of two fields or more that hang together among these, the largest first.

        Parameters
        ----------
        is_free : ndarray of shape (N,)
            Which fields are in no mosaic, and may be in a part.
        """
        group, parts = self._places.group, []
        is_sure = is_free & (self._places.sd_px <= MOST_SD_PX)
        for one in np.unique(group[is_sure]).tolist():
            is_member = is_sure & (group == one)
            if is_member.sum() > 1:
                placed, shape_hw = self.lay(is_member.nonzero()[0].tolist(), self._places.middle_xy, {})
                parts.append(Part(shape_hw, placed))
        return tuple(sorted(parts, key=lambda part: -len(part.placed)))
