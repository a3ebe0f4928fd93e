from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace

import pytest

from training.splits import deal_folds, fold_of, take_split
from triage.errors import RecordError
from triage.labelled_set import SPLITS, choose_split

PICTURES = [SimpleNamespace(specimen=f"s{number % 40}", number=number) for number in range(200)]


def test_split_keeps_a_specimen_on_one_side() -> None:
    sides = [take_split(PICTURES, split) for split in SPLITS]
    specimens = [{one.specimen for one in side} for side in sides]
    assert all(specimens) and not any(some & others for some, others in combinations(specimens, 2))
    assert sorted(one.number for side in sides for one in side) == list(range(200))


def test_split_is_the_one_that_labelled_sets_state() -> None:
    assert {choose_split(one.specimen) for one in take_split(PICTURES, "held_out")} == {"held_out"}


def test_split_refuses_an_unknown_side() -> None:
    with pytest.raises(ValueError, match="received 'test'"):
        take_split(PICTURES, "test")


def test_fold_of_a_specimen_never_changes() -> None:
    # Written down once: another hash would move specimens between folds of a running comparison.
    assert [fold_of(f"specimen-{n}", n_folds=5) for n in range(8)] == [0, 1, 3, 2, 1, 4, 3, 2]


def test_folds_are_all_used_about_equally() -> None:
    folds = [fold_of(str(n), n_folds=5) for n in range(1000)]
    assert all(150 < folds.count(fold) < 250 for fold in range(5))


def test_fold_refuses_a_single_fold() -> None:
    with pytest.raises(ValueError, match="at least 2, received 1"):
        fold_of("a", n_folds=1)


def test_dealt_folds_part_no_specimen_and_hold_everything_about_equally() -> None:
    folds = deal_folds(PICTURES, n_folds=3)
    specimens = [{one.specimen for one in fold} for fold in folds]
    assert not any(some & others for some, others in combinations(specimens, 2))
    assert sorted(one.number for fold in folds for one in fold) == list(range(200))
    assert [len(fold) for fold in folds] == [70, 65, 65]


def test_dealt_folds_are_the_same_whatever_the_order() -> None:
    some, others = deal_folds(PICTURES, n_folds=3), deal_folds(PICTURES[::-1], n_folds=3)
    assert [{one.number for one in fold} for fold in some] == [
        {one.number for one in fold} for fold in others
    ]


def test_more_folds_than_specimens_are_refused() -> None:
    with pytest.raises(RecordError, match="2 specimens, too few for 3 folds"):
        deal_folds(PICTURES[:2], n_folds=3)
    with pytest.raises(ValueError, match="at least 2, received 1"):
        deal_folds(PICTURES, n_folds=1)


def test_split_follows_what_the_set_states() -> None:
    stated = [SimpleNamespace(specimen="a", split=split) for split in SPLITS]
    assert [take_split(stated, split) for split in SPLITS] == [[one] for one in stated]
