"""The command line: pictures on disk, truth that others read."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest
from pycocotools.coco import COCO

from training.synthesize.__main__ import main

ROOT = Path(__file__).parents[3]
SMALL = ["--n", "2", "--width", "160", "--height", "128", "--style", "close", "--seed", "4"]


def digests(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.rglob("*.*"))}


def test_written_set_is_read_by_pycocotools(tmp_path, capsys):
    assert main(["--out", str(tmp_path), *SMALL]) == 0
    assert "2 pictures" in capsys.readouterr().out
    coco = COCO(str(tmp_path / "annotations.json"))
    assert len(coco.getImgIds()) == 2
    assert all(
        (tmp_path / "images" / image["file_name"]).exists() for image in coco.loadImgs(coco.getImgIds())
    )
    annotations = coco.loadAnns(coco.getAnnIds())
    assert annotations
    assert {"ellipse", "length_um", "width_um", "focus_um", "occluded", "truncated"} <= annotations[0].keys()
    supers = {category["supercategory"] for category in coco.loadCats(coco.getCatIds())}
    assert supers == {"candidate", "look_alike"}


def test_two_workers_draw_what_one_draws(tmp_path):
    assert main(["--out", str(tmp_path / "one"), *SMALL]) == 0
    command = [
        sys.executable,
        "-m",
        "training.synthesize",
        "--out",
        str(tmp_path / "two"),
        *SMALL,
        "--workers",
        "2",
    ]
    subprocess.run(command, check=True, cwd=ROOT)
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_given_pixel_size_is_kept(tmp_path):
    assert main(["--out", str(tmp_path), *SMALL, "--um-per-px", "0.37"]) == 0
    images = json.loads((tmp_path / "annotations.json").read_text())["images"]
    assert [image["um_per_px"] for image in images] == [0.37, 0.37]


@pytest.mark.parametrize(
    ("option", "value", "message"), [("--n", "0", "--n is 0"), ("--um-per-px", "-1", "--um-per-px is -1.0")]
)
def test_bad_number_is_refused_in_one_sentence(tmp_path, capsys, option, value, message):
    assert main(["--out", str(tmp_path), option, value]) == 1
    assert message in capsys.readouterr().err
