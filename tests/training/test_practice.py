from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import torch

from training import practice
from triage.groups import read_groups
from triage.zipped_set import unzip_set

SHAPE_HW = (60, 80)
NAMES = [group.name for group in read_groups()]
# An egg, a pollen grain, an egg that nobody could be asked to see, and one that the edge cuts.
TRUTH = SimpleNamespace(
    labels=np.array([NAMES.index(name) for name in ("oocyst", "pollen", "oocyst", "oocyst")]),
    visible=np.array([0.9, 0.9, 0.3, 0.9]),
    is_truncated=np.array([False, False, False, True]),
    boxes_xyxy=np.array([[5, 5, 25, 20], [30, 5, 50, 25], [5, 30, 20, 45], [60, 30, 80, 45]], dtype=float),
    ellipses=np.array([[15, 12.5, 20, 15, 0.0]] * 4),
    sizes_um=np.array([[10.0, 7.5]] * 4),
    um_per_px=0.5,
)


def test_drawn_slides_come_with_what_can_be_asked_of_a_learner(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = (torch.full((1, 3, *SHAPE_HW), 200, dtype=torch.uint8), [TRUTH])
    monkeypatch.setattr(practice, "draw_scene", lambda *_, **__: None)
    monkeypatch.setattr(practice, "render_scenes", lambda _: drawn)
    zipped = tmp_path / "practice.zip"
    assert practice.draw_practice(zipped, n=1, seed=1, shape_hw=SHAPE_HW) == 1
    labelled = unzip_set(zipped, tmp_path / "set", limit_bytes=1_000_000)
    egg, pollen = labelled.annotations["annotations"]
    assert (egg["answer"], egg["bbox"], egg["length_um"]) == ("confirm", [5, 5, 20, 15], 10.0)
    assert pollen["answer"] == "reject"
    (row,) = labelled.annotations["images"]
    assert [one["bbox"] for one in row["ignore_regions"]] == [[5, 30, 15, 15], [60, 30, 20, 15]]
    assert row["um_per_px"] == 0.5


def test_no_file_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "there.zip").write_bytes(b"mine")
    assert practice.main(["--out", str(tmp_path / "there.zip")]) == 1
    assert "none is ever overwritten" in capsys.readouterr().err
    assert practice.main(["--out", str(tmp_path / "new.zip"), "--n", "0"]) == 1
    assert "0 slides were asked for" in capsys.readouterr().err
