from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training.compare import compare
from training.compare import main as compare_main
from training.dataset import MarkedObject, MarkedPicture
from training.evaluate import Judged
from training.judge import list_coverslips, main, recall_by_coverslip, to_figures, to_text
from training.judge_plots import draw_all
from training.metrics import match_candidates
from triage.records import Candidate, Ellipse, SizeCheck

SIDE = 20.0


def box_at(place: int) -> tuple[float, float, float, float]:
    """The n-th of places that lie apart."""
    return place * 50.0, 10.0, place * 50.0 + SIDE, 10.0 + SIDE


def a_picture(number: int, n_objects: int, **changes: Any) -> MarkedPicture:
    """A picture of a specimen of its own, with objects of 20 px at its first places."""
    objects = tuple(
        MarkedObject(
            box_at(place),
            "oocyst",
            (0.0, 0.0, SIDE, SIDE, 0.0),
            False,
            1.0,
            (),
            readers=("r1",),
            annotation_id=place,
        )
        for place in range(n_objects)
    )
    return replace(MarkedPicture(number, Path(f"{number}.png"), 0.5, f"s{number}", objects, ()), **changes)


def judge(marked: MarkedPicture, *found: tuple[int, float], **changes: Any) -> Judged:
    """What a detector that looks at these places, with these scores, makes of a picture; 10 % too long."""
    candidates = tuple(
        Candidate(
            rank=rank,
            bbox_xywh=(box_at(place)[0], 10.0, SIDE, SIDE),
            score=score,
            group="oocyst" if place % 2 == 0 else "giardia_cyst",
            group_scores={},
            ellipse=Ellipse(0, 0, 1.1 * SIDE + place, SIDE, 0),
            length_um=None,
            width_um=None,
            length_um_sd=None,
            width_um_sd=None,
            size_check=SizeCheck("no calibration"),
            reasons=(),
        )
        for rank, (place, score) in enumerate(found, start=1)
    )
    boxes = np.array([box_at(place) for place, _ in found]).reshape(-1, 4)
    truth = marked.to_truth()
    matches = match_candidates(boxes, np.array([score for _, score in found]), truth)
    return Judged(marked, truth, candidates, matches, **{"area_mm2": 2.0, **changes})


def test_recall_by_coverslip_equals_the_worked_example() -> None:
    """`check_values.json`, froc: 4 pictures, 5 objects; recall 3/5 and 4/5 at 1/4 and 4/4 false a picture."""
    judged = [
        judge(a_picture(1, 2), (0, 0.95), (9, 0.8), (1, 0.7)),
        judge(a_picture(2, 2), (0, 0.9), (9, 0.6)),
        judge(a_picture(3, 1), (9, 0.5), (0, 0.4)),
        judge(a_picture(4, 0), (9, 0.3)),
    ]
    rows = recall_by_coverslip(judged)
    at = {score: place for place, score in enumerate(rows["score"])}
    for score, recall, false in ((0.7, 0.6, 0.25), (0.3, 0.8, 1.0)):
        assert rows["recall"][at[score]] == recall
        assert rows["false_per_coverslip"][at[score]] == false
        # 8 mm² in all, so half as many for each as for each of the four coverslips.
        assert rows["false_per_mm2"][at[score]] == false / 2
        assert rows["candidates_per_coverslip"][at[score]] == false + recall * 5 / 4


def test_pictures_of_one_coverslip_are_counted_together() -> None:
    judged = [judge(a_picture(n, 1, coverslip="c"), (0, 0.9), (9, 0.5)) for n in range(3)]
    assert list_coverslips(judged) == ["c", "c", "c"]
    rows = recall_by_coverslip(judged)
    assert rows["coverslips"] == 1 and rows["false_per_coverslip"][-1] == 3
    unscaled = recall_by_coverslip([*judged, judge(a_picture(7, 1), area_mm2=None)])
    assert unscaled["area_mm2"] is None and "false_per_mm2" not in unscaled


@pytest.fixture
def judged() -> list[Judged]:
    """Six specimens of four objects; half of them lose every second object."""
    all_four, two = [(0, 0.9), (1, 0.8), (2, 0.7), (3, 0.6)], [(0, 0.9), (2, 0.7), (9, 0.55)]
    return [
        judge(
            a_picture(n, 4, microscope="m1" if n < 3 else "m2", solution="sucrose", coverslip=f"c{n}"),
            *(all_four if n < 3 else two),
            measured={"sharpness": 0.2 if n < 3 else 0.9},
        )
        for n in range(6)
    ]


def test_figures_count_at_the_cut(judged: list[Judged]) -> None:
    figures = to_figures(judged, cut=0.65)
    assert (figures["recall"]["n"], figures["recall"]["of"]) == (15, 24)
    assert (figures["group_right"]["n"], figures["group_right"]["of"]) == (12, 15)
    low, high = figures["recall"]["by_specimen"]
    assert low == pytest.approx(0.5, abs=0.05) and high == pytest.approx(0.75, abs=0.05)
    assert figures["recall"]["wilson"] == pytest.approx((0.4271, 0.7884), abs=1e-3)
    assert {name: row["recall"]["share"] for name, row in figures["by"]["microscope"].items()} == {
        "m1": 0.75,
        "m2": 0.5,
    }
    assert {name: row["recall"]["share"] for name, row in figures["by"]["focus"].items()} == {
        "blurred": 0.75,
        "sharp": 0.5,
    }
    assert figures["by_reader"]["r1"]["of"] == 24
    assert figures["average_precision"]["AP_by_specimen"][0] < figures["average_precision"]["AP"]


