"""Draw slides to practise on, with all that is on them, as one zipped labelled set.

    python -m training.practice --out practice.zip --n 8 --seed 1

Send the file on the practice page. Objects that nobody could be asked to see, and those that the picture's
edge cuts, count neither way.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.sight import LEAST_VISIBLE
from training.synthesize.style import STYLES
from training.synthesize.truth import TileTruth
from triage.boxes import to_xywh
from triage.errors import RecordError, TriageError
from triage.groups import read_groups
from triage.labelled_set import LabelledImage, LabelledObject, write_labelled_set
from triage.records import Ellipse
from triage.zipped_set import zip_set

SHAPE_HW = (768, 1024)
STYLE = "field"
UM_PER_PX = 0.5
MOST_SLIDES = 500


def draw_practice(
    target: Path, *, n: int, seed: int, shape_hw: tuple[int, int] = SHAPE_HW, style: str = STYLE
) -> int:
    """Write `n` drawn slides with their truth as a zipped labelled set; the number of objects to be found.

    Raises
    ------
    RecordError
        If there are too few or too many slides, or the file exists.
    """
    if not 1 <= n <= MOST_SLIDES:
        raise RecordError(f"{n} slides were asked for; ask for 1 to {MOST_SLIDES}.")
    if target.exists():
        raise RecordError(f"{target} is there already. Name a new file; none is ever overwritten.")
    with tempfile.TemporaryDirectory() as folder:
        slides = list(_draw(Path(folder), n, seed, shape_hw, style))
        # Drawn slides have no names to hide; the key only makes the same seed give the same set.
        key = hashlib.sha256(f"drawn practice slides {style} {seed}".encode()).digest()
        written = write_labelled_set(Path(folder, "set"), slides, key=key, rule={"drawn": True, "seed": seed})
        zip_set(written.folder, target)
    return sum(row["answer"] == "confirm" for row in written.annotations["annotations"])


def _draw(folder: Path, n: int, seed: int, shape_hw: tuple[int, int], style: str) -> Iterator[LabelledImage]:
    for index in range(n):
        pictures, truths = render_scenes(
            [draw_scene(seed, index, STYLES[style], shape_hw, um_per_px=UM_PER_PX)]
        )
        path = folder / f"{index}.png"
        Image.fromarray(pictures[0].permute(1, 2, 0).numpy()).save(path)
        yield LabelledImage(
            original=path,
            specimen=f"{style} {seed} {index}",
            objects=tuple(_to_object(truths[0], row) for row in range(len(truths[0].labels))),
            um_per_px=truths[0].um_per_px,
        )


def _to_object(truth: TileTruth, row: int) -> LabelledObject:
    group = read_groups()[int(truth.labels[row])]
    is_asked = truth.visible[row] >= LEAST_VISIBLE and not truth.is_truncated[row]
    answer = "confirm" if group.kind == "candidate" else "reject"
    length_um, width_um = (float(value) for value in truth.sizes_um[row])
    return LabelledObject(
        bbox_xywh=to_xywh(np.asarray(truth.boxes_xyxy[row])),
        answer=answer if is_asked else "unsure",
        group=group.name,
        origin="drawn",
        ellipse=Ellipse(*(float(value) for value in truth.ellipses[row])),
        length_um=length_um,
        width_um=width_um,
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.practice", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="zip file to write")
    parser.add_argument("--n", type=int, default=8, help="slides (default: 8)")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same slides (default: 1)")
    options = parser.parse_args(arguments)
    try:
        n_objects = draw_practice(options.out, n=options.n, seed=options.seed)
    except (TriageError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    print(f"{options.n} slides with {n_objects} objects to be found in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
