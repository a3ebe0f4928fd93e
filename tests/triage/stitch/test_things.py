"""A pair that rests on one plain thing is believed only where another confirms it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from triage.stitch.fields import open_fields
from triage.stitch.judge import say_why_apart
from triage.stitch.overlap import match_overlap
from triage.stitch.place import UNKNOWN, find_places
from triage.stitch.records import Pair
from triage.stitch.solve import solve_places
from triage.stitch.things import Evidence, find_hanging, is_bare, label_things, weigh_pair

SIDE = 240
SINGLE = Evidence(frozenset({1}), frozenset({1}), is_single=True)
SEVERAL = Evidence(frozenset({1, 2}), frozenset({1, 2}), is_single=False)


def draw_bubble(slide: np.ndarray, x: int, y: int) -> None:
    cv2.circle(slide, (x, y), 34, 90.0, 7, cv2.LINE_AA)


def draw_clump(slide: np.ndarray, x: int, y: int, seed: int) -> None:
    """One thing that no other looks like."""
    rng = np.random.default_rng(seed)
    for along, up in rng.integers(-34, 35, (60, 2)):
        cv2.circle(
            slide, (x + int(along), y + int(up)), int(rng.integers(2, 7)), float(rng.uniform(60, 160)), -1
        )


def weigh(slide: np.ndarray) -> tuple[Pair, Evidence]:
    """What ties two fields of a slide, the second 120 px further."""
    calm = cv2.GaussianBlur(slide, (0, 0), 1.2)
    ours, theirs = calm[:, :SIDE].copy(), calm[:, 120 : 120 + SIDE].copy()
    pair = match_overlap(0, 1, ours, theirs, (120.0, 0.0), reach_px=12, tries=2)
    assert pair is not None
    return pair, weigh_pair(pair, ours, label_things(ours, 0.0), label_things(theirs, 0.0))


@pytest.mark.parametrize(("kind", "is_single"), [("bubble", True), ("clump", False), ("both", False)])
def test_bubble_alone_is_plain_and_clump_is_not(kind: str, is_single: bool) -> None:
    slide = np.full((SIDE, 2 * SIDE), 200.0, np.float32)
    if kind != "clump":
        draw_bubble(slide, 180, 70)
    if kind != "bubble":
        draw_clump(slide, 180, 180, seed=3)
    assert weigh(slide)[1].is_single is is_single


def test_empty_glass_is_bare_and_what_shows_one_thing_is_not() -> None:
    slide = np.full((SIDE, SIDE), 200.0, np.float32) + np.linspace(-15, 15, SIDE, dtype=np.float32)
    grain = 0.5
    # As the fields are read: what is left of the grain after smoothing reaches over a few pixels.
    noise = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 3, slide.shape), (0, 0), 1.2)
    slide += (noise * grain / noise.std()).astype(np.float32)
    assert is_bare(slide, grain)
    cv2.circle(slide, (150, 90), 8, 185.0, -1, cv2.LINE_AA)
    assert not is_bare(slide, grain)


def tie(first: int, second: int) -> Pair:
    """What a row of fields, each 120 px further, may rest on: something in the middle of what both show."""
    half_xy = np.array([60.0 * (second - first), 0.0])
    xy = np.array([(0.0, 0.0), (2.0, 20.0)])
    return Pair(first, second, xy + half_xy, xy - half_xy, np.full(2, 0.99), 1e-8)


def look_for_hanging(n: int, ends: list[tuple[int, int]], evidence: list[Evidence]) -> list[int]:
    return find_hanging(solve_places(n, [tie(*each) for each in ends]), evidence)


@pytest.mark.parametrize(
    ("ends", "evidence", "hanging"),
    [
        # Two sure pairs, and two that one thing makes between them, which confirm each other.
        ([(0, 1), (2, 3), (0, 3), (1, 2)], [SEVERAL, SEVERAL, SINGLE, SINGLE], [2, 3]),
        # Another way round confirms the plain thing.
        ([(0, 1), (1, 2), (0, 2)], [SEVERAL, SEVERAL, SINGLE], []),
        # A field that hangs on a plain thing.
        ([(0, 1), (1, 2)], [SEVERAL, SINGLE], [1]),
    ],
)
def test_parts_that_hang_on_one_thing_are_found(
    ends: list[tuple[int, int]], evidence: list[Evidence], hanging: list[int]
) -> None:
    assert look_for_hanging(4, ends, evidence) == hanging


def test_things_that_lie_apart_and_close_a_ring_confirm_each_other() -> None:
    ends = [(0, 1), (1, 2), (0, 2)]
    evidence = [Evidence(frozenset({2 * n}), frozenset({2 * n + 1}), is_single=True) for n in range(3)]
    pairs = [tie(*each) for each in ends]
    below_xy = np.array([0.0, 90.0])
    pairs[2] = replace(
        pairs[2], first_xy=pairs[2].first_xy + below_xy, second_xy=pairs[2].second_xy + below_xy
    )
    assert find_hanging(solve_places(3, pairs), evidence) == []
    assert find_hanging(solve_places(3, pairs[:2]), evidence[:2]) == [0, 1]


def test_two_like_bubbles_tie_no_parts(tmp_path: Path) -> None:
    """Two rows of clumps, with a bubble at the end of the one and another at the start of the other."""
    paths = []
    for row, (clumps_y, bubble_xy) in enumerate(((70, (440, 198)), (170, (42, 42)))):
        slide = np.full((SIDE, 2 * SIDE), 200.0, np.float32)
        for place in range(8):
            draw_clump(slide, 30 + 60 * place, clumps_y + 10 * (place % 2), seed=20 * row + place)
        draw_bubble(slide, *bubble_xy)
        for left in (0, 120, 240):
            paths.append(tmp_path / f"{row}-{left}.png")
            cv2.imwrite(str(paths[-1]), slide[:, left : left + SIDE].round().astype(np.uint8))
    found = find_places(open_fields(paths, tmp_path), UNKNOWN)
    assert found.places.group.tolist() == [0, 0, 0, 1, 1, 1]
    assert found.unconfirmed == {(2, 3)}
    assert say_why_apart(2, found, [path.name for path in paths], None).startswith(
        "It overlaps with 0-0.png, 0-120"
    )
