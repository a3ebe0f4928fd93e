from __future__ import annotations

import numpy as np
import pytest

from triage.stitch.groups import find_bridges
from triage.stitch.judge import rate_sureness
from triage.stitch.light import estimate_gains, estimate_light
from triage.stitch.overlap import match_overlap
from triage.stitch.records import Pair
from triage.stitch.serpentine import fit_serpentine
from triage.stitch.solve import solve_places

GRID_XY = np.array([(column * 100.0, row * 80.0) for row in range(4) for column in range(4)])
BESIDE = [(n, n + 1) for n in range(16) if n % 4 < 3] + [(n, n + 4) for n in range(12)]


def pair_up(
    first: int, second: int, rng: np.random.Generator, *, sd: float = 0.0, wrong: float = 0.0
) -> Pair:
    """Five places that both fields show, with errors; `wrong` moves them all."""
    middle = (GRID_XY[first] + GRID_XY[second]) / 2
    seen = middle + rng.uniform(-30, 30, (5, 2))
    off = rng.normal(0, sd, (5, 2)) + wrong
    return Pair(first, second, seen - GRID_XY[first], seen - GRID_XY[second] + off, np.full(5, 0.9), 1e-6)


def relative(middle_xy: np.ndarray) -> np.ndarray:
    return middle_xy - middle_xy[0]


def test_places_follow_from_exact_overlaps() -> None:
    rng = np.random.default_rng(1)
    places = solve_places(16, [pair_up(*pair, rng) for pair in BESIDE])
    assert np.abs(relative(places.middle_xy) - GRID_XY).max() < 1e-3
    assert set(places.group) == {0} and places.rejected == ()


@pytest.mark.parametrize("wrong", [8.0, 60.0])
def test_wrong_overlaps_are_rejected(wrong: float) -> None:
    rng = np.random.default_rng(2)
    pairs = [pair_up(*pair, rng, sd=0.2, wrong=wrong if pair in ((5, 6), (9, 13)) else 0) for pair in BESIDE]
    places = solve_places(16, pairs)
    assert {(pair.first, pair.second) for pair in places.rejected} == {(5, 6), (9, 13)}
    assert np.abs(relative(places.middle_xy) - GRID_XY).max() < 1


def test_uncertainty_covers_the_error() -> None:
    off, sd = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        places = solve_places(16, [pair_up(*pair, rng, sd=0.3) for pair in BESIDE])
        off.append(relative(places.middle_xy)[15, 0] - GRID_XY[15, 0])
        sd.append(places.sd_px[15])
    assert 0.5 < np.std(off) / np.mean(sd) < 2


def test_fields_without_a_link_are_groups_of_their_own() -> None:
    rng = np.random.default_rng(3)
    places = solve_places(4, [pair_up(0, 1, rng), pair_up(2, 3, rng)])
    assert places.group[0] == places.group[1] != places.group[2] == places.group[3]
    assert solve_places(3, []).group.tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    ("ends", "bridges"),
    [
        ([], []),
        ([(0, 1)], [0]),
        ([(0, 1), (1, 2), (0, 2)], []),
        ([(0, 1), (1, 2), (0, 2), (2, 3), (3, 4), (4, 5), (3, 5)], [3]),
        ([(0, 1), (1, 2), (3, 4), (4, 5), (3, 5)], [0, 1]),
    ],
)
def test_bridges_are_the_pairs_without_which_parts_fall_apart(
    ends: list[tuple[int, int]], bridges: list[int]
) -> None:
    rng = np.random.default_rng(5)
    assert find_bridges(6, [pair_up(*pair, rng) for pair in ends]) == bridges


def test_sureness_is_that_of_the_weakest_link_on_the_best_way() -> None:
    rng = np.random.default_rng(4)
    chances = {(0, 1): 1e-6, (1, 2): 1e-6, (0, 2): 0.01, (2, 3): 0.004}
    pairs = []
    for (first, second), chance in chances.items():
        pair = pair_up(first, second, rng)
        pairs.append(Pair(first, second, pair.first_xy, pair.second_xy, pair.likeness, chance))
    sureness = rate_sureness(5, pairs)
    assert sureness[[0, 1, 2]] == pytest.approx(1, abs=1e-5)
    assert sureness[3] == pytest.approx(0.996) and sureness[4] == 0


def test_pictures_that_share_nothing_do_not_match() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        ours, theirs = rng.normal(200, 5, (2, 160, 208)).astype(np.float32)
        assert match_overlap(0, 1, ours, theirs, (140, 3), reach_px=10, tries=2) is None


def test_shift_is_found_between_pixels() -> None:
    import cv2

    rng = np.random.default_rng(6)
    slide = cv2.GaussianBlur(rng.normal(0, 60, (200, 420)).astype(np.float32), (0, 0), 2.5) + 200
    shifted = cv2.warpAffine(slide, np.array([[1, 0, -0.4], [0, 1, 0.3]]), (420, 200), flags=cv2.INTER_CUBIC)
    pair = match_overlap(0, 1, slide[20:180, :208], shifted[20:180, 150:358], (152, -2), reach_px=8, tries=2)
    assert pair is not None and pair.chance < 1e-4
    assert (pair.first_xy - pair.second_xy).mean(axis=0) == pytest.approx((150.4, -0.3), abs=0.05)


