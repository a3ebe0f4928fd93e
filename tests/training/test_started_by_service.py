"""What the service tells the programs of `training` that it starts is what they take."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.run_folder import RunFolder, compare_arguments, judge_arguments, train_arguments
from training import compare, judge
from training.settings import parse_settings
from triage.weights import shipped_folder

OPTIONS = {
    "steps": 24,
    "batch": 2,
    "seed": 3,
    "patience": 2,
    "drawn_share": 0.5,
    "drawn_tiles": 4,
    "held_out": 1,
}


def test_a_training_adapts_the_detector_in_use_and_ends_by_the_held_out_split(tmp_path: Path) -> None:
    folder = RunFolder(tmp_path)
    told = train_arguments(folder, OPTIONS, start=shipped_folder(), name="ours", device="cpu")
    settings = parse_settings(told)
    assert (settings.start, settings.data, settings.resume) == (str(shipped_folder()), folder.data, True)
    assert (settings.patience, settings.check_every, settings.name) == (2, 2, "ours")
    assert (settings.out, settings.seed, settings.held_out) == (folder.out, 3, 1)


def test_judging_and_comparing_look_for_the_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = RunFolder(tmp_path)
    assert judge.main(judge_arguments(folder)) == 1
    assert compare.main(compare_arguments(folder, old=tmp_path, new=tmp_path, margin=0.02)) == 1
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2 and all(f"{folder.data}/annotations.json can't be read" in line for line in said)
