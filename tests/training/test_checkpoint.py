from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import torch

from training.checkpoint import (
    MOST_BYTES,
    find_checkpoint,
    load_checkpoint,
    read_standing,
    write_checkpoint,
)
from training.engine import Schedule, Trainer, TrainingError
from training.parallel import Share
from training.parts import Keeper, choose_checkpoint
from training.settings import Settings, fixed_settings
from training.train import train
from triage.network import CentrePointNetwork
from triage.network_file import write_network
from triage.weights import WEIGHTS_FILE, WeightsRecord, write_record

COMMAND = "python -m training.train ..."


class Killed(Exception):
    """Stands for a kill in the middle of a step."""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(
        out=tmp_path / "run",
        steps=6,
        batch=4,
        tile_px=64,
        start="none",
        device="cpu",
        held_out=1,
        checkpoint_every=0.0,
        report_every=2,
    )


def kill_at(draw: Any, n_batches: int) -> Callable[..., Any]:
    """Draws so many batches and is then killed."""
    drawn = []

    def draw_until_killed(*order: Any, **more: Any) -> Any:
        if len(drawn) == n_batches:
            raise Killed
        drawn.append(order)
        return draw(*order, **more)

    return draw_until_killed


def curve_of(folder: Path) -> list[dict[str, Any]]:
    """The lines of a curve without the times."""
    lines = [json.loads(line) for line in (folder / "curve.jsonl").read_text().splitlines()]
    return [{key: value for key, value in line.items() if not key.startswith("seconds")} for line in lines]


@pytest.mark.parametrize("echoes", [1, 2])
def test_a_killed_and_resumed_training_ends_as_one_that_ran_through(
    settings: Settings, draw_shapes: Any, tmp_path: Path, echoes: int
) -> None:
    settings = dataclasses.replace(settings, echoes=echoes)
    through = dataclasses.replace(settings, out=tmp_path / "through")
    assert train(through, command=COMMAND, draw=draw_shapes) is not None
    with pytest.raises(Killed):
        train(settings, command=COMMAND, draw=kill_at(draw_shapes, 3))
    assert find_checkpoint(settings.out) == settings.out / "checkpoint-00000003"
    resumed = train(dataclasses.replace(settings, resume=True), command=COMMAND, draw=draw_shapes)
    assert resumed is not None
    weights = [(folder / WEIGHTS_FILE).read_bytes() for folder in (through.out, settings.out)]
    assert weights[0] == weights[1]
    assert curve_of(through.out) == curve_of(settings.out)
    assert [line.get("step") for line in curve_of(settings.out)] == [2, 4, 6, None]
    assert find_checkpoint(settings.out) is None


def test_a_part_that_is_stopped_leaves_a_checkpoint_and_no_weights(
    settings: Settings, draw_shapes: Any
) -> None:
    assert train(dataclasses.replace(settings, stop_after=1e-9), command=COMMAND, draw=draw_shapes) is None
    assert find_checkpoint(settings.out) == settings.out / "checkpoint-00000001"
    assert not (settings.out / WEIGHTS_FILE).exists()


def test_time_is_counted_over_all_parts(settings: Settings, draw_shapes: Any) -> None:
    timed = dataclasses.replace(settings, minutes=1e6, stop_after=1e-9)
    train(timed, command=COMMAND, draw=draw_shapes)
    first = find_checkpoint(settings.out)
    assert first is not None
    before = read_standing(first).elapsed_s
    train(dataclasses.replace(timed, resume=True), command=COMMAND, draw=draw_shapes)
    second = find_checkpoint(settings.out)
    assert second is not None and second != first
    assert read_standing(second).elapsed_s > before > 0


def test_resume_begins_where_there_is_no_checkpoint(settings: Settings, draw_shapes: Any) -> None:
    begun = dataclasses.replace(settings, steps=1, resume=True)
    assert train(begun, command=COMMAND, draw=draw_shapes) is not None


def test_a_training_that_has_not_ended_is_not_written_over(settings: Settings, draw_shapes: Any) -> None:
    train(dataclasses.replace(settings, stop_after=1e-9), command=COMMAND, draw=draw_shapes)
    with pytest.raises(TrainingError, match=r"has not ended\. Add --resume to go on"):
        train(settings, command=COMMAND, draw=draw_shapes)


