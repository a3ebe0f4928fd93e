from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips

from training.known_pictures import KnownObject
from training.measure_bench import find_known
from training.visible_border import _read_line, find_border, main
from triage.images import Picture
from triage.records import Ellipse

_OFFSETS = np.arange(-12.0, 12.01, 0.25)


def test_line_is_read_where_a_bell_is_darkest_and_half_and_a_tenth_is_left() -> None:
    profile = 200 - 80 * np.exp(-0.5 * ((_OFFSETS - 0.5) / 1.5) ** 2)
    # A bell of deviation 1.5 has half its height at 1.5 * sqrt(2 ln 2), a tenth at 1.5 * sqrt(2 ln 10).
    found = _read_line(profile, 3.0)
    assert found == pytest.approx((0.5, 0.5 + 1.5 * 1.17741, 0.5 + 1.5 * 2.14597), abs=0.03)
    assert _read_line(np.full(len(_OFFSETS), 200.0), 3.0) is None


def test_border_of_a_dark_disc_is_half_as_dark_at_its_edge() -> None:
    scale, truth = 8, Ellipse(100, 100, 90, 60, 25)
    big = np.full((200 * scale, 200 * scale), 210, np.uint8)
    cv2.ellipse(big, ((100 * scale - 0.5,) * 2, (90 * scale, 60 * scale), 25), 90, -1)
    grey = cv2.GaussianBlur(cv2.resize(big, (200, 200), interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    picture = Picture(pyvips.Image.new_from_array(np.repeat(grey[..., None], 3, 2)), file_name="a", sha256="")
    larger = KnownObject(Ellipse(100, 100, 94, 64, 25), "oocyst", "sharp")
    ((_, outline),) = find_known([(picture, [KnownObject(truth, "oocyst", "sharp")])], None, 1)
    assert outline is not None
    border = find_border(larger, outline)
    assert border is not None
    darkest, half, tenth, known = border
    assert darkest < 0 and half == pytest.approx(0, abs=0.3) and 0.8 < tenth < 1.8
    assert known == pytest.approx(2, abs=0.3)


def test_folder_without_a_set_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--data", str(tmp_path)]) == 1
    assert "has no annotations.json" in capsys.readouterr().err
