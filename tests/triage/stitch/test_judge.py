"""What is uncertain is cut off as a part of its own, and what is said where no field can be placed surely."""

from __future__ import annotations

import numpy as np
import pytest

from triage.stitch.fields import Fields
from triage.stitch.judge import part_unsure, say_why_apart, say_why_none
from triage.stitch.layout import Layout
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
    _, is_in, unsure = part_unsure(found, [])
    assert not is_in.any() and list(unsure) == [0, 1, 2] and "uncertain by 4.0 px" in unsure[1]
    sentence = say_why_none(found, {}, unsure)
    assert sentence.startswith("None of the 3 pictures could be placed surely: 2 overlaps were found, but ")
    assert "the places of 3 are uncertain by up to 4.0 px (at most 1 px is taken)" in sentence
    assert "Take the scan again with sharper pictures, more overlap" in sentence


@pytest.mark.parametrize(("sd_px", "n_parts"), [(0.4, 1), (4.0, 0)])
def test_only_what_is_sure_is_a_part(sd_px: float, n_parts: int) -> None:
    fields = Fields((), ("a.png", "b.png", "c.png"), (40, 50), np.zeros((3, 4, 5, 3), np.float32), None, ())
    layout = Layout(fields, find([pair_up(0, 1), pair_up(1, 2)], sd_px=sd_px), {})
    assert len(layout.lay_parts(np.ones(3, dtype=bool))) == n_parts


def test_blurred_pictures_are_given_as_the_reason() -> None:
    blurred = {0: "It is blurred.", 1: "It is blurred."}
    assert "2 overlaps were found, but 2 are blurred." in say_why_none(
        find([pair_up(0, 1), pair_up(1, 2)]), blurred, {}
    )


def test_no_overlap_is_given_as_the_reason() -> None:
    assert say_why_none(find([]), {0: "It is blurred."}, {}).startswith(
        "No two of the 3 pictures were found to overlap (0 of them show nothing, 1 are blurred)."
    )


@pytest.mark.parametrize("left_out", [[], [0, 1, 2, 3, 7, 8, 9, 10]])
def test_part_behind_a_tie_that_says_little_of_the_turn_is_cut_off_and_hangs_together_still(
    left_out: list[int],
) -> None:
    rng = np.random.default_rng(4)
    middle_xy = np.array([(column * 500.0, row * 400.0) for row in range(2) for column in range(7)])
    turns = rng.uniform(-0.02, 0.02, 14)

    def tie(first: int, second: int, reach_px: float) -> Pair:
        seen = middle_xy[[first, second]].mean(axis=0) + rng.uniform(-reach_px, reach_px, (40, 2))
        ours, theirs = (
            (seen - middle_xy[n]) @ np.array([[cos, -sin], [sin, cos]]) + rng.normal(0, 0.1, (40, 2))
            for n, cos, sin in ((n, np.cos(turns[n]), np.sin(turns[n])) for n in (first, second))
        )
        return Pair(first, second, ours, theirs, np.full(40, 0.9), 1e-9)

    beside = [(n, n + 1) for n in range(13) if n % 7 not in (3, 6)] + [(n, n + 7) for n in range(7)]
    ties = [tie(*ends, 150.0) for ends in beside]
    blank = np.zeros((14, 4, 5, 3), np.float32)
    broad, narrow = (
        Found(solve_places(14, [*ties, tie(3, 4, reach_px)]), blank[0], blank) for reach_px in (150.0, 5.0)
    )
    assert part_unsure(broad, [])[1].all() and len(set(narrow.places.group.tolist())) == 1
    found, is_in, _ = part_unsure(narrow, left_out)
    behind = [6, 11, 12, 13]
    assert is_in[behind].all() if left_out else 6 <= is_in.sum() <= 8 and not is_in[[4, 5, *behind]].any()
    assert len(set(found.places.group[behind].tolist())) == 1
    assert found.places.sd_px[behind].max() < 0.5
