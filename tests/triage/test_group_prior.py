from __future__ import annotations

import math

import numpy as np
import pytest

from triage.group_prior import weigh_group_scores
from triage.groups import candidate_groups, read_groups
from triage.morphometrics import find_references
from triage.size_check import MeasuredSize

NAMES = [group.name for group in read_groups()]
EVEN = np.full(len(NAMES), 1 / len(NAMES))


def weigh(length_um: float, width_um: float, *, host: str | None = None) -> dict[str, float]:
    size = MeasuredSize(length_um, width_um, 1.0, 1.0)
    return dict(zip(NAMES, weigh_group_scores(EVEN, size, host=host).tolist(), strict=True))


def test_weigh_group_scores_leaves_shares_alone_without_a_size() -> None:
    np.testing.assert_array_equal(weigh_group_scores(EVEN, None), EVEN)


@pytest.mark.parametrize(
    ("length_um", "width_um", "group"),
    [
        (80, 36, "trichurid_egg"),
        (60, 40, "strongylid_egg"),
        (35, 35, "taeniid_egg"),
        (85, 78, "ascarid_egg"),
        (12, 9, "giardia_cyst"),
        (34, 13, "spirurid_egg"),
    ],
)
def test_weigh_group_scores_raises_the_group_whose_size_fits(
    length_um: float, width_um: float, group: str
) -> None:
    weighed = weigh(length_um, width_um)
    assert weighed[group] == max(weighed.values())
    assert weighed[group] > 1.2 * EVEN[0]


def test_weigh_group_scores_keeps_the_sum() -> None:
    assert sum(weigh(80, 36).values()) == pytest.approx(1)


def test_weigh_group_scores_drops_no_group() -> None:
    assert min(weigh(500, 400).values()) > 0.01


def test_weigh_group_scores_gives_a_size_that_fits_nothing_to_the_look_alikes() -> None:
    weighed = weigh(500, 400)
    assert weighed["air_bubble"] > 2 * weighed["ascarid_egg"]


def test_weigh_group_scores_is_soft_at_the_bounds() -> None:
    # Ascarid lengths are printed up to 90 µm.
    inside, beyond, far = (weigh(length, 75)["ascarid_egg"] for length in (89, 94, 130))
    assert inside > beyond > far
    assert beyond > 0.6 * inside


def test_an_egg_like_none_of_the_groups_is_bound_to_no_size() -> None:
    weighed = weigh(47, 31)
    assert weighed["other_egg"] > 2 * weighed["ascarid_egg"]


def test_weigh_group_scores_holds_no_part_for_too_small() -> None:
    # Of an ascarid egg, 75 to 90 µm long, 40 x 70 µm are in sight; all of a Giardia cyst is far smaller.
    part = MeasuredSize(70.0, 40.0, 1.0, 1.0, is_of_part=True)
    weighed = dict(zip(NAMES, weigh_group_scores(EVEN, part).tolist(), strict=True))
    whole = weigh(70.0, 40.0)
    assert weighed["ascarid_egg"] > 2 * whole["ascarid_egg"]
    assert weighed["ascarid_egg"] == max(weighed.values())
    assert weighed["giardia_cyst"] < 0.4 * weighed["ascarid_egg"]


@pytest.mark.parametrize("host", [None, "dog", "cat"])
@pytest.mark.parametrize("is_of_part", [False, True])
@pytest.mark.parametrize(("length_um", "width_um"), [(12, 9), (47, 31), (71, 66), (133, 78)])
def test_weigh_group_scores_takes_the_best_fitting_taxon_of_each_group(
    length_um: float, width_um: float, is_of_part: bool, host: str | None
) -> None:
    size = MeasuredSize(length_um, width_um, 1.5, 1.0, is_of_part)
    weights = np.array([_weigh_plainly(name, size, host) for name in NAMES])
    expected = EVEN * weights / (EVEN * weights).sum()
    np.testing.assert_allclose(weigh_group_scores(EVEN, size, host=host), expected, rtol=1e-12)


def _weigh_plainly(name: str, size: MeasuredSize, host: str | None) -> float:
    """One group after the other, one taxon after the other."""
    if name not in candidate_groups():
        return 0.5**0.4
    weights = []
    for one in find_references(name, host):
        ranges = ((size.length_um, 1.5, one.length_range_um), (size.width_um, 1.0, one.width_range_um))
        known = [(value, sd, bounds) for value, sd, bounds in ranges if bounds]
        if known:
            weights.append(math.exp(-sum(_squared_miss(*each, size.is_of_part) for each in known) / 2))
    least = 0.3 if name == "other_egg" else 0.05
    said: float = (max([least, *weights]) if weights else 0.5) ** 0.4
    return said


def _squared_miss(value: float, sd: float, bounds: tuple[float, float], is_of_part: bool) -> float:
    nearest = min(max(value, bounds[0]), bounds[1])
    miss = 0.0 if is_of_part and value < bounds[0] else value - nearest
    return miss**2 / (sd**2 + (0.08 * nearest) ** 2)
