from __future__ import annotations

import dataclasses
import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image

from training.cross_validate import cross_validate, group_pictures, main
from training.settings import Settings
from training.supply import show_in_turn
from training.train import run
from triage.errors import RecordError
from triage.groups import read_groups
from triage.weights import read_record

SIDE_PX = 96


@pytest.fixture
def marked_set(tmp_path: Path, draw_shapes: Any) -> Path:
    """Six drawn pictures: two of one field, two of another, one alone, and one alone with nothing in it."""
    folder = tmp_path / "set"
    (folder / "images").mkdir(parents=True)
    tiles, truths = draw_shapes(11, 6, SIDE_PX, torch.device("cpu"))
    names = [group.name for group in read_groups()]
    images, annotations = [], []
    for number, (tile, truth, field) in enumerate(zip(tiles, truths, "aabb--", strict=True), start=1):
        is_empty = number == 6
        pixels = np.full((SIDE_PX, SIDE_PX, 3), 190, np.uint8) if is_empty else tile.permute(1, 2, 0).numpy()
        Image.fromarray(pixels).save(folder / "images" / f"{number}.png")
        images.append({"id": number, "file_name": f"{number}.png", "field": None if field == "-" else field})
        for box, ellipse, label in zip(truth.boxes_xyxy, truth.ellipses, truth.labels, strict=True):
            keys = ("cx", "cy", "major_px", "minor_px", "angle_deg")
            row = {
                "id": len(annotations),
                "image_id": number,
                "category_id": int(label),
                "bbox": [box[0], box[1], box[2] - box[0], box[3] - box[1]],
                "ellipse": dict(zip(keys, map(float, ellipse), strict=True)),
            }
            if not is_empty:
                annotations.append(row)
    categories = [{"id": number, "name": name} for number, name in enumerate(names)]
    content = {"images": images, "annotations": annotations, "categories": categories}
    (folder / "annotations.json").write_text(json.dumps(content))
    return folder


@pytest.fixture
def settings(tmp_path: Path, weights_folder: Path) -> Settings:
    return Settings(
        out=tmp_path / "out",
        start=str(weights_folder),
        steps=2,
        batch=4,
        tile_px=64,
        data=tmp_path / "set",
        drawn_tiles=4,
        device="cpu",
        held_out=1,
    )


def test_every_picture_is_judged_once_by_a_detector_that_saw_none_of_its_field(
    marked_set: Path, settings: Settings, draw_shapes: Any
) -> None:
    pictures = group_pictures(marked_set, "field")
    before, after, folds = cross_validate(pictures, settings, draw_shapes, n_folds=3, command="...")
    judged = [one.marked for fold in folds for one in fold.judged]
    assert sorted(one.path.name for one in judged) == [f"{number}.png" for number in range(1, 7)]
    fields = [{one.marked.specimen for one in fold.judged} for fold in folds]
    assert all(not some & others for some, others in itertools.combinations(fields, 2))
    assert [fold.n_learnt + len(fold.judged) for fold in folds] == [6, 6, 6]
    assert before.n_pictures == after.n_pictures == 6
    assert before.n_objects == after.n_objects > 4 and before.n_object_free == after.n_object_free == 1
    hashes = {read_record(settings.out / f"fold-{number}").weights_sha256 for number in (1, 2, 3)}
    assert len(hashes) == 3
    cuts = [read_record(settings.out / f"fold-{fold.number}").default_cut for fold in folds]
    assert cuts == [fold.cut for fold in folds] and read_record(Path(settings.start)).default_cut not in cuts
    # On pictures without objects each fold's candidates are counted above its own cut.
    free = [(one, fold.cut) for fold in folds for one in fold.judged if one.is_object_free]
    assert after.n_false_at_cut == sum(int((one.matches.scores >= cut).sum()) for one, cut in free)


def test_groups_without_the_key_stand_alone(marked_set: Path) -> None:
    specimens = [one.specimen for one in group_pictures(marked_set, "field")]
    assert specimens == ["a", "a", "b", "b", "5.png", "6.png"]


def test_an_unknown_key_of_groups_is_refused(marked_set: Path) -> None:
    with pytest.raises(RecordError, match="has the key 'shelf' that --groups names"):
        group_pictures(marked_set, "shelf")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (["--folds", "1"], "--folds is 1; it must be at least 2"),
        (["--start", "none"], "only a detector can be adapted"),
    ],
)
def test_command_refuses_what_it_cannot_do(
    change: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["--data", "set", "--out", "out", *change])
    assert message in capsys.readouterr().err


def test_command_says_what_is_wrong_with_the_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--data", str(tmp_path), "--out", str(tmp_path / "out")]) == 1
    assert "annotations.json can't be read" in capsys.readouterr().err


def test_given_tiles_are_shown_in_turn_and_go_on_anywhere() -> None:
    batches: list[Any] = ["a", "b", "c"]
    assert list(show_in_turn(batches, 5)) == ["a", "b", "c", "a", "b"]
    assert list(show_in_turn(batches, 5, start=3)) == ["a", "b"]


def test_adapting_prints_and_records_figures_before_and_after(
    marked_set: Path, settings: Settings, draw_shapes: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    record = run(settings, command="...", draw=draw_shapes, started_s=0.0)
    assert record is not None
    said = capsys.readouterr().out
    assert "before" in said and "drawn tiles: group right" in said
    adapted = read_record(settings.out).scores["adapted"]
    # Of these names the split holds out none or some; both figures are of the same pictures.
    assert adapted["before"]["pictures"] == adapted["after"]["pictures"]
    assert record.recipe["trained_on"] == "labelled set set" and len(record.recipe["data_sha256"]) == 64
    cut = read_record(settings.out).scores["default_cut"]
    assert record.default_cut == cut["score"] != read_record(Path(settings.start)).default_cut
    assert cut["before"]["score"] == read_record(Path(settings.start)).default_cut
    assert f"Default cut {cut['score']:.4f} (before: " in said and cut["of"] > 0
    assert "Scores are not calibrated." in said and record.score_calibration["not_fitted"]


def test_kill_before_the_cut_is_written_is_made_good_when_it_goes_on(
    marked_set: Path, settings: Settings, draw_shapes: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def is_killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as cut_short:
        cut_short.setattr("training.local_figures.find_cut", is_killed)
        with pytest.raises(KeyboardInterrupt):
            run(settings, command="...", draw=draw_shapes, started_s=0.0)
    before = read_record(settings.out)
    assert before.default_cut == read_record(Path(settings.start)).default_cut
    assert list(settings.out.glob("checkpoint-*"))
    again = dataclasses.replace(settings, resume=True)
    record = run(again, command="...", draw=draw_shapes, started_s=0.0)
    assert record is not None and record.weights_sha256 == before.weights_sha256
    assert record.default_cut == record.scores["default_cut"]["score"] != before.default_cut
    assert not list(settings.out.glob("checkpoint-*"))
