from __future__ import annotations

import pytest

from training.splits import fold_of, split_of, split_specimens


def test_split_keeps_a_specimen_on_one_side() -> None:
    specimens = [f"s{index % 40}" for index in range(200)]
    sides = split_specimens(specimens)
    names = {side: {specimens[index] for index in rows} for side, rows in sides.items()}
    assert not names["train"] & names["held_out"]
    assert sorted(sides["train"] + sides["held_out"]) == list(range(200))


def test_split_of_a_specimen_stays_when_the_set_grows() -> None:
    # Written down once: a change of the hash would move specimens across.
    assert [split_of(f"specimen-{n}") for n in range(8)] == [
        "train",
        "train",
        "train",
        "train",
        "held_out",
        "held_out",
        "train",
        "train",
    ]


def test_split_holds_out_about_the_share_asked_for() -> None:
    n_held_out = sum(split_of(str(n), held_out_share=0.3) == "held_out" for n in range(2000))
    assert n_held_out == pytest.approx(600, abs=80)


def test_another_salt_gives_another_split() -> None:
    first, second = ([split_of(str(n), salt=salt) for n in range(50)] for salt in ("a", "b"))
    assert first != second


def test_folds_are_all_used() -> None:
    assert {fold_of(str(n), n_folds=5) for n in range(100)} == set(range(5))


def test_split_refuses_a_share_beyond_one() -> None:
    with pytest.raises(ValueError, match=r"from 0 to 1, received 1\.5"):
        split_of("a", held_out_share=1.5)


def test_fold_refuses_a_single_fold() -> None:
    with pytest.raises(ValueError, match="at least 2, received 1"):
        fold_of("a", n_folds=1)
