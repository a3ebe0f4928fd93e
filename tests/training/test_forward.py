from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from training.forward import run_forward


@pytest.mark.parametrize(("runs_on_cpu", "calls"), [(True, [60]), (False, [57, 3])])
def test_run_forward_gives_a_processor_all_tiles_at_once_and_a_gpu_full_calls(
    runs_on_cpu: bool, calls: list[int]
) -> None:
    shapes: list[Any] = []
    detector: Any = SimpleNamespace(
        runs_on_cpu=runs_on_cpu, tile_px=512, run_forward=lambda tiles: shapes.append(tiles.shape)
    )
    run_forward(detector, 60, 768)
    # 128 tiles of 512 px have the area of 57 of 768.
    assert shapes == [(n, 768, 768, 3) for n in calls]
