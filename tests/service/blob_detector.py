"""A small detector with the contract of the real one: finds dark blobs, without a network."""

from __future__ import annotations

import argparse
import os
import signal
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from triage.groups import read_groups
from triage.records import Detections

CRASH_COLOUR = (255, 0, 255)
# Many tiles, and so many batches, in a small picture.
SMALL_TILE_PX = 160


@dataclass(frozen=True)
class BlobRecord:
    """What travels with the weights."""

    name: str = "blobs 1"
    weights_sha256: str = "b" * 64
    default_cut: float = 0.4


@dataclass
class BlobDetector:
    """Finds dark blobs; `CRASH_COLOUR` in a tile ends its process.

    It hangs after `calls_before_hang` calls, until the process that started its own is gone.
    """

    tile_px: int = 512
    um_per_px: float = 0.5
    calls_before_hang: int | None = None
    record: BlobRecord = field(default_factory=BlobRecord)
    n_calls: int = field(default=0, init=False)

    @property
    def name(self) -> str:
        return self.record.name

    @property
    def weights_sha256(self) -> str:
        return self.record.weights_sha256

    def detect(self, tiles: NDArray[np.uint8], um_per_px: object = None) -> list[Detections]:
        if self.n_calls == self.calls_before_hang:
            _hang()
        self.n_calls += 1
        if (tiles == CRASH_COLOUR).all(axis=-1).any():
            os.kill(os.getpid(), signal.SIGKILL)
        return [find_blobs(tile) for tile in tiles]


def _hang() -> None:
    parent = os.getppid()
    while os.getppid() == parent:
        time.sleep(0.05)


def find_blobs(tile: NDArray[np.uint8]) -> Detections:
    """Blobs of one tile; the darker, the higher the score."""
    grey = tile.mean(axis=2)
    labels, _ = ndimage.label(grey < 150)
    found: list[tuple[float, list[float]]] = []
    for number, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1):
        box = [float(columns.start), float(rows.start), float(columns.stop), float(rows.stop)]
        if min(box[2] - box[0], box[3] - box[1]) >= 8:
            darkness = float(np.median(grey[labels == number]))
            found.append((round(1 - darkness / 160, 4), box))
    found.sort(key=lambda one: (-one[0], one[1]))
    return _as_detections(found)


def _as_detections(found: list[tuple[float, list[float]]]) -> Detections:
    n, groups = len(found), read_groups()
    boxes = np.array([box for _, box in found], dtype=np.float64).reshape(n, 4)
    sides = boxes[:, 2:] - boxes[:, :2]
    shares = np.full((n, len(groups)), 0.2 / (len(groups) - 1))
    shares[:, 0] = 0.8
    return Detections(
        boxes_xyxy=boxes,
        scores=np.array([score for score, _ in found], dtype=np.float64),
        group_scores=shares,
        ellipses=np.column_stack(
            [
                (boxes[:, :2] + boxes[:, 2:]) / 2,
                sides.max(axis=1, initial=0) if n else np.zeros(0),
                sides.min(axis=1, initial=1e9) if n else np.zeros(0),
                np.zeros(n),
            ]
        ),
    )


def main(arguments: list[str] | None = None) -> None:
    """Run the service with this detector, or a process that only works for it, to be killed by tests."""
    # Not above: every child of the service loads this module again, and then the whole service with it.
    from quick_passwords import hash_quickly

    from service.admin import create_user
    from service.errors import ConflictError
    from service.run import serve, work
    from service.settings import Settings

    hash_quickly()
    parser = argparse.ArgumentParser()
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--only-works", action="store_true")
    parser.add_argument("--calls-before-hang", type=int)
    parser.add_argument("--weights", default=BlobRecord.weights_sha256)
    options: Any = parser.parse_args(arguments)
    record = BlobRecord(weights_sha256=options.weights)
    detector = BlobDetector(SMALL_TILE_PX, calls_before_hang=options.calls_before_hang, record=record)
    settings = Settings(data_folder=options.data, port=options.port)
    if options.only_works:
        work(settings, detector=detector)
        return
    # A service that is started again knows them.
    if not options.data.exists():
        for user_name, role in (("reader", "reader"), ("vet", "veterinarian"), ("assistant", "assistant")):
            with suppress(ConflictError):
                create_user(settings, user_name, f"Try {user_name}", role, f"{user_name}-password")
    serve(settings, detector=detector)


if __name__ == "__main__":
    main()
