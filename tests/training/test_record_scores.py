from __future__ import annotations

import argparse
import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training.dataset import read_marked_pictures
from training.evaluate import Judged, judge_picture
from training.metrics import FOUND
from training.record_scores import main, parse_set, record_scores
from triage.detector import load_detector
from triage.weights import GRAPH_FILE, WEIGHTS_FILE, read_record

N_OBJECTS = 6


@pytest.fixture
def own_weights(weights_folder: Path, tmp_path: Path) -> Path:
    """A copy of the weights whose record may be written again."""
    return Path(shutil.copytree(weights_folder, tmp_path / "weights"))


@pytest.fixture
def findable_set(weights_folder: Path, tmp_path: Path) -> Path:
    """Noise in which the marked objects are some of the untrained detector's own candidates."""
    folder = tmp_path / "findable"
    (folder / "images").mkdir(parents=True)
    noise = np.random.default_rng(3).integers(0, 255, (256, 256, 3), dtype=np.uint8)
    Image.fromarray(noise).save(folder / "images" / "noise.png")
    write_marks(folder, [])
    (judged,) = judge_folder(folder, weights_folder)
    chosen = choose_apart([one.bbox_xywh for one in judged.candidates])
    write_marks(folder, chosen)
    return folder


@pytest.fixture
def hidden_set(tmp_path: Path) -> Path:
    """A picture whose marked object is a strip that no candidate fits."""
    folder = tmp_path / "hidden"
    (folder / "images").mkdir(parents=True)
    Image.new("RGB", (256, 256), (200, 190, 180)).save(folder / "images" / "noise.png")
    write_marks(folder, [[0, 100, 256, 1]])
    return folder


def choose_apart(boxes_xywh: list[tuple[float, float, float, float]]) -> list[list[float]]:
    """The first `N_OBJECTS` boxes of the list that share no ground."""
    chosen: list[list[float]] = []
    for x, y, width, height in boxes_xywh:
        if all(x >= a + w or a >= x + width or y >= b + h or b >= y + height for a, b, w, h in chosen):
            chosen.append([x, y, width, height])
    assert len(chosen) >= N_OBJECTS
    return chosen[:: len(chosen) // N_OBJECTS][:N_OBJECTS]


def write_marks(folder: Path, boxes: list[list[float]]) -> None:
    content = {
        "images": [{"id": 1, "file_name": "noise.png", "um_per_px": 0.5, "specimen": "a"}],
        "annotations": [
            {"id": number, "image_id": 1, "category_id": 1, "bbox": box}
            for number, box in enumerate(boxes, start=1)
        ],
        "categories": [{"id": 1, "name": "oocyst"}],
    }
    (folder / "annotations.json").write_text(json.dumps(content))


def judge_folder(folder: Path, weights: Path) -> list[Judged]:
    detector = load_detector(weights)
    return [judge_picture(one, detector, is_scale_used=True) for one in read_marked_pictures(folder)]


def found_scores(folder: Path, weights: Path) -> list[float]:
    (judged,) = judge_folder(folder, weights)
    return [float(score) for score in judged.matches.scores[judged.matches.verdicts == FOUND]]


@pytest.mark.parametrize("recall", [0.3, 0.5, 1.0])
def test_cut_is_the_highest_score_that_reaches_the_recall(
    own_weights: Path, weights_folder: Path, findable_set: Path, recall: float
) -> None:
    cut = record_scores(own_weights, ("noise", findable_set), (), recall=recall).default_cut
    scores = sorted(found_scores(findable_set, weights_folder), reverse=True)
    assert cut == scores[math.ceil(recall * N_OBJECTS - 1e-9) - 1]


def test_record_holds_the_cut_and_the_figures_of_every_set(
    own_weights: Path, findable_set: Path, hidden_set: Path
) -> None:
    record_scores(own_weights, ("noise", findable_set), [("strip", hidden_set)], recall=0.5)
    record = read_record(own_weights)
    assert record.scores["default_cut"] == {
        "score": record.default_cut,
        "recall": 0.5,
        "chosen_on": "noise",
    }
    assert {name: one["objects"] for name, one in record.scores["judged"].items()} == {
        "noise": N_OBJECTS,
        "strip": 1,
    }
    assert record.scores["judged"]["noise"]["default_cut"]["recall"] >= 0.5
    assert "noise.png" not in json.dumps(record.scores)


def test_recording_leaves_weights_and_graph_as_they_are(own_weights: Path, findable_set: Path) -> None:
    before = [(own_weights / name).read_bytes() for name in (WEIGHTS_FILE, GRAPH_FILE)]
    old = read_record(own_weights)
    new = record_scores(own_weights, ("noise", findable_set), (), recall=0.5)
    assert [(own_weights / name).read_bytes() for name in (WEIGHTS_FILE, GRAPH_FILE)] == before
    assert (new.weights_sha256, new.graph_sha256) == (old.weights_sha256, old.graph_sha256)


def test_recall_out_of_reach_is_refused_and_nothing_is_written(
    own_weights: Path, hidden_set: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = read_record(own_weights)
    assert main(["--weights", str(own_weights), "--cut-from", f"strip={hidden_set}", "--recall", "0.7"]) == 1
    said = capsys.readouterr().err
    assert "finds less than 0.7 of the objects of 'strip'" in said and said.count("\n") == 1
    assert read_record(own_weights) == before


def test_command_prints_the_cut_it_chose(
    own_weights: Path, findable_set: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--weights", str(own_weights), "--cut-from", f"noise={findable_set}"]) == 0
    assert json.loads(capsys.readouterr().out)["score"] == read_record(own_weights).default_cut


@pytest.mark.parametrize("text", ["noise", "=folder", "noise="])
def test_sets_are_given_as_name_and_folder(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="not of the form NAME=DIR"):
        parse_set(text)
