"""Judge the calibration from photographed stage micrometers on drawn ones.

    python -m training.bench_calibration [--n 200] [--seed 1] [--workers 2]

prints how many of the drawn rulings were found, the error of µm per pixel, the share of them whose 95 %
interval (1.96 standard uncertainties) holds the truth, and the error of the worst.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image

from training.synthesize.processes import open_processes
from training.synthesize.ruling import DIVISION_UM, draw_any_ruling, draw_ruling
from triage.errors import CalibrationError
from triage.images import open_picture
from triage.micrometer import calibrate_picture

PROMISED_RELATIVE_ERROR = 0.003


@dataclass(frozen=True)
class Judged:
    """One drawn ruling: its relative error, and the stated relative standard uncertainty; None if refused."""

    index: int
    error: float | None
    sd: float | None


def judge_ruling(seed: int, index: int) -> Judged:
    """Draw a ruling, calibrate its picture as a file, and compare."""
    ruling = draw_any_ruling(seed, index)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ruling.png"
        Image.fromarray(draw_ruling(ruling, index)).save(path)
        try:
            with open_picture(path) as picture:
                scale, _ = calibrate_picture(picture, DIVISION_UM)
        except CalibrationError:
            return Judged(index, None, None)
    found = scale.calibration
    return Judged(index, found.um_per_px / ruling.um_per_px - 1, found.um_per_px_sd / ruling.um_per_px)


def sum_up(judged: list[Judged]) -> dict[str, float | int | list[int]]:
    """The figures, by name; shares are of all rulings drawn, coverage of those found."""
    found = [one for one in judged if one.error is not None]
    error = np.abs([one.error for one in found if one.error is not None])
    sd = np.array([one.sd for one in found if one.sd is not None])
    return {
        "n": len(judged),
        "found": len(found),
        "share_within_0.3_percent": round(float((error <= PROMISED_RELATIVE_ERROR).sum() / len(judged)), 4),
        "share_covered_by_95_percent_interval": round(float((error <= 1.96 * sd).mean()), 4),
        "median_error_percent": round(100 * float(np.median(error)), 4),
        "p95_error_percent": round(100 * float(np.percentile(error, 95)), 4),
        "worst_error_percent": round(100 * float(error.max()), 4),
        "median_sd_percent": round(100 * float(np.median(sd)), 4),
        "refused": [one.index for one in judged if one.error is None],
    }


def main(arguments: list[str] | None = None) -> int:
    """Judge as the command line says."""
    parser = argparse.ArgumentParser(
        prog="python -m training.bench_calibration", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--n", type=int, default=200, help="rulings to draw")
    parser.add_argument("--seed", type=int, default=1, help="another seed draws other rulings")
    parser.add_argument("--workers", type=int, default=2, help="processes side by side")
    options = parser.parse_args(arguments)
    if min(options.n, options.workers) < 1 or options.seed < 0:
        parser.error("--n and --workers must be 1 or more, --seed 0 or more")
    with open_processes(options.workers) as pool:
        judged = list(pool.map(partial(judge_ruling, options.seed), range(options.n), chunksize=4))
    print(json.dumps(sum_up(judged), indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
