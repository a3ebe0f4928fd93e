"""What is said where no field can be placed surely."""

from __future__ import annotations

import numpy as np

from triage.stitch.judge import find_unsure, say_why_apart, say_why_none
from triage.stitch.place import Found
from triage.stitch.records import Pair
from triage.stitch.solve import Places, solve_places


def find(pairs: list[Pair], sd_px: float | None = None) -> Found:
    places = solve_places(3, pairs)
    if sd_px is not None:
        places = Places(**{**vars(places), "sd_px": np.full(3, sd_px)})
    dots = np.random.default_rng(1).uniform(0, 255, (3, 40, 50, 3)).astype(np.float32)
    return Found(places, np.ones((40, 50, 3), np.float32), dots)


def pair_up(first: int, second: int) -> Pair:
    xy = np.array([(10.0, 0.0), (12.0, 20.0), (8.0, -20.0)])
    return Pair(first, second, xy, xy - (40, 0), np.full(3, 0.8), 1e-6)


def test_field_of_a_scan_out_of_focus_is_said_to_be_so() -> None:
    names, found = ["a.png", "b.png", "c.png"], find([])
    sharp, soft = (say_why_apart(1, found, names, sharpness) for sharpness in (0.6, 0.2))
    assert sharp.endswith("or its neighbours are missing or blank.")
    assert soft == f"{sharp} It is out of focus, too: its sharpness is 0.20."


def test_uncertain_places_are_given_as_the_reason() -> None:
    found = find([pair_up(0, 1), pair_up(1, 2)], sd_px=4.0)
    unsure = find_unsure(found.places.sd_px, np.ones(3, dtype=bool))
    sentence = say_why_none(found, {}, unsure)
    assert sentence.startswith("None of the 3 pictures could be placed surely: 2 overlaps were found, but ")
    assert "the places of 3 are uncertain by up to 4.0 px (at most 1 px is taken)" in sentence
    assert "Take the scan again with sharper pictures, more overlap" in sentence


def test_blurred_pictures_are_given_as_the_reason() -> None:
    blurred = {0: "It is blurred.", 1: "It is blurred."}
    assert "2 overlaps were found, but 2 are blurred." in say_why_none(
        find([pair_up(0, 1), pair_up(1, 2)]), blurred, {}
    )


def test_no_overlap_is_given_as_the_reason() -> None:
    assert say_why_none(find([]), {0: "It is blurred."}, {}).startswith(
        "No two of the 3 pictures were found to overlap (0 of them show nothing, 1 are blurred)."
    )