def test_light_is_found_beneath_the_objects() -> None:
    rng = np.random.default_rng(7)
    y, x = np.meshgrid(np.linspace(-1, 1, 48), np.linspace(-1, 1, 64), indexing="ij")
    lamp = (1 + 0.2 * x) * (1 - 0.3 * (x**2 + y**2) / 2)
    fields = np.repeat((200 * lamp)[None, ..., None], 9, axis=0).repeat(3, axis=3).astype(np.float32)
    for field in fields:
        for row, column in rng.integers(0, 40, (5, 2)):
            field[row : row + 8, column : column + 12] *= 0.4
    light = estimate_light(fields)
    assert np.abs(light[..., 0] / (lamp / lamp.mean()) - 1).max() < 0.02


def test_gains_make_overlaps_equally_bright() -> None:
    rng = np.random.default_rng(8)
    slide = rng.uniform(150, 200, (40, 100, 3)).astype(np.float32)
    fields = np.stack([slide[:, :60], slide[:, 40:] * 1.2])
    gains = estimate_gains(fields, np.array([[0.0, 0], [40, 0]]), [(0, 1)])
    assert gains[0] / gains[1] == pytest.approx(np.full(3, 1.2), rel=0.02)


@pytest.mark.parametrize("columns", [3, 4, 5])
def test_serpentine_is_recognised_and_continued(columns: int) -> None:
    rng = np.random.default_rng(9)
    row, along = np.divmod(np.arange(4 * columns), columns)
    column = np.where(row % 2 == 0, along, columns - 1 - along)
    true_xy = np.stack([column * 100.0 + row * 2, row * 80.0 - column], axis=1)
    is_placed = np.ones(len(row), dtype=bool)
    is_placed[[1, 6]] = False
    seen = true_xy + rng.uniform(-2, 2, true_xy.shape)
    seen[~is_placed] = 0
    lattice = fit_serpentine(seen, is_placed, 100)
    assert lattice is not None and lattice.columns == columns and lattice.scatter_px < 4
    assert np.abs(lattice.middle_xy - true_xy).max() < 4


def test_places_without_regular_steps_give_no_serpentine() -> None:
    places = np.random.default_rng(10).uniform(0, 400, (12, 2))
    assert fit_serpentine(places, np.ones(12, dtype=bool), 100) is None
    assert fit_serpentine(GRID_XY, np.arange(16) < 5, 100) is None


def test_turned_fields_far_from_the_middle_are_no_less_certain() -> None:
    rng = np.random.default_rng(8)
    places = solve_places(16, [turn_up(*pair, rng) for pair in BESIDE])
    assert np.abs(places.turn_rad).max() > 0.005
    assert places.sd_px.max() < 0.5
    # How the whole lies is free: shift and turn are taken out.
    found, true = places.middle_xy - places.middle_xy.mean(axis=0), GRID_XY - GRID_XY.mean(axis=0)
    u, _, vt = np.linalg.svd(found.T @ true)
    assert np.abs(found @ (u @ vt) - true).max() < 0.3


TURNS_RAD = np.deg2rad(np.random.default_rng(5).uniform(-1, 1, 16))


def turn_up(first: int, second: int, rng: np.random.Generator) -> Pair:
    """Like `pair_up` with an error of 0.1 px, seen by fields that are each turned."""
    straight = pair_up(first, second, rng, sd=0.1)
    ours, theirs = (
        xy @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        for xy, turn in ((straight.first_xy, TURNS_RAD[first]), (straight.second_xy, TURNS_RAD[second]))
    )
    return Pair(first, second, ours, theirs, straight.likeness, 1e-6)


def test_place_by_a_pair_that_scatters_is_as_uncertain_as_that_pair() -> None:
    rng = np.random.default_rng(2)
    middle_xy = np.array([(0.0, 0.0), (500.0, 0.0), (0.0, 380.0), (500.0, 380.0), (1000.0, 0.0)])

    def tie(first: int, second: int, scatter_px: float) -> Pair:
        seen = rng.uniform(-50, 50, (8, 2)) + (middle_xy[second] - middle_xy[first]) / 2
        shift = middle_xy[second] - middle_xy[first] + rng.normal(0, scatter_px, (8, 2))
        return Pair(first, second, seen, seen - shift, np.full(8, 0.9), 1e-9)

    sure = [tie(*ends, 0.1) for ends in ((0, 1), (0, 2), (1, 3), (2, 3))]
    calm, loose = (solve_places(5, [*sure, tie(1, 4, scatter_px)]).sd_px[4] for scatter_px in (0.1, 1.5))
    assert loose > 5 * calm
