from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.evaluate import Judged, judge_picture, main, summarise, to_text
from training.metrics import match_candidates
from training.sheet import CELL_PX, LABEL_PX, write_sheet
from triage.detector import load_detector
from triage.records import Candidate, SizeCheck


def candidate(x: float, y: float, width: float, height: float, *, score: float, group: str) -> Candidate:
    return Candidate(
        rank=1,
        bbox_xywh=(x, y, width, height),
        score=score,
        group=group,
        group_scores={},
        ellipse=None,
        length_um=None,
        width_um=None,
        length_um_sd=None,
        width_um_sd=None,
        size_check=SizeCheck("no calibration"),
        reasons=(),
    )


@pytest.fixture
def marked_folder(tmp_path: Path) -> Path:
    """Two pictures: one with an oocyst and a bubble, one with nothing."""
    (tmp_path / "images").mkdir()
    for name in ("with.png", "without.png"):
        pixels = np.full((90, 120, 3), 200, dtype=np.uint8)
        pixels[20:40, 30:70] = 40
        Image.fromarray(pixels).save(tmp_path / "images" / name)
    content = {
        "images": [
            {"id": 1, "file_name": "with.png", "um_per_px": 0.5, "specimen": "a"},
            {"id": 2, "file_name": "without.png", "specimen": "c"},
        ],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 1, "bbox": [30, 20, 40, 20]},
            {"id": 2, "image_id": 1, "category_id": 2, "bbox": [80, 60, 10, 10]},
        ],
        "categories": [{"id": 1, "name": "oocyst"}, {"id": 2, "name": "air_bubble"}],
    }
    (tmp_path / "annotations.json").write_text(json.dumps(content))
    return tmp_path


