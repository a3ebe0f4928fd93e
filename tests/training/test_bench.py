from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training import sliced_package
from training.bench import main, time_in_turn


def write_picture(folder: Path) -> Path:
    pixels = np.random.default_rng(1).integers(0, 256, (150, 200, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(folder / "picture.png")
    return folder / "picture.png"


def test_bench_prints_its_figures(
    weights_folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sliced_package, "NAME", "no_such_package")
    arguments = ["--weights", str(weights_folder), "--image", str(write_picture(tmp_path))]
    assert main([*arguments, "--rounds", "1", "--processes", "2", "--device", "cpu"]) == 0
    printed = capsys.readouterr()
    figures = json.loads(printed.out)
    assert figures["tiles"] >= 4 and figures["forward_1_tiles_per_second"] > 0
    # Beside its forward passes a proposal cuts, merges and measures, so it can't be much faster than they.
    assert figures["proposal_1_over_forward_cpu"] > 0.5 and figures["proposal_several_over_forward"] > 0
    assert "no_such_package isn't installed" in printed.err and "package_s" not in figures


def test_time_in_turn_keeps_the_best_of_the_rounds() -> None:
    calls: list[str] = []
    best = time_in_turn({"a": lambda: calls.append("a"), "b": lambda: calls.append("b")}, 3)
    assert calls == ["a", "b"] * 3
    assert set(best) == {"a", "b"} and all(spent.wall > 0 for spent in best.values())


def test_bench_without_weights_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--weights", str(tmp_path), "--image", str(write_picture(tmp_path))]
    assert main(arguments) == 1
    assert "has no record.json" in capsys.readouterr().err
