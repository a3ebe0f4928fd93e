from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from training.cut import judge_tiles
from training.drawn import DrawnBatches
from training.engine import MovingAverage, Schedule, Trainer, TrainingError, evaluate, train_one_epoch
from training.settings import Settings, parse_settings
from training.start_weights import describe_start, load_imagenet_features, start_network
from training.targets import TILE_SCALE
from training.train import main, train
from triage.groups import read_groups
from triage.network import CentrePointNetwork, LiteFeatures
from triage.network_file import read_network
from triage.weights import GRAPH_FILE, read_record, shipped_folder

TILE_PX = 64
CPU = torch.device("cpu")


def batches_of(draw: Any, n: int, *, n_tiles: int = 4, seed: int = 1) -> DrawnBatches:
    return DrawnBatches(seed, n_batches=n, n_tiles=n_tiles, tile_px=TILE_PX, device=CPU, draw=draw)


def small_trainer(n_steps: int, **changes: Any) -> Trainer:
    torch.manual_seed(1)
    network = CentrePointNetwork(2, 24, knows_scale=True)
    load_imagenet_features(network.features)
    return Trainer(network, Schedule(n_steps, **changes), n_candidate_groups=2)


def test_network_learns_a_handful_of_ellipses_and_finds_them_again(draw_shapes: Any) -> None:
    few = list(batches_of(draw_shapes, 2, seed=2))
    trainer = small_trainer(100, learning_rate=4e-3)
    train_one_epoch(trainer, few * 50)
    judgement = judge_tiles(trainer.network, few, n_candidate_groups=2)
    assert judgement.curve.recall_at(0.1) == 1.0
    assert judgement.n_group_right == judgement.n_found == judgement.curve.n_objects
    assert 0 < judgement.default_cut <= 1


def test_what_the_scale_alone_tells_apart_is_learnt(draw_shapes: Any) -> None:
    ((tiles, targets),) = batches_of(draw_shapes, 1, n_tiles=2, seed=2)
    at_scales = [
        {**target, "labels": torch.full_like(target["labels"], group), TILE_SCALE: torch.tensor([size])}
        for group, size in enumerate((0.25, 1.0))
        for target in targets
    ]
    reports: list[dict[str, float]] = []
    trainer = small_trainer(20, learning_rate=4e-3)
    batches = [(torch.cat([tiles, tiles]), at_scales)] * 20
    train_one_epoch(trainer, batches, report_every=10, on_report=reports.append)
    # Who didn't know the scale could do no better than to toss a coin, which costs log 2.
    assert reports[-1]["group"] < 0.4


def test_losses_fall_and_are_reported(draw_shapes: Any) -> None:
    reports: list[dict[str, float]] = []
    train_one_epoch(
        small_trainer(10), list(batches_of(draw_shapes, 2)) * 5, report_every=5, on_report=reports.append
    )
    assert [report["step"] for report in reports] == [5, 10]
    assert reports[1]["total"] < reports[0]["total"]


