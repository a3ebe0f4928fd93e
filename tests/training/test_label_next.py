from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training import label_next, label_next_bench
from training.dataset import MarkedPicture
from training.hospital_look import Look, take_look
from training.label_next_figures import (
    NEVER,
    compare_orders,
    share_by_shift,
    share_of_labels,
    to_lines,
    to_verdict,
)
from triage.label_next import PictureSaid


def test_pictures_are_ranked_by_what_the_detector_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.png", "b.png"):
        Image.new("RGB", (40, 30), (200, 200, 190)).save(tmp_path / name)
    (tmp_path / "c.txt").write_text("no picture")
    doubts = {"a.png": 0.1, "b.png": 4.0}
    monkeypatch.setattr(label_next, "load_detector", lambda _: None)
    monkeypatch.setattr(label_next, "propose_candidates", lambda picture, *_: picture.file_name)
    monkeypatch.setattr(label_next, "describe_proposal", lambda name: PictureSaid(doubts[name], np.zeros(1)))
    assert label_next.main(["--pictures", str(tmp_path)]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [row["file"] for row in said["pictures"]] == ["b.png", "a.png"]
    assert [row["file"] for row in said["refused"]] == ["c.txt"]


def test_folder_without_pictures_is_refused_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(label_next, "load_detector", lambda _: None)
    assert label_next.main(["--pictures", str(tmp_path)]) == 1
    assert "holds no files. Name a folder of pictures." in capsys.readouterr().err


LABELS = [4, 8, 16]


def _results(seed: int, random: list[int], ranked: list[int]) -> list[dict[str, Any]]:
    """Objects found of 20 as it is, and with each of `LABELS`."""

    def tell(order: str, labels: int, found: int) -> dict[str, Any]:
        judged = {"own": {"found": [found, 0], "of": [15, 5]}}
        return {"seed": seed, "order": order, "labels": labels, "judged": judged}

    return [
        tell("as it is", 0, random[0]),
        *(tell("random", n, found) for n, found in zip(LABELS, random[1:], strict=True)),
        *(tell("ranked", n, found) for n, found in zip(LABELS, ranked, strict=True)),
    ]


def test_share_of_labels_is_what_the_ranking_needs_for_the_same_recall() -> None:
    comparison = compare_orders(
        [*_results(1, [2, 6, 10, 14], [8, 14, 17]), *_results(2, [2, 6, 10, 16], [8, 16, 17])]
    )
    assert comparison["rows"][-1]["random"]["recall"] == pytest.approx(0.75)
    assert comparison["share"]["share"] == pytest.approx(8 / 16)
    assert comparison["share"]["draws_within_wanted"] == 1.0
    # Student's t with one degree of freedom is 12.706 at 97.5 % (handbook table); the deviation is 0.05 √2.
    low, high = comparison["rows"][-1]["random"]["interval"]
    assert (high - low) / 2 == pytest.approx(12.706 * 0.05, rel=1e-3)
    assert "reached 0.750 with 16 slides; the ranking reached it with 50% of them" in to_verdict(comparison)


def test_share_of_labels_lies_between_those_tried_or_is_never() -> None:
    random, labels = np.array([0.1, 0.3, 0.5, 0.7]), [0, *LABELS]
    assert share_of_labels(labels, random, np.array([0.1, 0.5, 0.9, 0.6])) == pytest.approx(6 / 16)
    assert share_of_labels(labels, random, np.array([0.1, 0.5, 0.6, 0.65])) == NEVER
    assert np.isnan(share_of_labels(labels, random[::-1], random))


def test_fewer_ranked_slides_are_compared_with_more_random_ones() -> None:
    comparison = compare_orders(
        [*_results(1, [2, 6, 10, 14], [10, 14, 18]), *_results(2, [2, 6, 10, 14], [10, 16, 18])]
    )
    # Ranked 4 and 8 against random 8 and 16: 0 and 0 of 20 more, then 0 and 2.
    assert comparison["fewer"]["difference"] == pytest.approx(0.025)
    assert (comparison["fewer"]["ranked"], comparison["fewer"]["random"]) == ([4, 8], [8, 16])
    assert "Recall with 4, 8 ranked slides less that with 8, 16 random ones, averaged: +0.025" in "\n".join(
        to_lines(comparison)
    )


def test_share_by_shift_is_how_much_sooner_the_same_line_is_reached() -> None:
    random = np.array([0.0, 0.3, 0.4, 0.5])
    labels = [0, *LABELS]
    assert share_by_shift(labels, random, random + 0.1) == pytest.approx(0.5)
    assert share_by_shift(labels, random, random - 0.1) == pytest.approx(2.0)
    assert share_by_shift(labels, random, random) == pytest.approx(1.0)
    assert np.isnan(share_by_shift(labels, random[::-1], random[::-1]))


def test_a_seed_that_was_cut_short_is_left_out() -> None:
    whole, cut = _results(1, [2, 6, 10, 14], [4, 8, 10]), _results(2, [2, 6, 10, 16], [8, 16, 17])[:-1]
    comparison = compare_orders([*whole, *cut])
    assert comparison["seeds"] == 1
    assert "the ranking did not reach it." in to_verdict(comparison)
    assert to_verdict(compare_orders(cut)) == "No seed is complete yet."
    assert "gained nothing with 16 slides" in to_verdict(compare_orders(_results(1, [2, 6, 1, 2], [4, 8, 9])))


def test_bench_trains_on_each_order_and_number_of_labels(tmp_path: Path) -> None:
    slides = [
        MarkedPicture(number, tmp_path / f"{number}.png", 0.5, str(number), (), ()) for number in range(6)
    ]
    said = [PictureSaid(float(number), np.full(3, float(number))) for number in range(6)]
    orders = label_next_bench.order_pool(said, 2, seed=1)
    assert sorted(orders) == ["random 1", "random 2", "ranked"] and orders["ranked"][0] == 5
    hand = label_next_bench.Hand(3, slides, slides[:2], orders)
    trials = label_next_bench.plan_trials([hand], [2, 4], has_detector=True)
    assert [one.name for one in trials] == [
        "3-as-it-is",
        *(f"3-{order}-{n}" for n in (4, 2) for order in ("ranked", "random-1", "random-2")),
    ]
    assert [one.image_id for one in trials[4].pictures] == orders["ranked"][:2]
    assert {one.split for trial in trials for one in trial.judged["own"]} == {"judging"}
    assert len(label_next_bench.plan_trials([hand], [2, 4], has_detector=False)) == 6


def test_look_changes_light_and_nothing_where_it_is_plain() -> None:
    pixels = np.random.default_rng(1).integers(0, 255, (20, 30, 3), dtype=np.uint8)
    assert (take_look(pixels, Look(), seed=1) == pixels).all()
    grey = np.full((20, 30, 3), 128, dtype=np.uint8)
    darker = take_look(grey, Look(gamma=2.0, tint=(1.0, 0.5, 1.0)), seed=1)
    # (128 / 255)² = 0.252, half of it in the green.
    assert darker[0, 0].tolist() == [64, 32, 64]
    assert take_look(grey, Look(haze=1.0), seed=1)[0, 0].tolist() == [153, 153, 153]


def test_more_labels_than_pictures_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--out", str(tmp_path / "b"), "--pool", "3", "--labels", "4"]
    assert label_next_bench.main(arguments) == 1
    assert "--labels asks for 4 of 3 slides" in capsys.readouterr().err
