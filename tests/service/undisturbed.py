"""What the tool says of a picture when nothing interrupts it, to hold what a service says against."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from blob_detector import SMALL_TILE_PX, BlobDetector
from service_slides import draw_slide

from triage.calibration import state_calibration
from triage.images import open_picture
from triage.pipeline import propose_candidates
from triage.proposal import proposal_to_json

# Many tiles of the small detector, and so several batches; it is asked for half a batch at a time.
GRID = tuple((20 + 220 * column, 20 + 160 * row, 60, 50) for column in range(4) for row in range(4))
CALLS_IN_A_BATCH = 2


def draw_grid(seed: int) -> bytes:
    """A slide with an object at each place of `GRID`."""
    return draw_slide(seed, width=960, height=700, boxes_xywh=GRID, has_faint=False)


def is_as_undisturbed(answer: dict[str, Any], picture: bytes, folder: Path) -> bool:
    """Whether a service says of a picture, byte for byte, what is said of it without the service.

    `answer` is what the service gives as candidates; the picture is written to `folder`.
    """
    expected = _propose(picture, folder)
    said = [*answer["candidates"], *answer["below_cut"]]
    if not len(said) == len(expected) >= len(GRID):
        return False
    same = [{name: one[name] for name in like} for one, like in zip(said, expected, strict=True)]
    return json.dumps(same) == json.dumps(expected)


def _propose(picture: bytes, folder: Path) -> list[dict[str, Any]]:
    path = folder / "slide.png"
    path.write_bytes(picture)
    calibration = state_calibration(0.5, None, source="stated at upload")
    with open_picture(path) as opened:
        proposal = propose_candidates(opened, calibration, BlobDetector(tile_px=SMALL_TILE_PX), host="dog")
    candidates: list[dict[str, Any]] = proposal_to_json(proposal)["candidates"]
    return candidates