def test_only_full_batches_run_compiled(draw_shapes: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = []

    def compile_slowly(forward: Callable[..., torch.Tensor]) -> Callable[..., torch.Tensor]:
        def run(images: torch.Tensor, codes: torch.Tensor) -> torch.Tensor:
            compiled.append(len(images))
            return forward(images, codes)

        return run

    monkeypatch.setattr(torch, "compile", compile_slowly)
    network = small_trainer(3).network
    trainer = Trainer(network, Schedule(3), n_candidate_groups=2, compiled_for=4)
    short, *full = [*batches_of(draw_shapes, 1, n_tiles=2), *batches_of(draw_shapes, 2)]
    train_one_epoch(trainer, [short, *full])
    assert compiled == [4, 4]


def test_tiles_without_objects_train() -> None:
    empty = {"boxes": torch.zeros(0, 4), "labels": torch.zeros(0, dtype=torch.int64)}
    trainer = small_trainer(2)
    train_one_epoch(
        trainer, [(torch.full((2, 3, TILE_PX, TILE_PX), 128, dtype=torch.uint8), [empty, empty])] * 2
    )
    assert trainer.step == 2


def test_training_stops_at_a_loss_that_is_no_number(draw_shapes: Any) -> None:
    trainer = small_trainer(5)
    with torch.no_grad():
        trainer.network.where[-1].bias[0] = float("nan")  # type: ignore[index]
    with pytest.raises(TrainingError, match="loss of step 0 is not a finite number"):
        train_one_epoch(trainer, batches_of(draw_shapes, 1))


def test_training_ends_with_the_schedule_not_the_batches(draw_shapes: Any) -> None:
    trainer = small_trainer(1)
    train_one_epoch(trainer, batches_of(draw_shapes, 3))
    assert trainer.step == 1


def test_training_ends_with_the_time(draw_shapes: Any) -> None:
    trainer = small_trainer(100, limit_s=1e-6)
    train_one_epoch(trainer, batches_of(draw_shapes, 3))
    assert trainer.step == 1


def test_schedule_rises_then_falls_to_a_hundredth() -> None:
    schedule = Schedule(100, warm_up=0.1)
    factors = [schedule.factor(progress) for progress in np.linspace(0, 1, 101)]
    assert factors[0] < 0.02 and max(factors) == pytest.approx(1.0) and factors.index(max(factors)) == 10
    assert factors[-1] == pytest.approx(0.01)
    assert factors[10:] == sorted(factors[10:], reverse=True)


def test_schedule_goes_by_time_where_that_is_further() -> None:
    schedule = Schedule(100, limit_s=10)
    assert (schedule.progress(50, 1.0), schedule.progress(1, 8.0), schedule.progress(1, 99.0)) == (
        0.5,
        0.8,
        1.0,
    )


def test_moving_average_moves_towards_the_network() -> None:
    network = CentrePointNetwork(2, 8)
    average = MovingAverage(network, decay=0.5)
    before = average.network.where[-1].bias.clone()  # type: ignore[operator, union-attr]
    with torch.no_grad():
        network.where[-1].bias += 1.0  # type: ignore[operator]
    average.update()
    moved = average.network.where[-1].bias - before  # type: ignore[operator]
    assert 0.4 < float(moved.mean()) < 1.0


def test_evaluate_means_losses_and_leaves_weights(draw_shapes: Any) -> None:
    network = CentrePointNetwork(2, 8)
    before = {key: value.clone() for key, value in network.state_dict().items()}
    losses = evaluate(network, batches_of(draw_shapes, 2), n_candidate_groups=2)
    assert set(losses) == {"heat", "group", "box", "ellipse", "total"} and losses["total"] > 0
    assert all(torch.equal(value, before[key]) for key, value in network.state_dict().items())


def test_imagenet_weights_fit_every_part_of_the_features() -> None:
    torch.manual_seed(0)
    features = LiteFeatures().eval()
    before = {key: value.clone() for key, value in features.state_dict().items()}
    load_imagenet_features(features)
    same = [
        key
        for key, value in features.state_dict().items()
        if not key.endswith("num_batches_tracked") and torch.equal(value, before[key])
    ]
    assert same == []


@pytest.fixture
def tiny_run(tmp_path: Path, draw_shapes: Any) -> Callable[..., Path]:
    def run(**changes: Any) -> Path:
        settings = Settings(
            out=tmp_path / "run", steps=1, batch=2, tile_px=TILE_PX, device="cpu", held_out=1, **changes
        )
        train(settings, command="python -m training.train ...", draw=draw_shapes)
        return settings.out

    return run


def test_train_writes_weights_record_and_curve(tiny_run: Callable[..., Path]) -> None:
    folder = tiny_run(start="none")
    record = read_record(folder)
    assert record.groups == tuple(group.name for group in read_groups())
    assert record.recipe["command"].startswith("python -m training.train")
    assert record.scores["drawn_tiles"] == 2 and "torch" in record.packages
    assert json.loads((folder / "curve.jsonl").read_text().splitlines()[-1])["steps"] == 1
    read_network(folder, record)


def test_training_again_removes_the_graph_of_older_weights(tiny_run: Callable[..., Path]) -> None:
    folder = tiny_run(start="none")
    (folder / GRAPH_FILE).write_bytes(b"old")
    assert read_record(tiny_run(start="none")).graph_sha256 is None


def test_imagenet_start_is_named_with_its_licence(tiny_run: Callable[..., Path]) -> None:
    assert "Apache-2.0" in read_record(tiny_run(start="imagenet")).recipe["start"]


def test_training_goes_on_from_a_folder_and_records_its_hash(
    tiny_run: Callable[..., Path], weights_folder: Path
) -> None:
    start = read_record(weights_folder)
    record = read_record(tiny_run(start=str(weights_folder)))
    assert record.recipe["start"] == {
        "given": str(weights_folder),
        "name": "untrained",
        "weights_sha256": start.weights_sha256,
    }
    assert record.network == start.network


def test_weights_trained_in_place_record_the_hash_they_started_from(
    tiny_run: Callable[..., Path], tmp_path: Path
) -> None:
    first = read_record(tiny_run(start="none")).weights_sha256
    again = read_record(tiny_run(start=str(tmp_path / "run")))
    assert again.recipe["start"]["weights_sha256"] == first != again.weights_sha256


def test_start_takes_the_weights_of_the_folder(weights_folder: Path) -> None:
    started = start_network(str(weights_folder)).state_dict()
    stored = read_network(weights_folder, read_record(weights_folder)).state_dict()
    assert all(torch.equal(value, stored[name]) for name, value in started.items())


def test_start_from_the_shipped_detector_is_recorded_with_its_hash() -> None:
    shipped = read_record(shipped_folder())
    assert describe_start("shipped") == {
        "given": "shipped",
        "name": shipped.name,
        "weights_sha256": shipped.weights_sha256,
    }


def test_command_refuses_to_start_from_a_folder_without_weights(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["--out", str(tmp_path / "out"), "--start", str(tmp_path / "nowhere"), "--device", "cpu"]
    assert main(arguments) == 1
    said = capsys.readouterr().err
    assert "nowhere has no record.json" in said and said.count("\n") == 1


def test_start_from_nothing_is_not_the_imagenet_start() -> None:
    stems = [start_network(start).features.stem[0].weight for start in ("none", "imagenet")]  # type: ignore[union-attr, index]
    assert not torch.equal(*stems)  # type: ignore[arg-type]


def test_command_refuses_a_folder_that_is_no_labelled_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["--out", str(tmp_path / "out"), "--data", str(tmp_path), "--steps", "1", "--start", "none"]
    assert main([*arguments, "--device", "cpu"]) == 1
    assert "annotations.json can't be read" in capsys.readouterr().err


PICTURE_LIBRARIES = ("albumentations", "cv2", "pyvips", "tifffile")


def test_drawn_slides_alone_train_without_the_libraries_of_pictures() -> None:
    blocked = "; ".join(f"sys.modules[{name!r}] = None" for name in PICTURE_LIBRARIES)
    code = f"import sys; {blocked}; import training.train"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[2], timeout=120)


def test_adapting_has_gentler_settings_that_the_command_may_change(tmp_path: Path) -> None:
    adapting = ["--out", str(tmp_path), "--from-shipped", "--data", str(tmp_path)]
    settings = parse_settings([*adapting, "--steps", "7"])
    assert (settings.start, settings.steps, settings.drawn_share) == ("shipped", 7, 0.5)
    assert settings.rate < Settings.rate and settings.drawn_tiles is not None
    assert parse_settings(["--out", str(tmp_path)]) == Settings(out=tmp_path)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--from-shipped"], "adapt to a labelled set. Name it with --data"),
        (["--from-shipped", "--data", "set", "--start", "none"], "not allowed with argument"),
    ],
)
def test_adapting_refuses_what_makes_no_sense(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="2"):
        parse_settings(["--out", "out", *arguments])
    assert message in capsys.readouterr().err
