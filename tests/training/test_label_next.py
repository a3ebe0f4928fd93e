from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training import label_next, label_next_bench
from training.hospital_look import Look, take_look
from training.label_next_bench import Point, compare_orders, to_verdict
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


def _point(order: str, n_labelled: int, n_found: int) -> Point:
    return Point(order, n_labelled, n_found, 20, 0.0)


def test_share_of_labels_is_what_the_ranking_needs_for_the_same_recall() -> None:
    points = [
        _point("as it is", 0, 2),
        *(_point("ranked", n, found) for n, found in [(4, 8), (8, 15), (16, 17)]),
        *(_point("random 1", n, found) for n, found in [(4, 6), (8, 10), (16, 16)]),
        *(_point("random 2", n, found) for n, found in [(4, 6), (8, 10), (16, 14)]),
    ]
    comparison = compare_orders(points)
    assert comparison["goal"] == pytest.approx(0.75) and comparison["ranked_labels"] == 8
    assert "with 8, 50% of them" in to_verdict(comparison)
    never = compare_orders([_point("ranked", 4, 1), _point("random 1", 4, 2)])
    assert never["share_of_labels"] is None and "never reached it" in to_verdict(never)


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
    assert "--labels asks for 4 of 3 pictures" in capsys.readouterr().err
