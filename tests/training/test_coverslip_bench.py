from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from training.bench import main
from training.coverslip_bench import Spent, Timed, to_figures
from training.workers_bench import time_workers
from triage.errors import RecordError


def test_bench_prints_the_figures_of_a_coverslip(
    weights_folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("training.coverslip_bench.SQUARE_PX", 128)
    # One program that draws is as good as two here.
    monkeypatch.setattr("training.coverslip_bench._DRAWN", (("field", 1),))
    arguments = ["--coverslip", "--weights", str(weights_folder), "--side-mm", "0.6", "--device", "cpu"]
    assert main(arguments) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures["mpx"] == 0.4 and figures["tiles"] >= 4
    assert figures["total_s"] >= figures["looking_s"] > 0 and figures["total_over_forward_cpu"] > 0.5
    assert figures["peak_memory_mib"] > 50


def test_bench_refuses_a_coverslip_that_cant_be_drawn(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--coverslip", "--side-mm", "-3"]) == 1
    assert "A side of -3 mm" in capsys.readouterr().err


def test_figures_count_what_was_sampled_for_all_tiles() -> None:
    timed = Timed(4.0, n_tiles=40, n_sampled=10, forward=Spent(2.0, 2.0), plain=Spent(4.0, 4.0))
    timed.looking, timed.opening = Spent(9.0, 8.8), Spent(1.0, 1.0)
    small = Timed(1.0, n_tiles=10, n_sampled=10, forward=Spent(2.0, 2.0), looking=Spent(2.0, 2.0))
    figures = to_figures(timed, small)
    assert figures["total_s"] == 10.0 and figures["forward_s"] == 8.0
    assert figures["total_over_forward"] == 1.25 and figures["looking_over_forward_cpu"] == 1.1
    assert figures["looking_over_plain_loop"] == 0.562
    assert figures["cost_per_tile_over_quarter_cpu"] == 1.225


def test_workers_with_cores_of_their_own_leave_one_for_the_service() -> None:
    n_here = len(os.sched_getaffinity(0))
    with pytest.raises(RecordError, match=f"need at least {n_here + 1} cores; there are {n_here}"):
        time_workers(counts=(1,), cores_each=n_here)
