from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training.focus_bench import (
    DEFOCUS_UM,
    Stack,
    defocus,
    main,
    measure_field,
    plain_scene,
    sum_up,
    sum_up_all,
)


@pytest.fixture(scope="module")
def stacks() -> dict[str, Stack]:
    """Three small fields, drawn in every plane: at its far end a faint one alone is mostly grain."""
    return sum_up_all([measure_field(1, 256, index) for index in range(3)])


@pytest.mark.parametrize("name", ["defocus_um", "exposure", "vignette"])
def test_each_measure_goes_one_way_over_its_drawn_stack(stacks: dict[str, Stack], name: str) -> None:
    assert stacks[name].is_monotone, stacks[name].median


def test_threshold_of_focus_parts_both_ends_of_the_stack(stacks: dict[str, Stack]) -> None:
    stack = stacks["defocus_um"]
    assert stack.share_beyond_threshold[stack.plane.index(10.0)] == 0
    assert stack.share_beyond_threshold[-2:] == (1, 1)


def test_threshold_of_light_parts_both_ends_of_the_stack(stacks: dict[str, Stack]) -> None:
    for name in ("exposure", "vignette"):
        beyond = stacks[name].share_beyond_threshold
        assert (beyond[0], beyond[-1]) == (0, 1), name


def test_defocus_moves_all_of_the_scene_and_nothing_else() -> None:
    scene = plain_scene(1, 0, side_px=128)
    moved = defocus(scene, 20.0)
    assert set(moved.optics.slab_z_um) == {20.0} and set(scene.optics.slab_z_um) == {0.0}
    assert replace(moved, optics=scene.optics) == scene


@pytest.mark.parametrize(
    ("rows", "is_monotone"), [([[3.0, 2, 1], [3, 2, 1]], True), ([[3.0, 2, 2.5], [3, 1, 2.5]], False)]
)
def test_sum_up_sees_a_median_that_turns(rows: list[list[float]], is_monotone: bool) -> None:
    assert sum_up((0, 1, 2), np.array(rows), threshold=2.5, falls=True).is_monotone == is_monotone


def test_sum_up_leaves_out_what_could_not_be_judged() -> None:
    stack = sum_up((0, 1), np.array([[3.0, np.nan], [3.0, 1.0]]), threshold=2, falls=True)
    assert (stack.share_judged, stack.share_beyond_threshold) == ((1, 0.5), (0, 1))


def test_main_prints_the_figures_and_plots_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fields = {
        "sharpness": list(np.linspace(1, 0.1, len(DEFOCUS_UM))),
        "burnt_out": list(np.linspace(0, 1, 7)),
        "evenness": list(np.linspace(1, 0.3, 5)),
    }
    monkeypatch.setattr("training.focus_bench.measure_all", lambda options: [fields, fields])
    assert main(["--n", "2", "--workers", "1", "--out", str(tmp_path / "plots")]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["defocus_um"]["plane"] == list(DEFOCUS_UM) and printed["defocus_um"]["is_monotone"]
    with Image.open(tmp_path / "plots" / "focus_bench.png") as plot:
        assert plot.width > 1000


@pytest.mark.parametrize("arguments", [("--n", "0"), ("--side", "64"), ("--seed", "-1"), ("--workers", "0")])
def test_main_refuses_bad_numbers(arguments: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(list(arguments))
    assert "must be" in capsys.readouterr().err
