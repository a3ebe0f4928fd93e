from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from torch import nn

from training.parallel import Share, SharedBatchNorm, choose_device
from training.settings import Settings
from training.train import train
from training.transforms import Augmenter, Chances
from triage.network_file import read_network
from triage.weights import read_record

SETTINGS = {
    "steps": 4,
    "batch": 4,
    "tile_px": 64,
    "start": "imagenet",
    "device": "cpu",
    "held_out": 1,
    "report_every": 1,
    "rate": 5e-4,
}
PROGRAM = """
import importlib.util, json, sys
from pathlib import Path
from training.settings import Settings
from training.train import train

shapes = importlib.util.spec_from_file_location("shapes", sys.argv[1])
drawing = importlib.util.module_from_spec(shapes)
shapes.loader.exec_module(drawing)
settings = Settings(out=Path(sys.argv[2]), **json.loads(sys.argv[3]))
train(settings, command="torchrun ...", draw=drawing.draw_shapes_in_tiles)
"""


def run_together(folder: Path, n_processes: int) -> Path:
    """Trains by so many processes; returns the folder that the first one wrote."""
    (folder / "program.py").write_text(PROGRAM)
    torchrun = ["-m", "torch.distributed.run", "--standalone", "--nproc-per-node", str(n_processes)]
    shapes = str(Path(__file__).with_name("conftest.py"))
    command = [sys.executable, *torchrun, str(folder / "program.py"), shapes, str(folder / "run")]
    root = Path(__file__).parents[2]
    subprocess.run(
        [*command, json.dumps(SETTINGS)],
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": str(root)},
        capture_output=True,
        timeout=300,
    )
    return folder / "run"


def losses_of(folder: Path) -> np.ndarray:
    """Every loss of every step, (steps, losses)."""
    lines = [json.loads(line) for line in (folder / "curve.jsonl").read_text().splitlines()]
    names = ("heat", "group", "box", "ellipse", "total")
    return np.array([[line[name] for name in names] for line in lines if "step" in line])


def test_two_processes_learn_as_one_does(tmp_path: Path, draw_shapes: Any) -> None:
    together = run_together(tmp_path, 2)
    alone = tmp_path / "alone"
    train(Settings(out=alone, **SETTINGS), command="...", draw=draw_shapes)  # type: ignore[arg-type]
    assert losses_of(alone).shape == (4, 5)
    np.testing.assert_allclose(losses_of(together), losses_of(alone), rtol=2e-3, atol=2e-4)
    kept = [read_network(folder, read_record(folder)).state_dict() for folder in (together, alone)]
    variances = [name for name in kept[0] if name.endswith("running_var")]
    for name in variances:
        torch.testing.assert_close(kept[0][name], kept[1][name], rtol=1e-2, atol=1e-4)


@pytest.mark.parametrize(("n_tiles", "n"), [(8, 2), (7, 3), (5, 5)])
def test_shares_cover_a_batch_once(n_tiles: int, n: int) -> None:
    bounds = [Share(rank, n).bounds(n_tiles) for rank in range(n)]
    assert [number for first, after in bounds for number in range(first, after)] == list(range(n_tiles))


def test_a_batch_smaller_than_the_processes_is_refused() -> None:
    with pytest.raises(ValueError, match="3 tiles can't be shared by 4 processes"):
        Share(0, 4).bounds(3)


def test_shared_norm_alone_is_batch_norm() -> None:
    torch.manual_seed(2)
    norm = nn.BatchNorm2d(3, eps=1e-3, momentum=0.03)
    shared = SharedBatchNorm.like(norm).eval()
    x = torch.randn(4, 3, 5, 5)
    torch.testing.assert_close(shared(x), norm.eval()(x))
    assert list(shared.state_dict()) == list(norm.state_dict())


def test_a_share_is_changed_as_in_the_whole_batch() -> None:
    torch.manual_seed(3)
    tiles = torch.randint(0, 256, (4, 3, 64, 64), dtype=torch.uint8)
    empty = {"boxes": torch.zeros(0, 4), "labels": torch.zeros(0, dtype=torch.int64)}
    always = Chances(*(1.0,) * 7)
    whole, _ = Augmenter(7, always)(tiles, [empty] * 4)
    halves = [Augmenter(7, always, Share(rank, 2)) for rank in range(2)]
    parts = [half(tiles[2 * rank :][:2], [empty] * 2)[0] for rank, half in enumerate(halves)]
    torch.testing.assert_close(torch.cat(parts), whole, atol=1.0, rtol=0)


def test_a_step_is_changed_the_same_whatever_came_before() -> None:
    tiles = torch.randint(0, 256, (2, 3, 64, 64), dtype=torch.uint8)
    empty = {"boxes": torch.zeros(0, 4), "labels": torch.zeros(0, dtype=torch.int64)}
    one, other = Augmenter(7), Augmenter(7)
    one(tiles, [empty] * 2)
    for augment in (one, other):
        augment.start_at(5)
    assert torch.equal(one(tiles, [empty] * 2)[0], other(tiles, [empty] * 2)[0])


def test_named_devices_are_taken_as_they_are() -> None:
    assert choose_device("cpu") == torch.device("cpu")
    assert choose_device("cuda", 3) == torch.device("cuda:3")
    assert choose_device("cuda:1", 3) == torch.device("cuda:1")
