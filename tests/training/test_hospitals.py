from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training import drawn_hospitals, hospitals, trials
from training.dataset import MarkedPicture
from training.drawn_hospitals import HOSPITALS, Order, draw_orders, lock
from training.hospital_figures import summarise, to_lines
from training.settings import Settings
from training.shared_tiles import find_tiles, give
from training.simulated_readers import ReaderRates, mark_as_readers
from training.supply import Given
from training.synthesize.scene import Scene
from triage.groups import candidate_groups
from triage.weights import read_record

EXACT = ReaderRates(missed=0.0, misnamed=0.0, box_sd=0.0, look_alikes_marked=1.0)


@pytest.fixture
def shapes_are_drawn(monkeypatch: pytest.MonkeyPatch, draw_shapes: Any, write_shapes: Any) -> None:
    """Slides and tiles are plain ellipses, drawn in no time."""

    def draw_orders(orders: Sequence[Order], **_: object) -> list[list[MarkedPicture]]:
        return [write_shapes(one.folder, one.n, one.seed) for one in orders]

    monkeypatch.setattr(hospitals, "draw_slides", lambda *args, stocks, **more: draw_shapes(*args, **more))
    monkeypatch.setattr(hospitals, "draw_orders", draw_orders)


def _arguments(out: Path, weights: Path, *more: str) -> list[str]:
    asked = "--hospitals 2 --labels 1 3 --slides-judged 2 --general 1 --steps 1 --batch 4 --tile-px 64"
    return ["--out", str(out), "--start", str(weights), *asked.split(), "--device", "cpu", *more]