def test_a_training_is_not_resumed_with_other_settings(settings: Settings, draw_shapes: Any) -> None:
    train(dataclasses.replace(settings, stop_after=1e-9), command=COMMAND, draw=draw_shapes)
    other = dataclasses.replace(settings, resume=True, seed=2, workers=0, name="another name")
    with pytest.raises(TrainingError, match=r"other settings \(seed 1 there, 2 now\)"):
        train(other, command=COMMAND, draw=draw_shapes)


def test_a_setting_unknown_when_the_training_began_had_its_default(
    settings: Settings, tmp_path: Path
) -> None:
    begun = fixed_settings(settings)
    del begun["drawn_tiles"]
    path = write_checkpoint(settings.out, trainer_of(8), begun)
    assert choose_checkpoint(dataclasses.replace(settings, resume=True)) == path
    with pytest.raises(TrainingError, match=r"other settings \(drawn_tiles None there, 9 now\)"):
        choose_checkpoint(dataclasses.replace(settings, resume=True, drawn_tiles=9))


def test_set_and_start_may_lie_elsewhere_but_are_the_same(settings: Settings, tmp_path: Path) -> None:
    record = WeightsRecord("small", ("oocyst",), 0.5, 64, 0.5, network={"n_channels": 8}, recipe={})
    for place in ("here", "there"):
        (tmp_path / place).mkdir()
        write_network(trainer_of(8).network, tmp_path / place)
        write_record(tmp_path / place, record)
        (tmp_path / place / "annotations.json").write_text("{}")
    here, there = (
        dataclasses.replace(settings, resume=True, data=tmp_path / place, start=str(tmp_path / place))
        for place in ("here", "there")
    )
    Keeper(here, trainer_of(8), Share(), float("inf")).write()
    assert choose_checkpoint(there) == find_checkpoint(settings.out) == settings.out / "checkpoint-00000000"
    (tmp_path / "there" / "annotations.json").write_text("[]")
    with pytest.raises(TrainingError, match=r"other settings \(data [0-9a-f]{64} there"):
        choose_checkpoint(there)


def trainer_of(n_channels: int = 96) -> Trainer:
    torch.manual_seed(1)
    return Trainer(CentrePointNetwork(19, n_channels), Schedule(2), n_candidate_groups=12)


def step_once(trainer: Trainer) -> None:
    """One step down any slope, so that there are moments to keep."""
    trainer.network(torch.zeros(2, 3, 32, 32)).sum().backward()
    trainer.optimizer.step()
    trainer.step += 1


def test_files_are_few_and_small_enough_to_send(tmp_path: Path) -> None:
    trainer = trainer_of()
    step_once(trainer)
    path = write_checkpoint(tmp_path, trainer, {})
    sizes = [file.stat().st_size for file in path.iterdir()]
    assert len(sizes) <= 6 and max(sizes) <= 16 * 2**20 and MOST_BYTES < 16 * 2**20


def test_a_new_checkpoint_replaces_older_ones_and_what_a_kill_left(tmp_path: Path) -> None:
    trainer = trainer_of(8)
    (tmp_path / "checkpoint-00000000.partial").mkdir()
    write_checkpoint(tmp_path, trainer, {})
    write_checkpoint(tmp_path, trainer, {})
    trainer.step = 7
    write_checkpoint(tmp_path, trainer, {})
    assert [path.name for path in tmp_path.iterdir()] == ["checkpoint-00000007"]


@pytest.mark.parametrize("damage", ["lost", "cut"])
def test_a_damaged_checkpoint_is_refused(tmp_path: Path, damage: str) -> None:
    trainer = trainer_of()
    step_once(trainer)
    path = write_checkpoint(tmp_path, trainer, {})
    last = sorted(path.iterdir())[-1]
    if damage == "lost":
        last.unlink()
    else:
        last.write_bytes(last.read_bytes()[:-100])
    with pytest.raises(TrainingError, match=r"can't be read .* Copy all its files again"):
        load_checkpoint(path, trainer_of())


def test_a_checkpoint_of_another_network_is_refused(tmp_path: Path) -> None:
    path = write_checkpoint(tmp_path, trainer_of(8), {})
    with pytest.raises(TrainingError, match="can't be read"):
        load_checkpoint(path, trainer_of(16))