def judge(marked: MarkedPicture, *candidates: Candidate) -> Judged:
    boxes = np.array([one.bbox_xywh for one in candidates], dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    scores = np.array([one.score for one in candidates])
    truth = marked.to_truth()
    return Judged(marked, truth, candidates, match_candidates(boxes, scores, truth))


def judged_well(folder: Path) -> list[Judged]:
    with_egg, without = read_marked_pictures(folder)
    return [
        judge(
            with_egg,
            candidate(30, 20, 40, 20, score=0.9, group="oocyst"),
            candidate(80, 60, 10, 10, score=0.4, group="giardia_cyst"),
        ),
        judge(without, candidate(0, 0, 10, 10, score=0.3, group="oocyst")),
    ]


def test_summary_counts_what_was_found(marked_folder: Path) -> None:
    summary = summarise(judged_well(marked_folder), default_cut=0.35)
    assert (summary["pictures"], summary["objects"]) == (2, 1)
    assert {rate: row["share"] for rate, row in summary["recall"].items()} == {
        "0.1": 1.0,
        "0.5": 1.0,
        "1": 1.0,
        "2": 1.0,
    }
    assert (summary["group_right"]["right"], summary["group_right"]["of"]) == (1, 1)
    free = summary["object_free"]
    assert (free["pictures"], free["candidates"], free["per_picture"]) == (1, 0, 0.0)
    # None seen in one: up to -ln 0.025 (Garwood's upper end for a count of 0).
    assert free["interval"] == pytest.approx([0.0, -np.log(0.025)])
    cut = summary["default_cut"]
    assert (cut["score"], cut["recall"], cut["false_per_picture"]) == (0.35, 1.0, 0.5)
    assert summary["coco"]["AP"] == pytest.approx(1.0)
    assert summary["misses"] == []


def test_a_candidate_on_a_look_alike_is_a_false_alarm(marked_folder: Path) -> None:
    alarms = summarise(judged_well(marked_folder), default_cut=0.2)["false_alarms"]
    assert [(alarm["file"], alarm["score"]) for alarm in alarms] == [("with.png", 0.4), ("without.png", 0.3)]


def test_an_object_free_picture_counts_candidates_above_the_cut(marked_folder: Path) -> None:
    assert summarise(judged_well(marked_folder), default_cut=0.2)["object_free"]["candidates"] == 1


def test_a_miss_is_listed_with_its_score(marked_folder: Path) -> None:
    with_egg, without = read_marked_pictures(marked_folder)
    alarms = [candidate(x, 0, 9, 9, score=0.9, group="oocyst") for x in (0, 10)]
    found = candidate(30, 20, 40, 20, score=0.2, group="oocyst")
    summary = summarise([judge(with_egg, *alarms, found), judge(without)], default_cut=0.5)
    (miss,) = summary["misses"]
    assert (miss["file"], miss["group"], miss["score"]) == ("with.png", "oocyst", 0.2)
    assert summary["recall"]["0.5"]["share"] == 0.0 and summary["recall"]["1"]["share"] == 1.0
    assert "missed: with.png oocyst score 0.2" in to_text("a detector", summary)


def test_false_positives_at_the_stated_recall_are_over_the_area_of_known_scale(marked_folder: Path) -> None:
    with_egg, without = read_marked_pictures(marked_folder)
    better = [candidate(x, 0, 9, 9, score=0.9, group="oocyst") for x in (0, 10)]
    found = candidate(30, 20, 40, 20, score=0.5, group="oocyst")
    worse = candidate(0, 60, 9, 9, score=0.2, group="oocyst")
    judged = [
        replace(judge(with_egg, *better, found, worse), area_mm2=0.5),
        judge(without, candidate(0, 0, 9, 9, score=0.7, group="oocyst")),
    ]
    row = summarise(judged, default_cut=0.5)["at_stated_recall"]
    assert (row["score"], row["false"], row["per_picture"]) == (0.5, 3, 1.5)
    assert (row["per_mm2"]["rate"], row["per_mm2"]["false"]) == (4.0, 2)


def test_area_is_known_where_the_scale_is(marked_folder: Path, weights_folder: Path) -> None:
    detector = load_detector(weights_folder)
    areas = [
        judge_picture(one, detector, is_scale_used=False).area_mm2
        for one in read_marked_pictures(marked_folder)
    ]
    assert areas == [pytest.approx(90 * 120 * 0.0005**2), None]


def test_objects_that_can_hardly_be_seen_count_neither_way(marked_folder: Path) -> None:
    content = json.loads((marked_folder / "annotations.json").read_text())
    content["annotations"][0]["visible"] = 0.49
    (marked_folder / "annotations.json").write_text(json.dumps(content))
    with_egg, without = read_marked_pictures(marked_folder)
    on_it = candidate(30, 20, 40, 20, score=0.9, group="oocyst")
    summary = summarise([judge(with_egg, on_it), judge(without)], default_cut=0.5)
    assert (summary["objects"], summary["false_alarms"]) == (0, [])
    assert summary["not_counted"]["hardly_visible"] == 1
    assert "1 objects that can hardly be seen (visible below 0.5)" in to_text("a detector", summary)


def test_objects_of_too_few_pixels_count_neither_way(marked_folder: Path) -> None:
    content = json.loads((marked_folder / "annotations.json").read_text())
    content["annotations"][0] |= {"bbox": [30, 20, 11, 11], "ellipse": None}
    (marked_folder / "annotations.json").write_text(json.dumps(content))
    with_egg, without = read_marked_pictures(marked_folder)
    on_it = candidate(30, 20, 11, 11, score=0.9, group="oocyst")
    summary = summarise([judge(with_egg, on_it), judge(without)], default_cut=0.5)
    assert (summary["objects"], summary["false_alarms"]) == (0, [])
    assert (summary["not_counted"]["too_short"], summary["not_counted"]["hardly_visible"]) == (1, 0)
    assert "1 shorter than 12 px" in to_text("a detector", summary)


def test_evaluate_judges_the_readers_own_proposal(
    marked_folder: Path, weights_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, sheet = tmp_path / "out.json", tmp_path / "sheet.png"
    folders = [str(weights_folder)] * 2
    arguments = [
        "--data",
        str(marked_folder),
        "--out",
        str(out),
        "--sheet",
        str(sheet),
        "--weights",
        *folders,
    ]
    assert main(arguments) == 0
    printed = capsys.readouterr().out
    assert "recall at 0.1 false positives per picture" in printed and "mean recall" in printed
    result: dict[str, Any] = json.loads(out.read_text())
    assert [one["objects"] for one in result["detectors"]] == [1, 1]
    assert result["mean_recall"]["2"] == result["detectors"][0]["recall"]["2"]["share"]
    assert sheet.stat().st_size > 0


def test_evaluate_judges_one_side_of_a_split(
    marked_folder: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["--data", str(marked_folder), "--weights", str(weights_folder), "--ignore-scale"]
    assert main([*arguments, "--split", "train"]) == 0
    assert ": 1 pictures, 1 objects" in capsys.readouterr().out
    assert main([*arguments, "--split", "held_out"]) == 0
    assert ": 1 pictures, 0 objects" in capsys.readouterr().out


def test_evaluate_refuses_a_folder_without_marks(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--data", str(tmp_path), "--weights", str(weights_folder)]) == 1
    assert "annotations.json can't be read" in capsys.readouterr().err


def test_evaluate_refuses_an_empty_set(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "annotations.json").write_text('{"images": [], "annotations": [], "categories": []}')
    assert main(["--data", str(tmp_path), "--weights", str(weights_folder)]) == 1
    assert "holds no picture to judge" in capsys.readouterr().err


def test_sheet_shows_each_box_in_its_cell(marked_folder: Path, tmp_path: Path) -> None:
    row = {"file": "with.png", "group": "oocyst", "score": None, "box_xyxy": [30, 20, 70, 40]}
    write_sheet(tmp_path / "s.png", [row], [row] * 6, marked_folder / "images")
    with Image.open(tmp_path / "s.png") as sheet:
        assert sheet.size == (6 * CELL_PX, 2 * (CELL_PX + LABEL_PX))
        assert sheet.getpixel((CELL_PX // 2, CELL_PX // 2)) == (40, 40, 40)
        assert sheet.getpixel((CELL_PX // 2, CELL_PX + LABEL_PX + CELL_PX // 2)) == (40, 40, 40)