@pytest.mark.usefixtures("shapes_are_drawn")
def test_each_hospital_is_judged_with_every_number_of_labels_and_a_cut_run_goes_on(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    learnt: list[int] = []
    train = trials.train

    def count_learnt(settings: Any, *, given: Given, **options: Any) -> Any:
        assert given.pictures is not None
        learnt.append(len(given.pictures))
        return train(settings, given=given, **options)

    monkeypatch.setattr(trials, "train", count_learnt)
    arguments = _arguments(tmp_path / "out", weights_folder, "--drawn-tiles", "4")
    assert hospitals.main([*arguments, "--minutes", "0"]) == 0
    assert "6 trainings are left" in capsys.readouterr().out and not learnt
    assert hospitals.main(arguments) == 0
    assert learnt == [3, 1, 3, 1]
    figures = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert figures["trials_left"] == 0 and figures["readers"]["missed"] > 0
    rows = figures["rows"]
    assert [(row["hospital"], row["labels"]) for row in rows] == [
        (name, n) for name in list(HOSPITALS)[:2] for n in (0, 1, 3)
    ]
    assert all(row["own"]["of"] > 1 and row["general"]["of"] > 0 for row in rows)
    assert rows[0]["marks"] == 0 and rows[0]["own"]["gain"] == 0
    start = read_record(weights_folder).weights_sha256
    trained = read_record(tmp_path / "out" / "trained" / "dim-lamp-3")
    assert trained.weights_sha256 != start and trained.recipe["start"]["weights_sha256"] == start
    assert (tmp_path / "out" / "recall.png").stat().st_size > 5_000
    assert hospitals.main(arguments) == 0 and len(learnt) == 4


@pytest.mark.usefixtures("shapes_are_drawn")
def test_a_folder_begun_with_other_settings_is_refused(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hospitals.main(_arguments(tmp_path, weights_folder, "--minutes", "0")) == 0
    assert hospitals.main(_arguments(tmp_path, weights_folder, "--seed", "2")) == 1
    assert "was begun with other settings" in capsys.readouterr().err


@pytest.mark.usefixtures("shapes_are_drawn")
def test_a_training_that_breaks_is_told_and_the_others_are_done(
    tmp_path: Path, weights_folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def run_trial(trial: trials.Trial, **_: object) -> dict[str, Any]:
        if trial.name == "dim-lamp-3":
            raise RuntimeError("out of memory")
        counts = {"found": [1], "of": [2], "false": 0, "group_right": 1}
        judged = {name: counts for name in trial.judged}
        return {**trial.facts, "judged": judged, "seconds_training": 1.0, "seconds_judging": 1.0}

    monkeypatch.setattr(trials, "run_trial", run_trial)
    assert hospitals.main(_arguments(tmp_path / "out", weights_folder, "--drawn-tiles", "4")) == 1
    assert (
        "1 of 6 trainings broke. The first: dim-lamp-3: RuntimeError: out of memory"
        in capsys.readouterr().err
    )
    figures = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert [row["labels"] for row in figures["rows"]] == [0, 1, 0, 1, 3] and figures["trials_left"] == 1


def _result(n_labels: int, found: list[int]) -> dict[str, Any]:
    counts = {"found": found, "of": [4] * len(found), "false": 2, "group_right": 1}
    empty = {"found": [0], "of": [0], "false": 0, "group_right": 0}
    return {
        "hospital": "dim lamp",
        "labels": n_labels,
        "marks": 9,
        "judged": {"own": counts, "general": empty},
        "seconds_training": 1.0,
        "seconds_judging": 1.0,
    }


def test_gain_is_that_over_the_detector_without_labels_on_the_same_slides() -> None:
    rows = summarise([_result(10, [3] * 8), _result(0, [1, 2] * 4)])
    assert [row["labels"] for row in rows] == [0, 10]
    own = rows[1]["own"]
    assert own["recall"] == 0.75 and own["gain"] == pytest.approx(0.75 - 0.375)
    low, high = own["gain_by_slide"]
    # Slides gain a quarter or a half, whichever are drawn.
    assert 0.25 <= low < 0.375 < high <= 0.5
    assert "0.750 24/32" in to_lines(rows)[-1] and "+0.375" in to_lines(rows)[-1]


def test_simulated_readers_err_as_often_as_asked(tmp_path: Path, write_shapes: Any) -> None:
    truth = write_shapes(tmp_path / "shapes", 150, 5)
    assert mark_as_readers(truth, EXACT, seed=1) == truth
    rates = ReaderRates(missed=0.3, misnamed=0.2, box_sd=0.05)
    marked = mark_as_readers(truth, rates, seed=1)
    assert marked == mark_as_readers(truth, rates, seed=1) != mark_as_readers(truth, rates, seed=2)
    n_objects = sum(len(one.objects) for one in truth)
    kept = [one for picture in marked for one in picture.objects]
    # Binomial deviations are 0.031 and 0.032 of some 220 and 155 objects; four of them are allowed.
    assert 1 - len(kept) / n_objects == pytest.approx(0.3, abs=0.125)
    shapes = candidate_groups()[:2]
    others = sum(one.group not in shapes for one in kept) / len(kept)
    # A wrong name is one of nine; for each of the two shapes one of them is the other shape.
    assert others == pytest.approx(
        0.2 * (len(candidate_groups()) - 2) / (len(candidate_groups()) - 1), abs=0.13
    )
    before = {one.objects[0].box_xyxy for one in truth}
    assert not before & {one.objects[0].box_xyxy for one in marked if one.objects}


def test_locked_slides_are_refused_by_a_training(tmp_path: Path, write_shapes: Any) -> None:
    from training.dataset import labelled_batches
    from triage.errors import RecordError

    locked = lock(write_shapes(tmp_path / "shapes", 2, 5))
    with pytest.raises(RecordError, match="judging split"):
        next(labelled_batches(locked, tile_px=64, n_tiles=2, seed=1, um_per_px=0.5))


def test_hospitals_photograph_the_same_field_differently(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        drawn_hospitals, "draw_scene", lambda *_, um_per_px, stocks: Scene((64, 80), um_per_px=um_per_px)
    )
    means = []
    for hospital in HOSPITALS.values():
        ((slide,),) = draw_orders([Order(tmp_path / hospital.name, hospital, 1, 3, (64, 80))])
        assert slide.um_per_px == pytest.approx(hospital.um_per_px)
        means.append(slide.read_pixels().reshape(-1, 3).mean(axis=0))
    assert all(np.abs(one - other).max() > 10 for one, other in itertools.combinations(means, 2))


def test_held_out_slides_of_any_size_fit_the_network(tmp_path: Path, draw_shapes: Any) -> None:
    Image.new("RGB", (70, 50), (200, 180, 160)).save(tmp_path / "slide.png")
    slide = MarkedPicture(1, tmp_path / "slide.png", 0.5, "a", (), ())
    settings = Settings(out=tmp_path / "out", drawn_share=0.0, device="cpu")
    ((pixels, targets),) = give([slide], find_tiles(settings, draw_shapes, [slide])).held_out or ()
    assert pixels.shape == (1, 3, 64, 96) and pixels[0, :, -1, -1].tolist() == [200, 180, 160]
    assert len(targets) == 1 and len(targets[0]["boxes"]) == 0
