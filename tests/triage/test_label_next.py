from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from triage.label_next import PictureSaid, describe_said, rank_to_label


def _candidate(score: float, group: str = "oocyst", share: float = 1.0) -> dict[str, Any]:
    return {
        "score": score,
        "group_scores": {group: share, "giardia_cyst": 1 - share},
        "look_alike_scores": {},
    }


def _said(doubt: float, *features: float) -> PictureSaid:
    return PictureSaid(doubt, np.array(features, dtype=np.float64))


@pytest.mark.parametrize(
    ("surer", "more_doubtful"),
    [
        (_candidate(0.99), _candidate(0.5)),
        (_candidate(0.01), _candidate(0.5)),
        (_candidate(0.9), _candidate(0.9, share=0.55)),
    ],
)
def test_doubt_rises_at_a_toss_up_and_with_an_open_group(
    surer: dict[str, Any], more_doubtful: dict[str, Any]
) -> None:
    assert describe_said([surer], {}).doubt < describe_said([more_doubtful], {}).doubt


def test_picture_without_candidates_raises_no_doubt() -> None:
    said = describe_said([], {"sharpness": None})
    assert said.doubt == 0 and np.isnan(said.features[-3:]).all() and not said.features[:-3].any()


def test_most_doubtful_picture_comes_first_and_its_twin_last() -> None:
    pool = [_said(0.1, 0.0, 0.0), _said(9.0, 5.0, 5.0), _said(9.0, 5.0, 5.0), _said(0.2, -5.0, 5.0)]
    assert rank_to_label(pool)[0].index == 1
    assert rank_to_label(pool)[-1].index == 2 and rank_to_label(pool)[-1].novelty == 0


def test_picture_like_a_labelled_one_comes_later() -> None:
    pool = [_said(1.0, 0.0, 0.0), _said(1.0, 9.0, 9.0)]
    assert [one.index for one in rank_to_label(pool, [_said(1.0, 9.0, 9.0)])] == [0, 1]
    assert [one.index for one in rank_to_label(pool, [_said(1.0, 0.0, 0.0)])] == [1, 0]


def test_every_picture_is_ranked_once_and_always_alike() -> None:
    random = np.random.default_rng(3)
    pool = [PictureSaid(float(random.random()), random.normal(size=4)) for _ in range(30)]
    ranked = rank_to_label(pool)
    assert sorted(one.index for one in ranked) == list(range(30))
    assert rank_to_label(pool) == ranked and rank_to_label([]) == []


def test_what_was_not_measured_lies_in_the_middle() -> None:
    pool = [_said(1.0, 1.0), _said(1.0, np.nan), _said(1.0, -1.0)]
    novelties = {one.index: one.novelty for one in rank_to_label(pool, [_said(1.0, 0.0)])}
    assert novelties[1] == 0 and novelties[0] > 0
