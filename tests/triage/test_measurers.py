from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips

from triage.calibration import state_calibration
from triage.describe import Ask, describe_candidates
from triage.errors import ImageError
from triage.groups import read_groups
from triage.images import Limits, Picture, open_picture
from triage.measurers import Measurers, begin_measurers
from triage.records import Detections, Ranked
from triage.score_calibration import UNCALIBRATED
from triage.shell import GROUP_SD_FACTORS

N = 5
ASK = Ask(state_calibration(1.0, None, source="drawn"), "dog", 0.2, UNCALIBRATED)


def _write_ellipses(path: Path) -> None:
    pixels = np.full((120, 120 * N, 3), 200, dtype=np.uint8)
    for n in range(N):
        cv2.ellipse(pixels, (60 + 120 * n, 60), (30 + 2 * n, 20), 15.0 * n, 0, 360, (60, 70, 80), 3)
    pyvips.Image.new_from_array(pixels).tiffsave(str(path), tile=True, tile_width=128, tile_height=128)


def _piece(first: int) -> Ranked:
    """One of the ellipses, with its rank."""
    x = 60.0 + 120 * first
    shares = np.full((1, len(read_groups())), 1 / len(read_groups()))
    found = Detections(
        np.array([[x - 40, 20, x + 40, 100]]),
        np.array([0.9]),
        shares,
        np.array([[x, 60, 62, 42, 15.0 * first]]),
    )
    return Ranked(found, first + 1, 1)


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Picture]:
    path = tmp_path_factory.mktemp("measured") / "a.tif"
    _write_ellipses(path)
    with open_picture(path, limits=Limits(max_memory_pixels=100)) as opened:
        yield opened


def test_what_looks_like_a_group_misjudged_more_has_its_size_stated_less_surely(picture: Picture) -> None:
    piece = _piece(0)
    sds = []
    for name in ("oocyst", "giardia_cyst"):
        shares = np.array([[float(group.name == name) for group in read_groups()]])
        seen = replace(piece, detections=replace(piece.detections, group_scores=shares))
        (candidate,) = describe_candidates(picture, seen, ASK)
        assert candidate.outline is not None
        sds.append(candidate.outline.aspect_sd)
    assert sds[1] == pytest.approx(GROUP_SD_FACTORS["giardia_cyst"] * sds[0])


def test_processes_measure_as_one_does_and_another_takes_over_from_one_that_died(picture: Picture) -> None:
    pieces = [_piece(n) for n in range(N)]
    expected = tuple(describe_candidates(picture, piece, ASK)[0] for piece in pieces)
    assert all(one.ellipse is not None for one in expected)
    measurers = Measurers(picture, 2)
    try:
        assert measurers.describe(pieces, ASK) == expected
        measurers._processes[0].kill()
        assert measurers.describe(pieces, ASK) == expected
    finally:
        measurers.close()
    assert all(process.poll() is not None for process in measurers._processes)


def test_a_damaged_picture_is_told_as_elsewhere(tmp_path: Path) -> None:
    _write_ellipses(tmp_path / "a.tif")
    with open_picture(tmp_path / "a.tif", limits=Limits(max_memory_pixels=100)) as picture:
        measurers = Measurers(picture, 1)
        (tmp_path / "a.tif").write_bytes(b"II*\0")
        try:
            with pytest.raises(ImageError, match=r"a\.tif is cut short or damaged"):
                measurers.describe([_piece(0)], ASK)
        finally:
            measurers.close()


def test_processes_end_when_their_owner_is_killed(picture: Picture) -> None:
    assert picture.pixel_file is not None
    code = (
        "import sys, time; from pathlib import Path; from triage.images import PixelFile, open_pixels\n"
        "from triage.measurers import Measurers; file = PixelFile(Path(sys.argv[1]), 1, is_copy=False)\n"
        "picture = open_pixels(file, 'a'); picture.pixel_file = file\n"
        "print(Measurers(picture, 1)._processes[0].pid, flush=True); time.sleep(60)"
    )
    command = [sys.executable, "-c", code, str(picture.pixel_file.path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        pid = int(owner.stdout.readline())
        owner.kill()
    deadline = time.monotonic() + 30
    while Path(f"/proc/{pid}/stat").exists() and time.monotonic() < deadline:
        if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
            break
        time.sleep(0.05)
    else:
        assert not Path(f"/proc/{pid}").exists()


def test_one_thread_and_pictures_in_memory_measure_in_their_own_process(
    picture: Picture, tmp_path: Path
) -> None:
    assert begin_measurers(picture, 1) is None
    _write_ellipses(tmp_path / "a.tif")
    with open_picture(tmp_path / "a.tif") as small:
        assert begin_measurers(small, os.cpu_count() or 8) is None
        with pytest.raises(ValueError, match=r"a\.tif is held in memory"):
            Measurers(small, 1)
