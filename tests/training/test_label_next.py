from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training import label_next, label_next_bench, label_next_hands
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
from training.label_plots import Series, draw_labels
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


def _point(seed: int, order: str, labels: int, found: list[int]) -> dict[str, Any]:
    """Objects found on two slides with 15 and 5; as many were marked to learn as labels twice over."""
    judged = {"own": {"found": found, "of": [15, 5]}}
    return {"seed": seed, "order": order, "labels": labels, "objects": 2 * labels, "judged": judged}


def _results(seed: int, random: list[int], ranked: list[int]) -> list[dict[str, Any]]:
    """Objects found of 20 as it is, and with each of `LABELS`."""
    return [
        _point(0, "as it is", 0, [random[0], 0]),
        *(_point(seed, "random", n, [found, 0]) for n, found in zip(LABELS, random[1:], strict=True)),
        *(_point(seed, "ranked", n, [found, 0]) for n, found in zip(LABELS, ranked, strict=True)),
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
    few, many, both = comparison["fewer"]
    assert (few["ranked"], few["random"], few["objects_marked"]) == ([4], [8], [8, 16])
    assert (few["difference"], few["interval"]) == (0.0, (0.0, 0.0))
    # Ranked 8 against random 16: 0 and 2 of 20 more, all on the first slide, which has 15 of the 20.
    assert many["difference"] == pytest.approx(0.05)
    assert many["interval"] == (0.0, pytest.approx(2 / 15))
    assert (both["ranked"], both["random"]) == ([4, 8], [8, 16]) and both["difference"] == pytest.approx(
        0.025
    )
    assert (
        "8 ranked slides against 16 random ones (16.0 objects marked against 32.0), 2 seeds: recall +0.050"
        in "\n".join(to_lines(comparison))
    )


def test_a_pair_counts_as_soon_as_both_are_trained() -> None:
    whole = _results(1, [2, 6, 10, 14], [10, 14, 18])
    pair = [_point(2, "random", 16, [14, 0]), _point(2, "ranked", 8, [16, 0])]
    fewer = compare_orders([*whole, *pair, _point(3, "ranked", 8, [20, 0])])["fewer"]
    assert [row["seeds"] for row in fewer] == [1, 2, 1]
    assert fewer[1]["difference"] == pytest.approx(0.05) and fewer[0]["interval"] is None


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
    orders = label_next_hands.order_pool(said, 2, seed=1)
    assert sorted(orders) == ["random 1", "random 2", "ranked"] and orders["ranked"][0] == 5
    rounds = label_next_hands.plan_rounds([2, 6, 4])
    assert rounds == [
        [("ranked", 4), ("random", 6)],
        [("ranked", 2), ("random", 4)],
        [("ranked", 6), ("random", 2)],
    ]
    trials = label_next_hands.plan_trials(label_next_hands.Hand(3, slides, orders), slides[:2], rounds[1])
    assert [one.name for one in trials] == ["3-ranked-2", "3-random-1-4", "3-random-2-4"]
    assert [one.image_id for one in trials[0].pictures] == orders["ranked"][:2]


def test_bench_trains_judges_and_goes_on(
    tmp_path: Path, weights_folder: Path, monkeypatch: pytest.MonkeyPatch, write_shapes: Any
) -> None:
    def draw_orders(orders: Any, **_: object) -> list[list[MarkedPicture]]:
        return [write_shapes(one.folder, one.n, one.seed) for one in orders]

    def look_at_some(some: list[MarkedPicture]) -> list[PictureSaid]:
        looked.extend(some)
        return [PictureSaid(float(one.image_id), np.array([np.nan, one.image_id])) for one in some]

    looked: list[MarkedPicture] = []
    monkeypatch.setattr(label_next_bench, "draw_orders", draw_orders)
    monkeypatch.setattr(label_next_hands, "draw_orders", draw_orders)
    monkeypatch.setattr(label_next_hands, "look_at_some", look_at_some)
    asked = "--seeds 1 --pool 3 --test 3 --labels 1 2 --steps 1 --batch 2 --tile-px 64 --device cpu"
    arguments = ["--out", str(tmp_path / "b"), "--start", str(weights_folder), *asked.split()]
    assert label_next_bench.main([*arguments, "--minutes", "0"]) == 0
    assert json.loads((tmp_path / "b" / "curves.json").read_text())["trials_left"] == 5
    assert label_next_bench.main(arguments) == 0
    curves = json.loads((tmp_path / "b" / "curves.json").read_text())
    assert curves["trials_left"] == 0 and len(looked) == 3
    assert [(row["ranked"], row["random"], row["seeds"]) for row in curves["comparison"]["fewer"]] == [
        ([1], [2], 1)
    ]
    assert curves["orders"]["1"]["ranked"][0] == 2
    own = [point["judged"]["own"] for point in curves["points"]]
    assert {tuple(one["of"]) for one in own} == {tuple(own[0]["of"])} and sum(own[0]["of"]) > 2
    assert (tmp_path / "b" / "curves.png").stat().st_size > 5_000


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


def test_interval_that_misses_its_mean_by_a_rounding_is_drawn(tmp_path: Path) -> None:
    mean = 0.3365853658536585
    series = Series("random", [0], [mean], [(np.nextafter(mean, 1.0), mean)])
    draw_labels(tmp_path / "plot.png", {"one panel": [series]}, y_label="recall", title="recall")
    assert (tmp_path / "plot.png").stat().st_size > 2_000
