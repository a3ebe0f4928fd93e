"""Time the detector alone, and the whole proposal against it.

    python -m training.bench [--weights DIR] [--processes 2] [--seconds 5] [--image FILE]

prints tiles a second of the network alone, in one process of one thread and in several side by side, then
how long the proposal for one picture takes and how many times its pure forward passes that is. Without
`--image`, a slide is drawn. Run it on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

from triage.calibration import state_calibration
from triage.detector import Detector, load_detector
from triage.errors import TriageError
from triage.images import open_picture
from triage.pipeline import plan_proposal, propose_candidates

DRAWN_SIDE_PX = 1024
WARM_UP_TILES = 3


def count_tiles_per_second(weights: Path | None, seconds: float) -> float:
    """Tiles that one process of one thread looks at in a second, network and reading of its map."""
    detector = load_detector(weights, threads=1)
    tile = _grain(detector.tile_px)
    for _ in range(WARM_UP_TILES):
        detector.detect(tile)
    n_tiles = 0
    start = time.perf_counter()
    while (spent := time.perf_counter() - start) < seconds:
        detector.detect(tile)
        n_tiles += 1
    return n_tiles / spent


def _grain(side: int) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.random.default_rng(0).integers(0, 256, (1, side, side, 3), dtype=np.uint8)


def count_side_by_side(weights: Path | None, seconds: float, n_processes: int) -> float:
    """Tiles a second of several processes of one thread each, at the same time."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(n_processes, mp_context=context) as pool:
        tasks = [pool.submit(count_tiles_per_second, weights, seconds) for _ in range(n_processes)]
        return sum(task.result() for task in tasks)


def time_proposal(image: Path, detector: Detector) -> dict[str, float]:
    """Seconds of one proposal, of its forward passes alone, and their ratio.

    Parameters
    ----------
    image : Path
        Taken at the detector's own scale.
    detector : Detector
        What looks.

    Returns
    -------
    times : dict
        `tiles`, `proposal_s`, `forward_s` and `ratio`.
    """
    calibration = state_calibration(detector.um_per_px, None, source="bench")
    with open_picture(image) as picture:
        n_tiles = len(plan_proposal(picture, calibration, detector).tiles)
        tiles = _grain(detector.tile_px)
        detector.detect(tiles)
        forward_s = _seconds_of(lambda: [detector.detect(tiles) for _ in range(n_tiles)])
        proposal_s = _seconds_of(lambda: propose_candidates(picture, calibration, detector))
    return {
        "tiles": n_tiles,
        "proposal_s": round(proposal_s, 3),
        "forward_s": round(forward_s, 3),
        "ratio": round(proposal_s / forward_s, 3),
    }


def _seconds_of(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def draw_picture(path: Path, side_px: int) -> None:
    """A drawn slide as PNG."""
    # Drawing needs torch, which timing an existing picture doesn't.
    from training.synthesize.stream import draw_batch

    tiles, _ = draw_batch(7, n=1, tile_px=side_px)
    Image.fromarray(tiles[0].permute(1, 2, 0).numpy()).save(path)


def bench(weights: Path | None, image: Path | None, *, seconds: float, n_processes: int) -> dict[str, float]:
    """Every figure, by name; without an image, a slide is drawn.

    Raises
    ------
    TriageError
        If weights or picture can't be read.
    """
    detector = load_detector(weights, threads=1)
    alone = count_tiles_per_second(weights, seconds)
    together = count_side_by_side(weights, seconds, n_processes)
    with tempfile.TemporaryDirectory() as folder:
        if image is None:
            image = Path(folder) / "drawn.png"
            draw_picture(image, DRAWN_SIDE_PX)
        return {
            "tiles_per_second_1_process": round(alone, 2),
            f"tiles_per_second_{n_processes}_processes": round(together, 2),
            **time_proposal(image, detector),
        }


def main(arguments: list[str] | None = None) -> int:
    """Time as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--weights", type=Path, help="weights folder (default: shipped)")
    parser.add_argument("--image", type=Path, help="picture to propose for (default: a drawn slide)")
    parser.add_argument("--seconds", type=float, default=5.0, help="time for each count of tiles")
    parser.add_argument("--processes", type=int, default=2, help="processes side by side")
    options = parser.parse_args(arguments)
    try:
        figures = bench(
            options.weights, options.image, seconds=options.seconds, n_processes=options.processes
        )
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print(json.dumps(figures, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
