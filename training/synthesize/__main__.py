"""Draw slides with exact truth into a folder.

$ python -m training.synthesize --out drawn --n 4 --style field --seed 7 --width 1600 --height 1200
4 pictures with 70 objects in drawn
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from training.synthesize.folder import Order, check_order, draw_slides
from training.synthesize.style import STYLES
from triage.errors import TriageError


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw as the command line says; 0 when done, 1 on bad input."""
    order = Order(**vars(_parser().parse_args(arguments)))
    try:
        check_order(order)
        n_objects = draw_slides(order)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print(f"{order.n} pictures with {n_objects} objects in {order.out}")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m training.synthesize", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="folder for images/ and annotations.json")
    parser.add_argument("--n", type=int, default=20, help="number of pictures (default: 20)")
    parser.add_argument(
        "--style", choices=sorted(STYLES), default="field", help="sort of picture (default: field)"
    )
    parser.add_argument("--seed", type=int, default=0, help="same seed, same pictures (default: 0)")
    parser.add_argument("--width", type=int, default=1600, help="in pixels (default: 1600)")
    parser.add_argument("--height", type=int, default=1200, help="in pixels (default: 1200)")
    parser.add_argument("--um-per-px", type=float, help="µm a pixel (default: drawn from the style)")
    parser.add_argument(
        "--format", dest="suffix", choices=("jpg", "png"), default="jpg", help="(default: jpg)"
    )
    parser.add_argument("--workers", type=int, default=1, help="processes (default: 1)")
    return parser


if __name__ == "__main__":
    sys.exit(main())
