"""Fields tied by faint texture at their edges, where patches find nothing."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from grainy_fields import GRAIN, H, W, draw_texture, take

from triage.stitch import edges
from triage.stitch.edges import EdgeSearch, find_steps, list_beside
from triage.stitch.faint import measure_faint
from triage.stitch.measure import measure_shared
from triage.stitch.records import Pair
from triage.stitch.solve import Places, solve_places
from triage.stitch.stiff import fit_stiff, rotate
from triage.stitch.strips import StripSearch

STEP_XY = np.array([230.0, 4.0])
STEPS = {0: STEP_XY, 1: np.array([-3.0, 170.0])}
TURN_DEG = 0.8
OFF_XY = np.array([6.0, -5.0])


class Shown:
    """Grey values as `GreyReader` gives them."""

    def __init__(self, *fields: np.ndarray) -> None:
        self._fields = fields

    def read(self, number: int) -> np.ndarray:
        return self._fields[number]

    def measure_grain(self, number: int) -> float:
        return GRAIN


def draw_slide(seed: int) -> np.ndarray:
    """Texture all over that is hardly stronger than the grain."""
    return draw_texture(seed, (480, 1400), sigma_px=2.0, contrast=0.7)


def add_thing(field: np.ndarray, x: int, y: int) -> np.ndarray:
    """The field with an egg, or what looks like one."""
    thing = cv2.ellipse(np.zeros_like(field), (x, y), (26, 14), 30, 0, 360, 30, 3, cv2.LINE_AA)
    return (field - cv2.GaussianBlur(thing, (0, 0), 1.2)).astype(np.float32)


def take_two(other_slide: int) -> list[np.ndarray]:
    """A field, and the next one beside it, or one of another slide."""
    middle_xy = np.array([200.0, 150.0])
    first = take(draw_slide(1), middle_xy, 0, 2)
    return [first, take(draw_slide(other_slide), middle_xy + STEP_XY + OFF_XY, TURN_DEG, 3)]


def lay_row(n: int) -> Places:
    """Fields in a row that hang together, and the last one alone."""
    seen_xy = np.array([(100.0, -80.0), (100.0, 80.0), (120.0, 10.0)])
    pairs = [Pair(k, k + 1, seen_xy, seen_xy - STEP_XY, np.ones(3), 1e-9) for k in range(n - 2)]
    return solve_places(n, pairs)


@pytest.mark.parametrize("axis", [0, 1])
def test_edges_are_laid_where_their_texture_is_alike(axis: int) -> None:
    fields, step_xy = take_two(1), STEP_XY
    if axis == 1:
        fields, step_xy = [np.ascontiguousarray(field.T) for field in fields], STEP_XY[::-1]
    search = StripSearch(Shown(*fields), fields[0].shape, axis, step_xy)
    laid = next(search.find(0, [1]))
    assert laid.weight > 9
    # Transposed, a turn goes the other way round.
    turn = np.deg2rad(TURN_DEG) * (1 if axis == 0 else -1)
    assert laid.turn_rad == pytest.approx(turn, abs=np.deg2rad(0.3))
    middle = np.array([laid.middle_xy])
    off_xy = OFF_XY if axis == 0 else OFF_XY[::-1]
    assert laid.lay(middle)[0] == pytest.approx(step_xy + off_xy + rotate(turn) @ middle[0], abs=1.5)


def test_a_tie_is_measured_to_a_part_of_a_pixel() -> None:
    greys = Shown(*take_two(1))
    search = StripSearch(greys, (H, W), 0, STEP_XY)
    tie = measure_faint(next(search.find(0, [1])), greys, search.tries)
    assert tie is not None
    assert tie.agreement.whole > 10 and tie.agreement.least > 5
    laid = fit_stiff(tie.pair.second_xy, tie.pair.first_xy, has_turn=True)
    assert laid[:, 2] == pytest.approx(STEP_XY + OFF_XY, abs=0.6)
    assert tie.sides == ((0, 0, True), (1, 0, False))


def find_last(last: np.ndarray, *, before: np.ndarray | None = None) -> list[Pair]:
    """Ties of a last field to the row before it, of which only the end is shown."""
    first = take(draw_slide(1), np.array([200.0, 150.0]), 0, 2) if before is None else before
    blank = np.full((H, W), 200.0, np.float32)
    greys = Shown(*[blank] * 3, first, last)
    return EdgeSearch(greys, (H, W), {0, 1, 2}).find(lay_row(5))


def test_a_field_alone_is_tied_by_faint_texture_to_the_part_it_goes_on() -> None:
    right, wrong = take_two(1)[1], take_two(7)[1]
    (pair,) = find_last(right)
    assert (pair.first, pair.second) == (3, 4)
    assert pair.chance < 1e-6
    assert np.median(pair.first_xy - pair.second_xy, axis=0) == pytest.approx(STEP_XY + OFF_XY, abs=3)
    assert find_last(wrong) == []


def test_one_thing_that_is_alike_ties_nothing() -> None:
    ours, theirs = take_two(7)
    # Both show it at the edge, where one step lays it on itself.
    ours = add_thing(ours, 280, 120)
    theirs = add_thing(theirs, 280 - 230, 116)
    assert find_last(theirs, before=ours) == []


def test_a_step_is_told_by_three_pairs_along_it() -> None:
    def shift(x: float, y: float) -> Pair:
        seen = np.array([(0.0, 0.0), (9.0, 5.0)])
        return Pair(0, 1, seen, seen - (x, y), np.ones(2), 1e-9)

    pairs = [shift(230, 4), shift(-234, -2), shift(232, 3), shift(3, 170), shift(-1, -174), shift(230, 168)]
    steps = find_steps(pairs, (H, W))
    assert list(steps) == [0]
    assert steps[0].tolist() == [232, 3]


def test_only_edges_that_miss_a_neighbour_are_searched() -> None:
    # Three in a row, and one alone.
    places = lay_row(4)
    assert dict(list_beside(places, 0, STEPS, set())) == {2: [3], 3: [0]}
    assert dict(list_beside(places, 1, STEPS, set())) == {0: [3], 1: [3], 2: [3], 3: [0, 1, 2]}
    assert dict(list_beside(places, 1, STEPS, {3})) == {}


def test_only_edges_where_groups_fit_are_searched() -> None:
    # Two that stand two steps apart, and two in a row: laid between, the second would lie on another.
    places = replace(lay_row(5), group=np.array([0, 0, 1, 1, 2]))
    middle_xy = np.array([(0.0, 0.0), 2 * STEP_XY, (5000.0, 0.0), (5230.0, 4.0), (9000.0, 0.0)])
    beside = dict(list_beside(replace(places, middle_xy=middle_xy), 0, STEPS, set()))
    assert beside == {0: [4], 1: [2, 4], 3: [0, 4], 4: [0, 1, 2]}


@pytest.mark.parametrize(("off_px", "n_ties"), [(0.0, 2), (15.0, 0)])
def test_two_ties_that_are_not_sure_bear_each_other_out_where_they_agree(
    monkeypatch: pytest.MonkeyPatch, off_px: float, n_ties: int
) -> None:
    monkeypatch.setattr(edges, "_SURE", 1e9)
    monkeypatch.setattr(edges, "find_steps", lambda *_: STEPS)
    slide, first_xy = draw_slide(1), np.array([200.0, 140.0])
    middles = [first_xy, first_xy + STEPS[1], first_xy + STEP_XY + OFF_XY, first_xy + STEP_XY + STEPS[1]]
    greys = Shown(*(take(slide, middle, 0, seed) for seed, middle in enumerate(middles)))
    # Two stand below each other, two beside them; how these lie to each other may be wrong.
    laid_xy = np.array(middles) + np.array([(0, 0), (0, 0), (3000, 0), (3000, off_px)])
    places = replace(lay_row(4), group=np.array([0, 0, 1, 1]), middle_xy=laid_xy)
    ties = EdgeSearch(greys, (H, W), set()).find(places)
    assert [(pair.first, pair.second) for pair in ties] == [(0, 2), (1, 3)][:n_ties]


def test_faint_overlaps_are_measured_by_more_of_what_they_show() -> None:
    slide, first_xy = 200 + 0.5 * (draw_slide(1) - 200), np.array([200.0, 150.0])
    ours, theirs = take(slide, first_xy, 0, 2), take(slide, first_xy + STEP_XY, 0, 3)
    theirs_xy = np.array([(-110.0, y) for y in (-70.0, 0.0, 70.0)])
    rough = Pair(0, 1, theirs_xy + STEP_XY, theirs_xy, np.ones(3), 1.0)
    plain, faint = (
        measure_shared(rough, ours, theirs, GRAIN, is_faint=is_faint) for is_faint in (False, True)
    )
    assert plain is not None and faint is not None
    assert len(faint.first_xy) > len(plain.first_xy)
    # What is less alike counts for less.
    assert np.trace(faint.information.mean(axis=0)) < 0.5 * np.trace(plain.information.mean(axis=0))