def test_lengths_are_compared_in_micrometres(judged: list[Judged]) -> None:
    """Said are 22, 23, 24 px of 20 at 0.5 µm/px: 1, 1.5 and 2 µm too long."""
    length = to_figures(judged, cut=0.65)["length"]
    assert length["bias"] == pytest.approx((6 * 1 + 3 * 1.5 + 6 * 2) / 15)
    assert length["n"] == 15 and length["limits"][0] < length["bias"] < length["limits"][1]


def test_counts_are_compared_by_coverslip(judged: list[Judged]) -> None:
    """Candidates 4, 4, 4, 3, 3, 3 of objects 4: no agreement beyond chance, bias -0.5."""
    counts = to_figures(judged, cut=0.5)["counts"]
    assert (counts["bias"], counts["concordance"]) == (-0.5, 0.0)
    assert counts["pairs"] == [[4, 4]] * 3 + [[3, 4]] * 3


def test_figures_are_told_and_drawn(judged: list[Judged], tmp_path: Path) -> None:
    figures = to_figures(judged, cut=0.65)
    assert json.loads(json.dumps(figures)).keys() == figures.keys()
    text = to_text("ours", figures)
    assert (
        "recall 0.625 (15 of 24, 0.427-0.788; by specimen 0." in text
        and "microscope m2: recall 0.500" in text
    )
    draw_all(tmp_path, figures)
    assert {path.name for path in tmp_path.iterdir()} == {
        "recall.png",
        "size.png",
        "counts.png",
        "scores.png",
    }
    for path in tmp_path.iterdir():
        with Image.open(path) as plot:
            assert np.asarray(plot.convert("L")).std() > 5


def test_empty_pictures_have_figures_too(tmp_path: Path) -> None:
    figures = to_figures([judge(a_picture(1, 0))], cut=0.5)
    assert figures["recall"]["share"] is None and "unknown: there is nothing to find" in to_text("x", figures)
    draw_all(tmp_path, figures)


def test_comparison_lists_what_is_lost_and_gained(judged: list[Judged]) -> None:
    marked = [one.marked for one in judged]
    new = [judge(one, (0, 0.9), (1, 0.8), (3, 0.7)) for one in marked]
    result = compare(judged, new, old_cut=0.5, new_cut=0.5, margin=0.02)
    assert result["recall"] == {"old": 0.75, "new": 0.75}
    assert [(row["file"], row["annotation"]) for row in result["lost"]] == [(f"{n}.png", 2) for n in range(6)]
    assert len(result["gained"]) == 6 and not result["may_take_over"]
    assert "may not take over. So few objects can't tell this from a loss" in result["sentence"]
    worse = [judge(one, (0, 0.9)) for one in marked]
    result = compare(judged, worse, old_cut=0.5, new_cut=0.5, margin=0.02)
    assert result["sentence"].endswith("the new detector may not take over.")


def test_a_better_detector_may_take_over_and_too_few_specimens_say_nothing(judged: list[Judged]) -> None:
    new = [judge(one.marked, (0, 0.9), (1, 0.8), (2, 0.8), (3, 0.7)) for one in judged]
    result = compare(judged, new, old_cut=0.5, new_cut=0.5, margin=0.02)
    assert result["may_take_over"] and result["lost"] == [] and result["difference"] == 0.25
    few = compare(judged[2:], new[2:], old_cut=0.5, new_cut=0.5, margin=0.02)
    assert few["is_not_worse"] and not few["may_take_over"]
    assert "objects of 4 specimens; at least 5 are needed" in few["sentence"]


def write_set(folder: Path, split: str) -> Path:
    (folder / "images").mkdir(parents=True)
    pixels = np.random.default_rng(1).integers(0, 255, (90, 120, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(folder / "images" / "a.png")
    content = {
        "images": [{"id": 1, "file_name": "a.png", "um_per_px": 0.5, "specimen": "a", "split": split}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 1, "bbox": [30, 20, 40, 20]}],
        "categories": [{"id": 1, "name": "oocyst"}],
    }
    (folder / "annotations.json").write_text(json.dumps(content))
    return folder


def test_command_judges_one_split(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = write_set(tmp_path / "set", "judging")
    arguments = ["--data", str(data), "--weights", str(weights_folder), "--out", str(tmp_path / "out")]
    assert main([*arguments, "--split", "judging"]) == 0
    figures = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert (figures["recall"]["of"], figures["detector"]) == (1, "untrained")
    assert (tmp_path / "out" / "recall.png").is_file()
    capsys.readouterr()
    assert main([*arguments, "--split", "train"]) == 1
    assert "holds no picture to judge in train" in capsys.readouterr().err


def test_compare_command_names_both_and_refuses_what_says_nothing(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "comparison.json"
    arguments = ["--new", str(weights_folder), "--out", str(out), "--data"]
    assert compare_main([*arguments, str(write_set(tmp_path / "judging", "judging"))]) == 0
    result = json.loads(out.read_text())
    assert result["new"]["name"] == "untrained" and len(result["set_sha256"]) == 64
    assert not result["may_take_over"] and "objects of 1 specimens" in capsys.readouterr().out
    assert compare_main([*arguments, str(write_set(tmp_path / "train", "train"))]) == 1
    assert "has no picture in the judging split" in capsys.readouterr().err
    assert compare_main([*arguments, str(tmp_path / "judging"), "--old", str(weights_folder)]) == 1
    assert "Both detectors have the weights" in capsys.readouterr().err
