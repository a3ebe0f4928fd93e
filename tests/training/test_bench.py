from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training.bench import main


def test_bench_prints_its_figures(
    weights_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (150, 200, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(tmp_path / "picture.png")
    arguments = ["--weights", str(weights_folder), "--image", str(tmp_path / "picture.png")]
    assert main([*arguments, "--seconds", "0.05", "--processes", "1"]) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures["tiles_per_second_1_process"] > 0 and figures["tiles"] >= 4
    # Beside its forward passes a proposal cuts, merges and measures, so it can't be much faster than they.
    assert figures["ratio"] > 0.5


def test_bench_without_weights_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--weights", str(tmp_path)]) == 1
    assert "has no record.json" in capsys.readouterr().err
