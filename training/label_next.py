"""Which pictures to label next, the most teaching first, as JSON.

    python -m training.label_next --pictures DIR [--labelled SET] [--um-per-px X] [--weights DIR] [--out FILE]

asks the detector what it sees in each picture of DIR and ranks those that it is unsure of, and that are
unlike those ranked before and unlike those of the labelled set. Needs no labels and changes nothing.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from triage.calibration import Calibration, state_calibration
from triage.detector import Detector, load_detector
from triage.errors import ImageError, RecordError, TriageError
from triage.images import open_picture
from triage.label_next import Chosen, PictureSaid, describe_said, rank_to_label
from triage.pipeline import propose_candidates
from triage.records import Candidate, Proposal
from triage.strata import to_measured


def look_at(path: Path, detector: Detector, um_per_px: float | None) -> PictureSaid:
    """What a detector says of a picture.

    Raises
    ------
    ImageError
        If it can't be read.
    """
    calibration: Calibration | None = None
    if um_per_px is not None:
        calibration = state_calibration(um_per_px, None, source="given by the caller")
    with open_picture(path) as picture:
        proposal = propose_candidates(picture, calibration, detector)
    return describe_proposal(proposal)


def describe_proposal(proposal: Proposal) -> PictureSaid:
    """The same of a proposal that is made already."""
    return describe_said([_to_said(one) for one in proposal.candidates], to_measured(proposal.adequacy))


def _to_said(candidate: Candidate) -> dict[str, Any]:
    return {
        "score": candidate.score,
        "group_scores": candidate.group_scores,
        "look_alike_scores": candidate.look_alike_scores,
    }


def look_at_all(
    paths: Iterable[Path], detector: Detector, um_per_px: float | None
) -> tuple[list[Path], list[PictureSaid], list[dict[str, str]]]:
    """The pictures that can be read, what is said of them, and those that can't, with the reason."""
    read, said, refused = [], [], []
    for path in paths:
        try:
            said.append(look_at(path, detector, um_per_px))
            read.append(path)
        except ImageError as err:
            refused.append({"file": path.name, "why": str(err)})
    return read, said, refused


def list_files(folder: Path) -> list[Path]:
    """The files of a folder, by name.

    Raises
    ------
    RecordError
        If it is no folder, or an empty one.
    """
    files = sorted(path for path in folder.glob("*") if path.is_file())
    if not files:
        raise RecordError(f"{folder} holds no files. Name a folder of pictures.")
    return files


def read_labelled(folder: Path) -> list[tuple[Path, float | None]]:
    """The pictures of a labelled set with their scales.

    Raises
    ------
    RecordError
        If it is none.
    """
    from training.dataset import read_marked_pictures

    return [(one.path, one.um_per_px) for one in read_marked_pictures(folder)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Rank as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.label_next", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--pictures", type=Path, required=True, help="folder of pictures without labels")
    parser.add_argument("--labelled", type=Path, help="labelled set of those that have labels already")
    parser.add_argument("--um-per-px", type=float, help="scale of the pictures without labels")
    parser.add_argument("--weights", type=Path, help="folder of another detector")
    parser.add_argument("--out", type=Path, help="write the JSON here instead of to standard output")
    options = parser.parse_args(arguments)
    try:
        detector = load_detector(options.weights)
        paths, said, refused = look_at_all(list_files(options.pictures), detector, options.um_per_px)
        known = [] if options.labelled is None else read_labelled(options.labelled)
        labelled = [look_at(path, detector, um_per_px) for path, um_per_px in known]
        text = json.dumps(_to_json(paths, rank_to_label(said, labelled), refused), indent=1)
        if options.out is None:
            print(text)
        else:
            options.out.write_text(text + "\n", encoding="utf-8")
    except (TriageError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    return 0


def _to_json(
    paths: Sequence[Path], ranked: Sequence[Chosen], refused: list[dict[str, str]]
) -> dict[str, Any]:
    rows = [
        {
            "rank": rank,
            "file": paths[one.index].name,
            "doubt": round(one.doubt, 4),
            "novelty": round(one.novelty, 4),
        }
        for rank, one in enumerate(ranked, start=1)
    ]
    return {"pictures": rows, "refused": refused}


if __name__ == "__main__":
    sys.exit(main())
