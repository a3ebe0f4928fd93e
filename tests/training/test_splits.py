from __future__ import annotations

from types import SimpleNamespace

import pytest

from training.splits import fold_of, take_split
from triage.labelled_set import choose_split

PICTURES = [SimpleNamespace(specimen=f"s{number % 40}", number=number) for number in range(200)]


def test_split_keeps_a_specimen_on_one_side() -> None:
    train, held_out = take_split(PICTURES, "train"), take_split(PICTURES, "held_out")
    assert not {one.specimen for one in train} & {one.specimen for one in held_out}
    assert sorted(one.number for one in train + held_out) == list(range(200))
    assert train and held_out


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
